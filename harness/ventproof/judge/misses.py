"""How a demand was missed: in a few words that are the same in every profile, and by how much (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.deciders import formulas
from ventproof.envelope.spans import INF
from ventproof.judge.reasons import band_of
from ventproof.verdict.finding import Bounds, Cause, Miss
from ventproof.verdict.text import decimals_for
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from ventproof.deciders.formulas import Formula
    from ventproof.verdict.finding import Witness
    from ventproof_bench.base.evidence import SignalTraits

_LEFT: Final = frozenset({Cause.LEFT_AGAIN, Cause.NOT_KEPT})
_EARLY: Final = frozenset({Cause.CAME_EARLY, Cause.THERE_EARLY})
_RATE_DECIMALS: Final = 3


def wrong_of(formula: Formula, witness: Witness | None, traits: SignalTraits) -> str:  # noqa: PLR0911 - one line a kind
    """Return how a demand was not met, without times and values; empty where its kind says as much.

    Args:
        formula: what was demanded.
        witness: what fails it; None where it is open.
        traits: of the signal.
    """
    cause = witness.cause if witness is not None else None
    match formula:
        case formulas.ReachesFormula() if cause in _LEFT:
            return "did not stay at the required value"
        case formulas.ReturnsFormula() if cause in _EARLY:
            return "returned too early"
        case formulas.EqualsFormula(value=value) if traits.unit == "flag":
            return "did not come on in time" if value else "did not go off in time"
        case formulas.StaysFormula(low=low) if traits.unit == "flag":
            return "did not stay on" if low else "did not stay off"
        case formulas.StaysFormula(low=low, high=high):
            seen = witness.value if witness is not None else None
            if low is None or (seen is not None and high is not None and seen.low > high):
                return "rose above its limit"
            return "fell below its limit" if high is None or (seen is not None and seen.high < low) else ""
        case formulas.MovesAtFormula() if cause is Cause.NOT_ARRIVED:
            return "did not arrive in time"
    return ""


def miss_of(formula: Formula, witness: Witness, traits: SignalTraits, from_s: float) -> Miss | None:
    """Return by how much a demand failed; None where no one number says it.

    Args:
        formula: what was demanded.
        witness: what fails it.
        traits: of the signal.
        from_s: loop time from which its times count.
    """
    match formula:
        case formulas.EqualsFormula(within_s=within_s):
            return _late(witness, from_s, within_s)
        case formulas.ReturnsFormula(not_before_s=not_before_s) if witness.cause in _EARLY:
            return _early(witness, from_s, not_before_s)
        case formulas.UnchangedFormula(for_s=for_s) if is_discrete(traits.unit):
            return _early(witness, from_s, for_s)
    return None if witness.value is None else _outside(formula, witness.value, witness.cause, traits)


def _outside(  # noqa: PLR0911 - one line a kind
    formula: Formula, value: Bounds, cause: Cause, traits: SignalTraits
) -> Miss | None:
    """Return how far a value lies outside of what was required; None where that is no one number."""
    decimals = decimals_for(traits.error)
    match formula:
        case formulas.CountsFormula():
            return _beside(value, formula.required, "", ("too few", "too many"), 0)
        case _ if is_discrete(traits.unit):
            return None
        case formulas.ReachesFormula() | formulas.ReturnsFormula():
            return _beside(value, band_of(formula), f" {traits.unit}", ("too low", "too high"), decimals)
        case formulas.StaysFormula(low=low, high=high):
            limits = Bounds(-INF if low is None else low, INF if high is None else high)
            return _beside(value, limits, f" {traits.unit}", ("too low", "too high"), decimals)
        case formulas.MovesAtFormula(rate=rate, tolerance=tolerance) if cause is Cause.WRONG_RATE:
            required = Bounds(rate - tolerance, rate + tolerance)
            return _beside(value, required, f" {traits.unit}/s", ("too slow", "too fast"), _RATE_DECIMALS)
        case formulas.StartsMovingFormula(by=by):
            return _beside(value, Bounds(by, INF), f" {traits.unit}", ("too little", ""), decimals)
        case formulas.OvershootsAtMostFormula(by=by) | formulas.NeverReversesFormula(by=by):
            return _beside(value, Bounds(-INF, by), f" {traits.unit}", ("", "too far"), decimals)
    return None


def _late(witness: Witness, from_s: float, within_s: float) -> Miss | None:
    """Return how late something was at the last reading without it; None where that was read before the deadline."""
    if witness.value is None or witness.at_s is None or witness.at_s - from_s <= within_s:
        return None
    read_s = witness.at_s - from_s
    return Miss(Bounds(read_s, read_s), within_s, " s", "late, not there yet")


def _early(witness: Witness, from_s: float, until_s: float) -> Miss | None:
    """Return how much too early something had surely come; None where no moment tells."""
    if witness.at_s is None or witness.at_s - from_s >= until_s:
        return None
    return Miss(Bounds(-INF, witness.at_s - from_s), until_s, " s", "too early")


def _beside(value: Bounds, required: Bounds, unit: str, words: tuple[str, str], decimals: int) -> Miss | None:
    """Return how far a value lies below or above what was required; None where it may have met it."""
    if value.high < required.low:
        return Miss(value, required.low, unit, words[0], decimals)
    if value.low > required.high:
        return Miss(value, required.high, unit, words[1], decimals)
    return None
