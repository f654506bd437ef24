"""What a profile demands of drives, from the sentences of who writes it; a log that is judged again says the same."""

from __future__ import annotations

import pytest

from ventproof.case.case import Case
from ventproof.log.events import (
    EvidenceEnd,
    GapSeen,
    PollSeen,
    StepBegin,
    StepEnd,
    StimulusApplied,
    StimulusId,
)
from ventproof.profile.model import Profile
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import EdgeReport, Gap, Poll, SignalTraits, Window

FLAGS = {
    name: SignalTraits(name=name, unit="flag", refreshed_every_s=0.005, keeps_for_s=0.3)
    for name in ("opens", "closes", "shut", "twin")
}
P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE


def profile(response: dict, always: dict | None = None) -> Profile:
    """Return a profile with one step of rain, after a start that any vent reaches."""
    return Profile.model_validate(
        {
            "profile": "a drive in the rain",
            "needs": {"outputs": {"rain": "contact"}, "signals": dict.fromkeys(FLAGS, "flag")},
            "always": [always] if always else [],
            "steps": [{"step": "rain", "do": [{"close": "rain"}], "expect": [response]}],
        }
    )


def events(
    spans: dict[str, list[tuple[float, float]]], *, every_s: float = 0.05, lost=(), last_s: float = 70.0
):
    """Yield what a run logs in which flags are on in some spans, s after rain began at 2 s."""
    yield StepBegin(0.0, 0, "start", Window(0.0, 0.0))
    dry = EdgeReport(closed=False, due_s=0.1, window=Window(0.1, 0.1))
    yield StimulusApplied(0.1, None, "rain", "open rain", [dry])
    yield StepEnd(0.5, 0)
    begun = closed = False
    for k in range(round(last_s / every_s)):
        t = k * every_s
        if t >= 1.0 and not begun:
            begun = True
            yield StepBegin(1.0, 1, "rain", Window(1.0, 1.0))
        if t >= 2.0 and not closed:
            closed = True
            edge = EdgeReport(closed=True, due_s=2.0, window=Window(2.0, 2.0))
            yield StimulusApplied(2.0, StimulusId(1, 0), "rain", "close rain", [edge])
        if any(a <= t < b for a, b in lost):
            yield GapSeen(t, Gap("io", t, t + 0.01, "timeout"))
            continue
        values = {name: float(any(a <= t - 2.0 < b for a, b in spans.get(name, ()))) for name in FLAGS}
        yield PollSeen(t, Poll("io", t, t + 0.002, values, "discrete", 0, ()))
    yield EvidenceEnd(last_s)


def rulings(made: Profile, said, *, whole: bool = False):
    """Return what is found, fed one by one or as a finished log."""
    case = Case(made, FLAGS, {}, {name: name for name in FLAGS})
    if whole:
        case.feed_all(said)
    else:
        for event in said:
            case.feed(event)
    return [result.ruling for result in case.results]


TOGETHER = {"signal": "opens", "never_together": "closes", "for": "60 s"}
PAUSE = {"signal": "opens", "pauses_before": "closes", "at_least": "500 ms", "for": "60 s"}
RUN = {"signal": "closes", "runs_at_most": "40 s", "for": "60 s"}
STARTS = {"signal": "closes", "starts_at_most": 2, "per": "30 s", "for": "60 s"}
AGAIN = {"signal": "closes", "starts_at_least": 2, "for": "60 s"}
STOP = {"signal": "closes", "stops_at_end": "shut", "within": "1 s", "for": "60 s"}
PAIR = {"signal": "closes", "together_with": "twin", "within": "300 ms", "for": "60 s"}
CASES = [
    (TOGETHER, {"opens": [(-5, 0.1)], "closes": [(0.7, 30)]}, P),
    (TOGETHER, {"opens": [(-5, 0.4)], "closes": [(0.2, 30)]}, F),
    (TOGETHER, {"opens": [(-5, 0.2)], "closes": [(0.2, 30)]}, N),
    (TOGETHER, {}, N),
    (PAUSE, {"opens": [(-5, 0.1)], "closes": [(0.8, 30)]}, P),
    (PAUSE, {"opens": [(-5, 0.1)], "closes": [(0.3, 30)]}, F),
    (PAUSE, {"opens": [(-5, 0.1)], "closes": [(0.61, 30)]}, N),
    (PAUSE, {"opens": [(40, 45)], "closes": [(0.3, 39.7)]}, F),
    (PAUSE, {"opens": [(-5, 0.4)], "closes": [(0.2, 30)]}, F),
    (PAUSE, {"closes": [(0.3, 30)]}, N),
    (RUN, {"closes": [(1, 39)]}, P),
    (RUN, {"closes": [(1, 45)]}, F),
    (RUN, {"closes": [(-20, 30)]}, P),
    (RUN, {"closes": [(1, 41.01)]}, N),
    (RUN, {}, N),
    (STARTS, {"closes": [(1, 5), (10, 15), (32, 40)]}, P),
    (STARTS, {"closes": [(1, 5), (10, 15), (20, 25)]}, F),
    (STARTS, {"closes": [(1, 5), (10, 15), (31.01, 40)]}, N),
    (STOP, {"closes": [(1, 30.5)], "shut": [(30, 99)]}, P),
    (STOP, {"closes": [(1, 32)], "shut": [(30, 99)]}, F),
    (STOP, {"closes": [(1, 29)]}, N),
    (PAIR, {"closes": [(1, 30)], "twin": [(1.1, 30.2)]}, P),
    (PAIR, {"closes": [(1, 30)], "twin": [(1.5, 30.2)]}, F),
    (PAIR, {"closes": [(1, 30)]}, F),
    (PAIR, {"closes": [(-5, 90)], "twin": [(-5, 90)]}, N),
]


