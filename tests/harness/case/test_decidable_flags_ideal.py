"""Whether a bench can decide demands on drives: found before a run, with ideal flags."""

from __future__ import annotations

import pytest

from ventproof.case.decidable_flags import FlagsEvidence, flags_decide
from ventproof.case.decidable_pairs import PairEvidence, pair_decides
from ventproof.drives import formulas as f
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.evidence import SignalTraits

KINDS = (
    f.NeverTogetherFormula(60.0),
    f.PausesFormula(0.5, 60.0),
    f.RunsAtMostFormula(40.0, 60.0),
    f.StartsAtMostFormula(3, 30.0, 60.0),
    f.StartsAtLeastFormula(3, 60.0),
    f.StopsAtEndFormula(1.0, 60.0),
    f.TogetherFormula(0.5, 60.0),
)


def evidence(formula, every_s=0.05, keeps_s: float | None = 0.3, *, at_once=True):
    """Return what a bench sees of as many flags as a demand has."""
    count = (
        1 if isinstance(formula, f.RunsAtMostFormula | f.StartsAtMostFormula | f.StartsAtLeastFormula) else 2
    )
    traits = tuple(SignalTraits(name=name, unit="flag", keeps_for_s=keeps_s) for name in ("opens", "closes"))
    return FlagsEvidence(traits[:count], (every_s,) * count, at_once, Rule.GUARDED)


@pytest.mark.parametrize("at_once", [True, False])
@pytest.mark.parametrize("formula", KINDS)
def test_a_bench_that_polls_often_decides_every_kind(formula, at_once):
    """A right drive passes and a wrong one fails, in one request or two, and below `always:`, without an end."""
    for asked in (formula, type(formula)(**{**_fields(formula), "for_s": None})):
        seen = evidence(asked, at_once=at_once)
        assert flags_decide(asked, seen, Verdict.PASS)
        assert flags_decide(asked, seen, Verdict.FAIL)


def _fields(formula):
    return {name: getattr(formula, name) for name in formula.__dataclass_fields__}


@pytest.mark.parametrize("formula", [KINDS[0], KINDS[1], KINDS[3]])
def test_without_a_keeping_time_no_drive_can_pass_what_a_moment_violates(formula):
    """Between two readings both may have been on, or one turned on and off."""
    assert not flags_decide(formula, evidence(formula, keeps_s=None), Verdict.PASS)


@pytest.mark.parametrize("formula", [KINDS[2], KINDS[4], KINDS[5]])
def test_without_a_keeping_time_readings_still_bound_what_must_not_last(formula):
    """A reading that shows otherwise ends what may have lasted; what was not seen to last all along is not certain."""
    assert flags_decide(formula, evidence(formula, keeps_s=None), Verdict.PASS)
    assert not flags_decide(formula, evidence(formula, keeps_s=None), Verdict.FAIL)


def test_a_pause_that_polls_cannot_tell_from_none_can_not_fail():
    """A drive that reverses at once is not told from one that waits 100 ms, by polls every 200 ms."""
    pause = f.PausesFormula(0.1, 60.0)
    assert not flags_decide(pause, evidence(pause, 0.2), Verdict.FAIL)
    assert flags_decide(pause, evidence(pause, 0.04), Verdict.FAIL)


def test_a_run_time_longer_than_it_is_watched_can_not_fail():
    """Nobody sees a run of 90 s in a minute."""
    run = f.RunsAtMostFormula(90.0, 60.0)
    assert not flags_decide(run, evidence(run), Verdict.FAIL)


@pytest.mark.parametrize(("rate", "decides"), [(4.0, True), (None, False)])
def test_an_agreement_needs_a_travel_time(rate, decides):
    """Without one nothing says how far either moves between two readings."""
    traits = tuple(
        SignalTraits(name=name, unit="%", error=0.05, rate_per_s=rate) for name in ("told", "vent")
    )
    seen = PairEvidence(traits, (0.1, 0.05), Rule.GUARDED)
    agrees = f.AgreesFormula(3.0, 1.0, 60.0)
    assert pair_decides(agrees, seen, Verdict.PASS) is decides
    assert pair_decides(agrees, seen, Verdict.FAIL) is decides
