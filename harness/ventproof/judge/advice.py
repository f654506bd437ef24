"""What would decide an open ruling: computed, and tried on the evidence before it is said (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final

from ventproof.deciders import formulas
from ventproof.deciders.base import Decider
from ventproof.deciders.choose import decider_of
from ventproof.deciders.formulas import Formula
from ventproof.envelope.readings import ReadingStats
from ventproof.envelope.spans import EPS, Piece, Track
from ventproof.verdict.finding import Ruling, Verdict
from ventproof.verdict.text import decimals_for, outward, value_text
from ventproof_bench.base.evidence import SignalTraits, Window

_NOUNS: Final[dict[type[Formula], str]] = {
    formulas.ReachesFormula: "a tolerance",
    formulas.StaysFormula: "a tolerance",
    formulas.ReturnsFormula: "a tolerance",
    formulas.UnchangedFormula: "a tolerance",
    formulas.MovesAtFormula: "a tolerance",
    formulas.StartsMovingFormula: "a movement",
    formulas.OvershootsAtMostFormula: "an overshoot",
    formulas.NeverReversesFormula: "a reversal",
}

_POINTS: Final[dict[type[Formula], int]] = {
    formulas.ReachesFormula: 1,
    formulas.StaysFormula: 1,
    formulas.ReturnsFormula: 1,
    formulas.UnchangedFormula: 2,
    formulas.StartsMovingFormula: 2,
    formulas.NeverReversesFormula: 2,
}
"""How many points of the trajectory a margin compares; polling is never advised for the other kinds."""

_WIDEST: Final = 3
"""An envelope that leaves more room than so many times what its middle is from the limit says nothing of polling."""

_QUICKEST_S: Final = 0.01
"""Polling more often than this is nothing that a bus can do."""


def limit_of(formula: Formula) -> float | None:
    """Return the number in a formula that would be moved to ease it, in the signal's unit."""
    match formula:
        case formulas.StaysFormula(low=low, high=high):
            if low is not None and high is not None:
                return (high - low) / 2
            return low if low is not None else high
        case (
            formulas.StartsMovingFormula()
            | formulas.OvershootsAtMostFormula()
            | formulas.NeverReversesFormula()
        ):
            return formula.by
        case (
            formulas.ReachesFormula()
            | formulas.ReturnsFormula()
            | formulas.MovesAtFormula()
            | formulas.UnchangedFormula()
        ):
            return formula.tolerance
    return None


def eases(formula: Formula) -> int:
    """Return in which direction that number eases the formula: 1 up, -1 down."""
    below = isinstance(formula, formulas.StaysFormula) and formula.high is None
    return -1 if below or isinstance(formula, formulas.StartsMovingFormula) else 1


def with_limit(formula: Formula, limit: float) -> Formula:
    """Return the formula with that number replaced."""
    match formula:
        case formulas.StaysFormula(low=low, high=high):
            if low is not None and high is not None:
                middle = (low + high) / 2
                return replace(formula, low=middle - limit, high=middle + limit)
            return replace(formula, low=limit) if low is not None else replace(formula, high=limit)
        case (
            formulas.StartsMovingFormula()
            | formulas.OvershootsAtMostFormula()
            | formulas.NeverReversesFormula()
        ):
            return replace(formula, by=limit)
        case (
            formulas.ReachesFormula()
            | formulas.ReturnsFormula()
            | formulas.MovesAtFormula()
            | formulas.UnchangedFormula()
        ):
            return replace(formula, tolerance=limit)
    raise AssertionError(f"{type(formula).__name__} has no limit to move")


def deciding_limits(
    found: Ruling, formula: Formula, decider: Decider, traits: SignalTraits, rate_per_s: float | None
) -> dict[Verdict, float]:
    """Return the nearest limits of a formula with which the same evidence passes, and with which it fails.

    Rounded away from the limit as it is. A verdict without such a limit is missing.
    """
    limit, margin = limit_of(formula), found.margin
    if limit is None or margin is None:
        return {}
    decimals = decimals_for(traits.error)
    limits: dict[Verdict, float] = {}
    # A fail has to lie farther off than the EPS by which deciders widen what they compare with.
    for verdict, room in ((Verdict.PASS, -margin.low), (Verdict.FAIL, -margin.high - 4 * EPS)):
        step = room * eases(formula)
        moved = outward(limit + step, decimals, up=step > 0)
        band = not isinstance(formula, formulas.StaysFormula) or None not in {formula.low, formula.high}
        # Rounding may have left no step, and a band needs a width.
        if step * (moved - limit) <= 0 or (band and moved <= 0):
            continue
        if isinstance(formula, formulas.StaysFormula):  # keeps no pieces; its margin is exact
            exact = not (verdict is Verdict.FAIL and band and margin.high >= limit - EPS)
        else:
            exact = _tried(with_limit(formula, moved), decider, decider.pieces, rate_per_s).verdict is verdict
        if exact:
            limits[verdict] = moved
    return limits