BEGUN = [
    (AGAIN, {"closes": [(1, 5), (10, 15)]}, P),
    (AGAIN, {"closes": [(-20, 5), (10, 15)]}, F),
    (AGAIN, {}, F),
    (AGAIN, {"closes": [(1, 5), (59.99, 70)]}, N),
]
"""What only a response demands, and nothing that always holds."""


@pytest.mark.parametrize(("response", "spans", "verdict"), [*CASES, *BEGUN])
def test_a_drive_is_judged_by_what_its_contacts_did(response, spans, verdict):
    """Each case is what a reader of the profile would say; what cannot be known stays open, as does what never ran."""
    (found,) = rulings(profile(response), events(spans))
    assert found.verdict is verdict, found.why


def test_starts_that_may_still_come_are_no_fail():
    """A run that ends before its time is over leaves open whether the flag would have started again."""
    (found,) = rulings(profile(AGAIN), events({"closes": [(1, 5)]}, last_s=40.0))
    assert found.verdict is N, found.why


@pytest.mark.parametrize(("response", "spans", "verdict"), CASES[::3])
def test_a_log_that_is_judged_again_says_the_same_to_the_bit(response, spans, verdict):
    """Judging live and judging the log's events at once give one ruling, reason and numbers included."""
    always = {key: value for key, value in response.items() if key != "for"}
    for lost in ((), ((9.0, 9.2), (40.0, 45.0))):
        made = profile(response, always)
        said = list(events(spans, lost=lost))
        assert rulings(made, said) == rulings(made, said, whole=True)
    assert verdict in Verdict


@pytest.mark.parametrize(("response", "spans", "verdict"), CASES)
def test_an_always_demands_it_of_the_whole_run(response, spans, verdict):
    """What a step demands for a while an `always` demands from the start state on; here nothing else happens."""
    always = {key: value for key, value in response.items() if key != "for"}
    _, found = rulings(profile(RUN, always), events(spans))
    if response is not RUN or spans.get("closes") != [(-20, 30)]:  # a run from before the rain counts here
        assert found.verdict is verdict, found.why


@pytest.mark.parametrize("whole", [False, True])
def test_while_limits_what_an_always_demands(whole):
    """Both on before it rains is no business of an `always` that binds in the rain."""
    always = {"signal": "opens", "never_together": "closes", "while": {"rain": "closed"}}
    before = {"opens": [(-1.5, -0.5)], "closes": [(-1.4, -0.5), (5, 30)]}
    _, found = rulings(profile(RUN, always), events(before), whole=whole)
    assert found.verdict is P
    _, found = rulings(profile(RUN, {**always, "while": {"rain": "open"}}), events(before), whole=whole)
    assert found.verdict is F


@pytest.mark.parametrize("whole", [False, True])
def test_a_hole_in_the_readings_of_either_flag_leaves_it_open(whole):
    """What may have happened unseen is neither passed nor failed."""
    spans = {"opens": [(-5, 0.1)], "closes": [(0.8, 30)]}
    for response, verdict in ((TOGETHER, N), (PAUSE, N), ({**RUN, "runs_at_most": "31 s"}, P)):
        (found,) = rulings(profile(response), events(spans, lost=((22.0, 25.0),)), whole=whole)
        assert found.verdict is verdict, found.why
        assert verdict is P or "missing" in found.why


@pytest.mark.parametrize("response", [TOGETHER, {**TOGETHER, "signal": "closes", "never_together": "opens"}])
def test_readings_that_are_withdrawn_leave_it_open(response):
    """Where a bus gave a reply too many, what rests on the readings of both flags is decided no more."""
    case = Case(profile(response), FLAGS, {}, {name: name for name in FLAGS})
    said = list(events({"opens": [(-5, 0.4)], "closes": [(0.2, 30)]}, last_s=20.0))
    for event in said[:-1]:
        case.feed(event)
    assert case.items[0].ruling.verdict is F
    case.feed(GapSeen(20.0, Gap("io", 2.1, 20.0, "withdrawn")))
    assert case.items[0].ruling.verdict is N
    assert "withdrawn" in case.items[0].ruling.why
