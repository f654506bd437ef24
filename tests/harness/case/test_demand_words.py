"""What findings of a run count from, and how margins read in a table."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ventproof.case.case import Case
from ventproof.log.events import EvidenceEnd, PollSeen, StepBegin, StepEnd, StimulusApplied, StimulusId
from ventproof.profile.model import Profile
from ventproof.verdict.finding import Bounds, Finding, Status, Verdict
from ventproof.verdict.text import margin_text, span_text
from ventproof_bench.base.evidence import EdgeReport, Poll, SignalTraits, Window

VENT = SignalTraits(name="vent", unit="%", error=0.25, rate_per_s=4.0)


def _case() -> Case:
    profile = Profile.model_validate(
        {
            "profile": "rain closes the vent",
            "needs": {"outputs": {"rain": "contact"}, "signals": {"vent": "%"}},
            "start": {
                "set": {"rain": "open"},
                "until": [{"signal": "vent", "reaches": "50 %", "tolerance": "2 %", "within": "3 s"}],
            },
            "always": [
                {
                    "signal": "vent",
                    "stays_at_most": "8 %",
                    "while": {"rain": "closed"},
                    "applies_after": "10 s",
                    "purpose": "no vent stands open in the rain",
                }
            ],
            "steps": [
                {
                    "step": "rain begins",
                    "do": [{"close": "rain"}],
                    "expect": [{"signal": "vent", "reaches": "5 %", "tolerance": "2 %", "within": "30 s"}],
                }
            ],
        }
    )
    return Case(profile, {"vent": VENT}, {}, {"vent": "vent"})


def _polls(case: Case, first_s: float, last_s: float, value: float) -> None:
    for i in range(round(first_s * 10), round(last_s * 10)):
        case.feed(PollSeen(i / 10, Poll("unit", i / 10, i / 10, {"vent": value}, "input", 0, ())))


def test_an_invariant_counts_from_its_condition_and_the_start_from_all_being_set() -> None:
    """A vent that stays open is found 10 s after rain was closed, as the profile says it."""
    case = _case()
    _polls(case, 0.0, 1.0, 50.0)
    case.feed(StepBegin(1.0, 0, "start", Window(1.0, 1.0)))
    _polls(case, 1.0, 2.0, 50.0)
    case.feed(StepEnd(2.0, 0))
    case.feed(StepBegin(2.0, 1, "rain begins", Window(2.0, 2.0)))
    edge = EdgeReport(closed=True, due_s=2.5, window=Window(2.5, 2.5))
    case.feed(StimulusApplied(2.5, StimulusId(1, 0), "rain", "close rain", [edge]))
    _polls(case, 2.5, 20.0, 50.0)
    case.feed(EvidenceEnd(20.0))
    start, response, always = (result.ruling for result in case.results)
    assert start is not None
    assert start.why == "in the band already (limit 3 s)"
    assert response is not None
    assert response.why.startswith(
        "the evidence ends 17.40 s after the stimulus, before the deadline at 30 s"
    )
    assert always is not None
    assert always.verdict is Verdict.FAIL
    assert always.why.startswith("49.")
    assert " % at 10.0" in always.why
    assert always.why.endswith(" s after rain was closed; required at most 8 %")


@pytest.mark.parametrize(("ends_s", "verdict"), [(12.8, Verdict.INCONCLUSIVE), (13.5, Verdict.FAIL)])
def test_an_invariant_that_came_into_force_after_the_last_reading_shows_nothing(
    ends_s: float, verdict: Verdict
) -> None:
    """A vent that stands open 10 s after rain was closed has not passed because the run ended then."""
    stale = replace(VENT, refreshed_every_s=0.5)
    case = Case(_case().profile, {"vent": stale}, {}, {"vent": "vent"})
    case.feed(StepBegin(2.0, 1, "rain begins", Window(2.0, 2.0)))
    edge = EdgeReport(closed=True, due_s=2.52, window=Window(2.52, 2.53))
    case.feed(StimulusApplied(2.53, StimulusId(1, 0), "rain", "close rain", [edge]))
    _polls(case, 2.5, ends_s, 50.0)
    case.feed(EvidenceEnd(ends_s))
    (always,) = [invariant.ruling for invariant in case.invariants]
    assert always is not None
    assert always.verdict is verdict


@pytest.mark.parametrize(
    ("margin", "text"),
    [
        (-1e-7, "> -0.1 %"),
        (-0.04, "> -0.1 %"),
        (-0.06, "-0.1 %"),
        (0.0, "+0.0 %"),
        (-0.0, "+0.0 %"),
        (1.25, "+1.2 %"),
    ],
)
def test_a_margin_is_never_minus_nothing(margin: float, text: str) -> None:
    """A violation that rounds to nothing still reads as a violation."""
    found = Finding(
        step=1,
        step_name="rain begins",
        number=0,
        signal="vent",
        unit="%",
        kind="reaches",
        demand="reaches 5 %",
        status=Status.PASS,
        why="",
        margin=Bounds(margin, margin),
        slack_s=None,
        response_s=None,
        seen=None,
        conformance=None,
        proves="",
    )
    assert margin_text(found) == text
    assert span_text([margin, margin], "%", signed=True) == text
