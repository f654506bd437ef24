"""Runs in which people do and read everything: what is found is true of the unit, and few prompts decide it."""

from __future__ import annotations

from collections import Counter

import by_hand
import pytest
from judge_cases import D, holds

from ventproof.log.events import AnswerGiven, PromptShown, StepBegin
from ventproof.verdict.finding import Verdict


def stimulus_s(run, step):
    """Return the true instant from which the responses of a step count."""
    if step == 0:
        begin = next(event for event in run.events if isinstance(event, StepBegin) and event.step == 0)
        return begin.window.earliest_s
    return [at_s for at_s, closed in run.acts if closed is (step == 1)][-1 if step == 1 else 1]


def wrongs(run):
    """Yield each finding that is not true of what the unit did."""
    for result in run.results:
        if result.watch is None or result.ruling is None:
            continue
        lamp = result.signal == "rain_override"
        course, slack = (run.lamp, by_hand.LAMP_S) if lamp else (run.vent, D)
        formula, s = run.formula(result), stimulus_s(run, result.step)
        if result.ruling.verdict is Verdict.PASS and not holds(formula, course, s, slack):
            yield result.step_name, result.signal, "false pass", formula
        if result.ruling.verdict is Verdict.FAIL and holds(formula, course, s, -slack):
            yield result.step_name, result.signal, "false fail", formula


@pytest.fixture(scope="module")
def runs():
    """Play a slice of random benches, people and deadlines."""
    return [by_hand.played(seed) for seed in range(16)]


def test_no_finding_contradicts_what_the_unit_did(runs):
    """However slow, coarse, late or unsure people are: a pass is true of the unit, a fail false."""
    assert [(seed, *wrong) for seed, run in enumerate(runs) for wrong in wrongs(run)] == []


def test_people_decide_most_of_what_they_can(runs):
    """Passes and fails both come about, and what stays open is the lesser part."""
    said = Counter(r.ruling.verdict for run in runs for r in run.results if r.watch is not None)
    assert said[Verdict.PASS] > said[Verdict.INCONCLUSIVE], said
    assert said[Verdict.FAIL] >= 4, said


def test_a_pass_takes_few_prompts(runs):
    """A run of a quarter of an hour asks for something about every 15 s, and not as fast as people answer."""
    for run in runs:
        if run.outcome.verdict is Verdict.PASS:
            asked = sum(isinstance(event, PromptShown) for event in run.events)
            assert asked < run.events[-1].t_s / 8, asked


def test_every_prompt_is_answered_or_taken_back(runs):
    """Nothing is left open when a run is over."""
    for run in runs:
        asked = [event.number for event in run.events if isinstance(event, PromptShown)]
        over = {event.number for event in run.events if event.name in {"answer", "prompt_over"}}
        assert asked == list(range(1, len(asked) + 1))
        assert over == set(asked)


def test_nobody_is_asked_two_things_at_a_time(runs):
    """From a prompt to its answer there is no other for the same person."""
    for run in runs:
        busy = {}
        for event in run.events:
            if isinstance(event, PromptShown):
                assert event.prompt.who not in busy
                busy[event.prompt.who] = event.number
            elif isinstance(event, AnswerGiven) or event.name == "prompt_over":
                busy = {who: number for who, number in busy.items() if number != event.number}
