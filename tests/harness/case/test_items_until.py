"""What is required until a signal takes a value: no verdict is wrong, whenever the signal really took it."""

from __future__ import annotations

import random
from collections import Counter
from math import inf

import pytest
from flag_cases import Course, FlagCase, Read, draw, pairs_that_keep

from ventproof.case.case import Case
from ventproof.drives.holding import Turning
from ventproof.log.events import EvidenceEnd, GapSeen, PollSeen, StepBegin, StepEnd
from ventproof.log.read import read_log
from ventproof.profile.load import read_profile
from ventproof.rejudge.again import decide_again
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import Gap, Poll, SignalTraits, Window

D = 1e-6  # log times have a grid of this, s
PROFILE = """
profile: until
needs:
  outputs: {{rain: contact}}
  signals: {{opens: flag, closes: flag}}
steps:
  - step: watched
    expect: [{{signal: opens, stays: {stays}, tolerance: 0, for: {for_s} s, until: {{closes: {value}}}}}]
"""


def question(seed: int) -> tuple[str, float, bool, float]:
    """Draw what `opens` must be, for how long at most, until what of `closes`, and from when on."""
    r = random.Random(f"until {seed}")
    return str(r.randrange(2)), r.choice([0.5, 2.0, 8.0]), r.random() < 0.5, r.uniform(1.0, 6.0)


def events(case: FlagCase, window: Window) -> list[PollSeen | GapSeen | StepBegin | StepEnd | EvidenceEnd]:
    """Return the events of a run in which a step begins within a window."""
    made: list[PollSeen | GapSeen | StepBegin | StepEnd | EvidenceEnd] = []
    now_s, begun = 0.0, False
    for read in case.evidence:
        now_s = read.to_s if isinstance(read, Gap) else read.replied_s
        if now_s >= window.latest_s and not begun:
            made.append(StepBegin(window.latest_s, 1, "watched", window))
            begun = True
        if isinstance(read, Read):
            values = dict(zip(("opens", "closes"), read.values, strict=True))
            known = {name: value for name, value in values.items() if value is not None}
            poll = Poll("io", read.requested_s, read.replied_s, known, "discrete", 0, ())
            made.append(PollSeen(now_s, poll))
        else:
            made.append(GapSeen(now_s, read))
    return [*made, StepEnd(now_s, 1), EvidenceEnd(now_s)]


def played(case: FlagCase, seed: int) -> tuple[Case, Case, Case, Window]:
    """Return what is found by events one by one, with equal readings put by, and by all at once; when it began."""
    stays, for_s, value, began_s = question(seed)
    made = read_profile(
        "p.yaml", PROFILE.format(stays=stays, for_s=for_s, value="on" if value else "off")
    ).model
    wide_s = random.Random(seed).choice([0.0, 0.02, 0.3])
    window = Window(began_s - wide_s / 3, began_s + wide_s * 2 / 3)
    traits = dict(zip(("opens", "closes"), case.traits, strict=True))
    live, batched, again = (
        Case(made, traits, {}, {name: name for name in traits}, in_batches=in_batches)
        for in_batches in (False, True, False)
    )
    told = events(case, window)
    for event in told:
        live.feed(event)
        batched.feed(event)
    again.feed_all(told)
    return live, batched, again, window


def truth(case: FlagCase, seed: int, d: float) -> bool:
    """Return whether what is required holds of the true courses, over a time that is longer by d at the end."""
    stays, for_s, value, s = question(seed)
    watched, ends = case.courses
    turns = [c for c in ends.changes if c > s and ends.at(c) is value]
    e = min([s + for_s, *turns[:1]]) + d
    return all(watched.at(t) is (stays == "1") for t in _instants(watched, s - d, e))


def _instants(course: Course, s: float, e: float) -> list[float]:
    return [s, *(c for c in course.changes if s < c < e)] if s < e else []


@pytest.fixture(scope="module")
def found() -> list[tuple[int, FlagCase, Case, Case, Case]]:
    """Play the cases once for all that is claimed of them."""
    cases = [(seed, draw(seed)) for seed in pairs_that_keep(700)]
    return [(seed, case, *played(case, seed)[:3]) for seed, case in cases]


def _verdict(case: Case) -> Verdict:
    ruling = case.items[-1].ruling
    assert ruling is not None
    return ruling.verdict


def test_no_verdict_contradicts_the_true_courses(found):
    """A pass is true of the courses until the signal took the value; a fail is broken before."""
    wrong = [
        (seed, question(seed), _verdict(live))
        for seed, case, live, *_ in found
        if (_verdict(live) is Verdict.PASS and not truth(case, seed, -D))
        or (_verdict(live) is Verdict.FAIL and truth(case, seed, D))
    ]
    assert wrong == []


def test_all_events_at_once_give_the_same(found):
    """Live, with equal readings put by, and judged again, the ruling is the same in every number and word."""
    for seed, _, live, *others in found:
        assert [other.items[-1].ruling for other in others] == [live.items[-1].ruling] * 2, seed


def test_the_cases_come_to_every_verdict(found):
    """The cases are decided either way often enough for the claims above to mean something."""
    counted = Counter(_verdict(live) for _, _, live, *_ in found)
    assert min(counted[verdict] for verdict in (Verdict.PASS, Verdict.FAIL)) > 30, counted
    assert counted[Verdict.INCONCLUSIVE] < len(found) / 2, counted


def test_readings_that_are_withdrawn_end_nothing():
    """A flag that went on in readings that were taken back, and is on in the next, need not have gone on since."""
    turning = Turning(SignalTraits(name="closes", unit="flag", keeps_for_s=1.0), 1.0, as_read=False)
    for at_s in range(20):
        turning.observe(float(at_s >= 10), at_s / 10, at_s / 10)
    assert turning.since(Window(0.5, 0.5)) == Window(0.9, 1.0)
    turning.forget()
    turning.observe(1.0, 3.0, 3.0)
    assert turning.since(Window(0.5, 0.5)) == Window(0.5, inf)


RELEASE = """
profile: the release
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag, stage: state}
start:
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min, holds: 5 s}
    - {signal: stage, equals: third, within: 1 min}
steps:
  - step: it rains
    do: [{close: rain}]
    expect: [{signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 40 s, holds: 5 s}]
  - step: the rain ends
    do: [{open: rain}]
    expect: [{signal: roof_vent, DEMAND, for: 60 s UNTIL}]
"""


@pytest.mark.parametrize(
    ("demand", "until", "verdict"),
    [
        ("stays_at_most: 11 %", ", until: {rain_override: off}", "pass"),
        ("stays_at_most: 11 %", "", "fail"),
        ("stays_at_most: 5 %", ", until: {rain_override: off}", "fail"),
        ("stays: 8 %, tolerance: 3 %", ", until: {rain_override: off}", "pass"),
        ("stays_at_least: 5 %", ", until: {stage: closed}", "pass"),
    ],
)
def test_a_vent_holds_until_the_override_is_released(demand, until, verdict, run):
    """The unit waits half a minute, then opens the vent: what it does then is no longer required."""
    result = run(RELEASE.replace("DEMAND", demand).replace(" UNTIL", until))
    assert result.outcome.verdict == verdict, result.findings[-1].why
    assert not decide_again(read_log(result.log)).changes
    if until and "off" in until:
        assert result.findings[-1].demand.endswith("for 60 s, or until rain_override becomes off")
