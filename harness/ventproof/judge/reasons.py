"""What of the evidence fails a demand: what was wrong, the value that shows it, and when (pure).

Everything that a `Witness` says is true of every course that the readings allow; a test compares it with true courses.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from ventproof.deciders import formulas
from ventproof.deciders.band import ReturnsDecider, StaysDecider
from ventproof.deciders.count import CountDecider
from ventproof.deciders.flags import FlagDecider
from ventproof.deciders.motion import DriftDecider
from ventproof.deciders.reaches import HoldsDecider
from ventproof.deciders.travel import TravelDecider
from ventproof.envelope.spans import (
    EPS,
    INF,
    Piece,
    Track,
    at_least,
    at_most,
    both,
    clip,
    maybe_in,
    surely_in,
    surely_out,
)
from ventproof.verdict.finding import Bounds, Cause, Witness

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof.deciders.base import Decider
    from ventproof.deciders.formulas import Formula
    from ventproof_bench.base.evidence import Sample, SignalTraits

_BEFORE_S: Final = 1e-9
"""So much before a limit of time nobody would call it later."""


def witness_of(  # noqa: PLR0911 - one line a kind
    formula: Formula, decider: Decider, margin: Bounds | None, other: Sample | None, read_s: float
) -> Witness:
    """Return what fails a demand.

    Args:
        formula: what was demanded.
        decider: has found that it fails.
        margin: the bounds of its robustness.
        other: the last reading that was not the demanded value, of a flag or state.
        read_s: when the last reading was replied to, loop time.
    """
    match formula:
        case formulas.ReachesFormula():
            return _not_reached(formula, decider)
        case formulas.ReturnsFormula():
            return _not_returned(formula, decider)
        case formulas.StaysFormula():
            return _left(decider)
        case formulas.StartsMovingFormula(by=by):
            return Witness(Cause.MOVED_TOO_LITTLE, margin and Bounds(-INF, by + margin.high), decider.end_s)
        case formulas.UnchangedFormula():
            return _changed(decider, read_s)
        case formulas.OvershootsAtMostFormula(by=by) | formulas.NeverReversesFormula(by=by):
            return Witness(Cause.MOVED_TOO_FAR, _beyond(by, margin), decider.end_s)
        case formulas.MovesAtFormula():
            return _travelled(formula, decider)
        case formulas.EqualsFormula():
            value = other and Bounds(other.value, other.value)
            return Witness(Cause.WRONG_VALUE, value, other and other.replied_s)
        case formulas.CountsFormula():
            assert isinstance(decider, CountDecider)
            return Witness(Cause.WRONG_COUNT, decider.advance, decider.end_s)
    raise AssertionError(formula)


def band_of(formula: formulas.ReachesFormula | formulas.ReturnsFormula) -> Bounds:
    """Return the band that is to be reached."""
    return Bounds(formula.target - formula.tolerance, formula.target + formula.tolerance)


def _not_reached(formula: formulas.ReachesFormula, decider: Decider) -> Witness:
    last_s = decider.s2 + formula.within_s
    if isinstance(decider, HoldsDecider):
        band, broken_by = band_of(formula), decider.broken_by
        pieces = _crossings(decider.pieces, band)
        stay = _longest_stay(pieces, band, last_s)
        outside = [span for piece in pieces for span in surely_out(piece, *band)]
        read = None if broken_by is None else (Bounds(broken_by.lo, broken_by.hi), broken_by.b)
        if stay is not None:
            after = next((to_s for from_s, to_s in outside if from_s >= stay[1]), None)
            out = _at(pieces, after) if after is not None else read
            if out is not None:
                return Witness(Cause.LEFT_AGAIN, *out, before_s=stay[0])
        told = bool(pieces) and pieces[0].t0 <= decider.s1 and pieces[-1].t1 >= last_s
        if stay is not None or not told or _may_be_in(pieces, band, last_s):
            return Witness(Cause.NOT_KEPT, *(read or _at(pieces, outside[-1][1])))
    return Witness(Cause.NEVER_THERE, *_at(decider.pieces, last_s))


def _not_returned(formula: formulas.ReturnsFormula, decider: Decider) -> Witness:
    assert isinstance(decider, ReturnsDecider)
    if not decider.too_early:
        return Witness(Cause.NEVER_THERE, *_at(decider.pieces, decider.s2 + formula.within_s))
    band, early_s = band_of(formula), decider.s1 + formula.not_before_s - _BEFORE_S
    pieces = _crossings(decider.pieces, band)
    left_s = None
    for piece in pieces:
        inside = surely_in(piece, *band)
        for from_s, to_s in surely_out(piece, *band):
            if inside is None or from_s < inside[0]:
                left_s = to_s if left_s is None and to_s > decider.s2 else left_s
        if inside is not None and decider.s2 <= (at_s := max(inside[0], decider.s2)) <= min(
            inside[1], early_s
        ):
            cause = Cause.THERE_EARLY if left_s is None else Cause.CAME_EARLY
            return Witness(cause, *_at(pieces, at_s), before_s=left_s)
    return Witness(Cause.EARLY_OR_LATE)


def _left(decider: Decider) -> Witness:
    assert isinstance(decider, StaysDecider | FlagDecider)
    if decider.left is None:
        return Witness(Cause.OUT_OF_LIMITS)
    at_s, low, high = decider.left
    return Witness(Cause.OUT_OF_LIMITS, Bounds(low, high), at_s)


def _travelled(formula: formulas.MovesAtFormula, decider: Decider) -> Witness:
    assert isinstance(decider, TravelDecider)
    rate = decider.rate
    if rate is None or rate.low <= 0:
        return Witness(Cause.NOT_ARRIVED, *_at(decider.pieces, decider.s2 + formula.within_s))
    return Witness(Cause.WRONG_RATE, rate)


_PLACES: Final = {
    Cause.NEVER_THERE,
    Cause.LEFT_AGAIN,
    Cause.NOT_KEPT,
    Cause.CAME_EARLY,
    Cause.THERE_EARLY,
    Cause.OUT_OF_LIMITS,
    Cause.NOT_ARRIVED,
}
"""Causes whose value is where the signal was."""

_LEAST, _MOST = 0.0, 100.0
"""Nothing that travels between its ends is beyond them, %."""


def in_its_range(witness: Witness, decider: Decider, traits: SignalTraits) -> Witness:
    """Return what fails a demand with a position told from 0 to 100 %, unless readings show that it was beyond."""
    value = witness.value
    if value is None or witness.cause not in _PLACES or traits.unit != "%" or traits.rate_per_s is None:
        return witness
    if _beyond_ends(*value) or any(_beyond_ends(max(p.l0, p.l1), min(p.u0, p.u1)) for p in decider.pieces):
        return witness
    low, high = (min(max(end, _LEAST), _MOST) if abs(end) < INF else end for end in value)
    return replace(witness, value=Bounds(low, high))


def _beyond_ends(low: float, high: float) -> bool:
    return low > _MOST + EPS or high < _LEAST - EPS


def _beyond(by: float, margin: Bounds | None) -> Bounds | None:
    return margin and Bounds(by - margin.high, INF)


def _changed(decider: Decider, read_s: float) -> Witness:
    if isinstance(decider, FlagDecider):
        low, high = decider.told_low, decider.told_high
    else:
        low, high = _extremes(decider)
    value = Bounds(low, high) if -INF < low < high < INF else None
    return Witness(Cause.MOVED_TOO_FAR, value, min(read_s, decider.end_s))


def _extremes(decider: Decider) -> tuple[float, float]:
    assert isinstance(decider, DriftDecider)
    # Somewhere it was at most the one and elsewhere at least the other, the stimulus among the places.
    low = min(decider.touched_low, decider.start_high if decider.start_known else INF)
    high = max(decider.touched_high, decider.start_low if decider.start_known else -INF)
    return low, high


def _at(pieces: Track | list[Piece], at_s: float) -> tuple[Bounds | None, float | None]:
    """Return the bounds at an instant, or at the last one before it of which something is known; and that instant."""
    for piece in reversed(pieces):
        part = clip(piece, piece.t0, at_s)
        if part is not None and (part.l1 > -INF or part.u1 < INF):
            return Bounds(part.l1, part.u1), part.t1
    return None, None


def _may_be_in(pieces: Iterable[Piece], band: Bounds, last_s: float) -> bool:
    """Return whether it may have been in the band by an instant."""
    spans = (maybe_in(piece, *band) for piece in pieces)
    return any(span is not None and span[0] <= last_s for span in spans)


def _crossings(pieces: Track, band: Bounds) -> list[Piece]:
    """Return the pieces but those between others that are inside the band for certain, or outside, as they are."""
    _, l0, u0, _, l1, u1 = columns = pieces.columns()
    inside = (l0 >= band.low) & (l1 >= band.low) & (u0 <= band.high) & (u1 <= band.high)
    above, below = (l0 > band.high) & (l1 > band.high), (u0 < band.low) & (u1 < band.low)
    where = 1 * inside + 2 * above + 3 * below
    kept = where == 0
    kept[:1] = kept[-1:] = True
    kept[1:] |= where[1:] != where[:-1]
    kept[:-1] |= where[1:] != where[:-1]
    return [Piece(*piece) for piece in zip(*(column[kept].tolist() for column in columns), strict=True)]


def _longest_stay(pieces: list[Piece], band: Bounds, last_s: float) -> tuple[float, float] | None:
    """Return the longest stay in a band that began by `last_s`.

    A stay begins where the signal was surely inside, and ends where it was surely outside again.
    """
    stays: list[tuple[float, float]] = []
    open_stay = False
    for t0, l0, u0, t1, l1, u1 in pieces:
        maybe = both(at_least(t0, u0, t1, u1, band.low), at_most(t0, l0, t1, l1, band.high))
        if maybe is None or maybe[0] > t0:
            open_stay = False
        sure = surely_in(Piece(t0, l0, u0, t1, l1, u1), *band)
        if sure is not None and not open_stay and sure[0] <= last_s:
            open_stay = True
            stays.append((sure[0], sure[1]))
        if open_stay and maybe is not None:
            stays[-1] = (stays[-1][0], maybe[1])
            open_stay = maybe[1] >= t1
    return max(stays, key=lambda span: span[1] - span[0], default=None)