def deciding_interval(
    found: Ruling, formula: Formula, decider: Decider, traits: SignalTraits, seen: ReadingStats
) -> tuple[float, float] | None:
    """Return a poll interval, and how near to its limit the signal must have come for that not to decide it.

    With readings every T the envelope is nowhere further from the truth than twice the error and what the
    signal may move in T, in a poll, in the register's age and in the stimulus window. Whether that is near
    enough is judged by the middle of the present envelope; None: no such interval, or none that is quicker.
    """
    rate, points = traits.rate_per_s, _POINTS.get(type(formula))
    if not rate or points is None or found.margin is None:
        return None
    blind_s = seen.trip_s + traits.refreshed_every_s + decider.s2 - decider.s1
    blind = points * (2 * traits.error + rate * blind_s)
    reach = traits.error + rate * (seen.trip_s + traits.refreshed_every_s) / 2
    if isinstance(formula, formulas.StaysFormula):
        stood = found.margin.high - reach
    else:
        margin = _tried(formula, decider, _middles(decider.pieces), rate).measures().margin
        stood = max(0.0, margin.low, -margin.high) if margin is not None else 0.0
    if found.margin.high - found.margin.low > _WIDEST * stood:
        return None
    # Half of it only: the truth may lie nearer to the limit than the envelope's middle does.
    interval_s = (stood / 2 - blind) / (points * rate)
    least_s = max(seen.trip_s, _QUICKEST_S)
    if interval_s < least_s or (interval_s := outward(interval_s, 3, up=False)) < least_s:
        return None
    if interval_s >= seen.spacing_s:
        return None
    return interval_s, blind + points * rate * interval_s


def advice(
    found: Ruling,
    formula: Formula,
    decider: Decider,
    traits: SignalTraits,
    seen: ReadingStats,
    *,
    rate_per_s: float | None,
) -> str:
    """Return what would decide it, as the end of a sentence; empty when nothing is certain to."""
    decimals = decimals_for(traits.error)
    unit = f" {traits.unit}" + ("/s" if isinstance(formula, formulas.MovesAtFormula) else "")
    one_sided = isinstance(formula, formulas.StaysFormula) and None in {formula.low, formula.high}
    limits = deciding_limits(found, formula, decider, traits, rate_per_s)
    nouns = ("a limit" if one_sided else _NOUNS[type(formula)], "one")
    ways: list[str] = []
    polling = deciding_interval(found, formula, decider, traits, seen) if rate_per_s else None
    if polling is not None:
        interval_s, within = polling
        nearest = value_text(outward(within, decimals, up=True), decimals)
        ways.append(
            f"a reading every {value_text(interval_s, 3)} s would decide it, "
            f"unless {traits.name} really came within {nearest}{unit} of its limit"
        )
    # Better evidence before an easier requirement.
    ways.append(
        ", ".join(
            f"{noun} of {value_text(limit, decimals)}{unit} would {verdict}"
            for noun, (verdict, limit) in zip(nouns, limits.items(), strict=False)
        )
    )
    return "; ".join(way for way in ways if way)


def _tried(formula: Formula, decider: Decider, pieces: Iterable[Piece], rate_per_s: float | None) -> Decider:
    """Return a decider that has judged pieces by another formula, or others by the same one."""
    trial = decider_of(formula, Window(decider.s1, decider.s2), rate_per_s, continuous=True)
    for piece in pieces:
        trial.piece(piece)
    if trial.verdict is None:
        trial.finish()
    return trial


def _middles(pieces: Track) -> Iterator[Piece]:
    """Yield a trajectory in the middle of the envelope, as an envelope without width."""
    for t0, l0, u0, t1, l1, u1 in pieces:
        yield Piece(t0, (l0 + u0) / 2, (l0 + u0) / 2, t1, (l1 + u1) / 2, (l1 + u1) / 2)
