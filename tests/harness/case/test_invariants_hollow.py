"""What a record notes beside its findings: what nothing bounds, and passes that show nothing."""

from __future__ import annotations

import json

import pytest

from ventproof.case.invariants import held_before, is_hollow
from ventproof.deciders.formulas import EqualsFormula, ReachesFormula, StaysFormula
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.verdict.finding import Bounds, Ruling, Verdict
from ventproof_bench.base.evidence import Sample, Window

TWICE = """
profile: rain on rain
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 99 %, tolerance: 2 %, within: 2 min, holds: 5 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
      - {signal: roof_vent, reaches: 5 %, tolerance: 2 %, within: 35 s, holds: 5 s}
  - step: rain again
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
      - {signal: roof_vent, reaches: 5 %, tolerance: 2 %, within: 35 s, holds: 5 s}
      - {signal: roof_vent, stays: 5 %, tolerance: 2 %, for: 5 s}
"""


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def notes_of(result):
    return [event for event in lines_of(result.log) if event["event"] == "note"]


def test_a_pass_that_held_before_its_stimulus_is_noted(run):
    """What was brought about passes without a word, what held already is named; to stay is not meant to be new."""
    result = run(TWICE)
    assert result.outcome.verdict == "pass"
    said = [(note["step"], note["number"]) for note in notes_of(result) if "step" in note]
    assert said == [(2, 0), (2, 1)]
    word = "held already before, so its pass shows no effect"
    assert result.remarks == (
        f"rain again: rain_override is on within 3 s: {word}",
        f"rain again: roof_vent reaches 5 % ± 2 % within 35 s, holds 5 s: {word}",
    )


def test_what_is_noted_is_marked_in_the_record_of_the_run(run):
    """Comparisons see of a finding whether it shows anything."""
    findings = results_of(read_log(run(TWICE).log)).findings
    assert [(f.step, f.number) for f in findings if not f.shows] == [(2, 0), (2, 1)]


def test_what_binding_had_to_note_stands_in_the_record_without_a_path(run, shipped):
    """A reader of the log learns what no unit could fail on this bench, wherever its files lay."""
    early = (
        shipped["rain-closes-holds-lets-go"]
        .read_text(encoding="utf-8")
        .replace("not_before: 50 s", "not_before: 20 s")
    )
    notes = [note["text"] for note in notes_of(run(early))]
    assert any(
        text.startswith("profile.yaml:") and "no unit can come back too early" in text for text in notes
    )
    assert not any("/" in text.partition(" ")[0] for text in notes)


@pytest.mark.parametrize(
    ("formula", "value", "held"),
    [
        (ReachesFormula(5.0, 2.0, 35.0), 7.0, True),
        (ReachesFormula(5.0, 2.0, 35.0), 7.1, False),
        (EqualsFormula(1.0, 3.0), 1.0, True),
        (EqualsFormula(1.0, 3.0), 0.0, False),
        (StaysFormula(3.0, 7.0, 10.0), 5.0, False),
    ],
)
def test_only_what_was_read_before_the_stimulus_counts(formula, value, held):
    """A reading that may have been taken after the stimulus shows nothing of before."""
    since = Window(10.0, 10.1)
    assert held_before(formula, Sample(value, 9.8, 9.9), since) is held
    assert not held_before(formula, Sample(value, 9.9, 10.05), since)
    assert not held_before(formula, None, since)


@pytest.mark.parametrize(
    ("verdict", "answer", "held", "hollow"),
    [
        (Verdict.PASS, Bounds(0.0, 0.3), True, True),
        (Verdict.PASS, Bounds(4.0, 4.3), True, False),
        (Verdict.PASS, Bounds(0.0, 0.3), False, False),
        (Verdict.FAIL, None, True, False),
    ],
)
def test_a_response_that_was_left_and_came_again_is_an_answer(verdict, answer, held, hollow):
    """Only a pass whose demand may have held all the way from before is hollow."""
    assert is_hollow(Ruling(verdict, "", response_s=answer), held=held) is hollow
