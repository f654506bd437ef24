"""What the unit says of its vent against where the vent stands, as a response and as an `always`."""

from __future__ import annotations

import pytest

from ventproof.case.case import Case
from ventproof.log.events import EvidenceEnd, PollSeen, StepBegin, StepEnd, StimulusApplied, StimulusId
from ventproof.profile.model import Profile
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import EdgeReport, Poll, SignalTraits, Window

TRAITS = {
    "told": SignalTraits(name="told", unit="%", error=0.05, rate_per_s=4.0, refreshed_every_s=0.1),
    "vent": SignalTraits(name="vent", unit="%", error=0.05, rate_per_s=4.0),
}
P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
AGREES = {"signal": "told", "agrees_with": "vent", "tolerance": "3 %", "lag": "1 s"}


def rulings(told, *, demand=AGREES, still=False, whole=False):
    """Return what is found of a vent that closes from 99 % at 3.3 %/s after rain at 2 s, as a unit tells it."""
    made = Profile.model_validate(
        {
            "profile": "a unit that reckons",
            "needs": {"outputs": {"rain": "contact"}, "signals": dict.fromkeys(TRAITS, "%")},
            "always": [demand],
            "steps": [{"step": "rain", "do": [{"close": "rain"}], "expect": [{**demand, "for": "50 s"}]}],
        }
    )
    case = Case(made, TRAITS, {}, {name: name for name in TRAITS})
    said = list(_events(told, still=still))
    if whole:
        case.feed_all(said)
    else:
        for event in said:
            case.feed(event)
    return [result.ruling for result in case.results]


def _vent(t_s: float, *, still: bool) -> float:
    return 99.0 if still else min(99.0, max(5.0, 99.0 - 3.3 * (t_s - 2.3)))


def _events(told, *, still):
    yield StepBegin(0.0, 0, "start", Window(0.0, 0.0))
    yield StepEnd(0.5, 0)
    yield StepBegin(0.5, 1, "rain", Window(0.5, 0.5))
    for k in range(600):
        t = 0.5 + k * 0.1
        if k == 15:
            edge = EdgeReport(closed=True, due_s=2.0, window=Window(2.0, 2.0))
            yield StimulusApplied(2.0, StimulusId(1, 0), "rain", "close rain", [edge])
        yield PollSeen(t, Poll("unit", t, t + 0.002, {"told": told(t)}, "input", 0, ()))
        yield PollSeen(
            t + 0.01, Poll("io", t + 0.01, t + 0.012, {"vent": _vent(t, still=still)}, "played", 0, ())
        )
    yield EvidenceEnd(60.5)


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize(
    ("off", "late_s", "still", "verdict"),
    [
        (1.0, 0.0, False, P),
        (1.0, 0.8, False, P),
        (0.0, 3.0, False, F),
        (8.0, 0.0, False, F),
        (2.98, 0.0, False, N),
        (1.0, 0.0, True, N),
    ],
)
def test_a_unit_that_says_30_percent_must_stand_there(off, late_s, still, verdict, whole):
    """It may be off by the tolerance and late by the lag, and says nothing about a vent that does not move."""
    found = rulings(lambda t: _vent(t - late_s, still=still) + off, still=still, whole=whole)
    assert [one.verdict for one in found] == [verdict, verdict], [one.why for one in found]


def test_the_finding_says_by_how_much_and_when():
    """The sentence holds what was seen, and the margin is negative."""
    (response, _) = rulings(lambda t: _vent(t, still=False) + 8.0)
    assert response.why.startswith("was off from every vent of the last 1 s by ")
    assert "3 % is allowed" in response.why
    assert response.margin.high < 0


@pytest.mark.parametrize("off", [0.0, 2.0, 2.98, 4.0])
def test_a_log_that_is_judged_again_says_the_same_to_the_bit(off):
    """Judging live and judging the log's events at once give one ruling, reason and numbers included."""
    told = lambda t: _vent(t - 0.5, still=False) + off  # noqa: E731 - short
    assert rulings(told) == rulings(told, whole=True)
