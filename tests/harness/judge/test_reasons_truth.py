"""What is said to fail a demand is true of the course that was read, whoever drew it."""

from __future__ import annotations

from collections import Counter

import judge_campaign as campaign
import pytest
from judge_cases import Case, drift_of, play, runs_in

from ventproof.deciders import formulas as f
from ventproof.judge.reasons import band_of
from ventproof.verdict.finding import Bounds, Cause, Verdict, Witness
from ventproof_bench.base.evidence import Sample

NEAR = 1e-4
SEEDS = range(200)
BANDS = f.ReachesFormula | f.ReturnsFormula


def _was(one: Case, witness: Witness) -> bool:
    """Whether the course was within the bounds said, at the instant said or in the reading that tells of it."""
    if witness.at_s is None or witness.value is None:
        return True  # nothing is said of a moment
    reading = max((e.replied_s - e.requested_s for e in one.evidence if isinstance(e, Sample)), default=0.0)
    early_s = witness.at_s - reading - one.traits.refreshed_every_s
    return _in(one, early_s - NEAR, witness.at_s + NEAR, witness.value)


def _in(one: Case, from_s: float, to_s: float, band: Bounds, near: float = NEAR) -> bool:
    return bool(runs_in(one.truth, from_s, to_s, band.low - near, band.high + near))


def _band_told(one: Case, witness: Witness) -> bool:
    """Whether a band was met, or missed, where it is said to have been."""
    q, band, value = one.formula, band_of(one.formula), witness.value
    if witness.cause is Cause.NEVER_THERE:
        return not _in(one, one.s + getattr(q, "not_before_s", 0.0), one.s + q.within_s, band, -2 * NEAR)
    early = witness.cause in {Cause.CAME_EARLY, Cause.THERE_EARLY}
    if value is not None and early and not band.low - NEAR <= value.low <= value.high <= band.high + NEAR:
        return False
    if value is not None and not early and not (value.low > band.high - NEAR or value.high < band.low + NEAR):
        return False
    if witness.before_s is None:
        return True
    before = one.truth.at(witness.before_s)
    if witness.cause is Cause.CAME_EARLY:
        return before > band.high - NEAR or before < band.low + NEAR
    return band.low - NEAR <= before <= band.high + NEAR


def _change_told(one: Case, witness: Witness) -> bool:
    """Whether the course was as low, and as high, as is said."""
    values = [v for _, v in one.truth.between(one.stimulus.earliest_s, one.s + one.formula.for_s)]
    low, high = witness.value or Bounds(max(values), min(values))
    if one.traits.unit == "count":  # drawn from 0, read from anywhere
        return max(values) - min(values) >= high - low
    return min(values) <= low + NEAR and max(values) >= high - NEAR


def _true(one: Case, witness: Witness) -> bool:
    """Whether what is said is true of the course and the instant of the stimulus."""
    q = one.formula
    if isinstance(q, f.StartsMovingFormula):
        return (
            witness.value is not None and drift_of(one.truth, one.s, q.within_s) <= witness.value.high + NEAR
        )
    if isinstance(q, f.UnchangedFormula):
        return _change_told(one, witness)
    if isinstance(q, f.StaysFormula) and witness.value is not None:
        low, high = -1e9 if q.low is None else q.low, 1e9 if q.high is None else q.high
        return _was(one, witness) and (witness.value.low > high - NEAR or witness.value.high < low + NEAR)
    if isinstance(q, BANDS) and not _band_told(one, witness):
        return False
    if isinstance(q, f.EqualsFormula) and witness.value is not None:
        return witness.value.low != q.value and _was(one, witness)
    return witness.cause in {Cause.MOVED_TOO_FAR, Cause.WRONG_COUNT} or _was(one, witness)


@pytest.mark.parametrize("name", campaign.GENERATORS)
def test_every_reason_of_a_fail_is_true_of_the_course(name: str) -> None:
    """A stranger who looks for what the sentence says finds it."""
    said: Counter[Cause] = Counter()
    for seed in SEEDS:
        one = campaign.GENERATORS[name](seed)
        found = play(one)
        assert (found.witness is not None) is (found.verdict is Verdict.FAIL)
        if found.witness is not None:
            said[found.witness.cause] += 1
            assert _true(one, found.witness), (name, seed, found)
    assert sum(said.values()) > len(SEEDS) / 10
