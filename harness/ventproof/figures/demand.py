"""Bands, limits, margin mark (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import singledispatch
from itertools import pairwise
from typing import Final, NamedTuple, final

from ventproof.deciders import formulas
from ventproof.deciders.formulas import Formula
from ventproof.drives.formulas import AgreesFormula, FlagsFormula
from ventproof.envelope.spans import INF, Piece, clip
from ventproof.verdict.finding import Bounds
from ventproof.verdict.text import number_text, outward, seconds

Span = tuple[float, float]


@final
@dataclass(frozen=True, slots=True)
class Demand:
    """A demand as geometry; values in the signal's unit, times in seconds after the stimulus.

    Attributes:
        low: lower edge of the demanded band, or None for none.
        high: upper edge, likewise; neither: no band.
        levels: values to name, each with its label; a line is drawn at those that are no part of a band.
        limits: moments to name, each with its label.
        gate_s: by when the signal must be in the band, or have left it; None: it is no matter of one moment.
        closed_s: until when it must not be in the band.
        keeps: whether the band binds from the stimulus on to the last moment that matters.
        until_s: the last moment that matters; None when the demand has no end of its own.
        leave: the band is not to be kept but to be left.
    """

    low: float | None = None
    high: float | None = None
    levels: tuple[tuple[float, str], ...] = ()
    limits: tuple[tuple[float, str], ...] = ()
    gate_s: float | None = None
    closed_s: float = 0.0
    keeps: bool = False
    until_s: float | None = None
    leave: bool = False


@singledispatch
def demand_of(formula: object, unit: str, before: Span) -> Demand:
    """Return what to draw.

    Args:
        formula: the demand, as the judge has it.
        unit: the signal's unit, as it stands behind a number; empty for flags, states and counts.
        before: between which values the signal was at the stimulus; infinite where unknown.
    """
    raise AssertionError(f"nothing to draw for {type(formula).__name__}, {unit}, {before}")


def figure_demand(formula: Formula | FlagsFormula | AgreesFormula, unit: str, before: Span) -> Demand:
    """Return `demand_of` with the unit as texts want it."""
    return demand_of(formula, f" {unit}" if unit else "", before)


def _value(value: float, unit: str) -> str:
    return f"{value:.4g}{unit}"


def _around(target: float, tolerance: float, unit: str) -> str:
    return f"{_value(target, unit)} ± {_value(tolerance, unit)}"


def _deadline(within_s: float) -> tuple[float, str]:
    return within_s, f"required by {seconds(within_s)}"


def _end(for_s: float) -> tuple[float, str]:
    return for_s, f"watched for {seconds(for_s)}"


@demand_of.register
def _(formula: formulas.ReachesFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    held = f" for {seconds(formula.holds_s)}" if formula.holds_s else ""
    return Demand(
        low=formula.target - formula.tolerance,
        high=formula.target + formula.tolerance,
        levels=((formula.target, _around(formula.target, formula.tolerance, unit) + held),),
        limits=(_deadline(formula.within_s),),
        gate_s=formula.within_s,
        until_s=formula.within_s + formula.holds_s,
    )


@demand_of.register
def _(formula: formulas.StaysFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    edges = ((formula.low, "not below"), (formula.high, "not above"))
    return Demand(
        low=formula.low,
        high=formula.high,
        levels=tuple((edge, f"{word} {_value(edge, unit)}") for edge, word in edges if edge is not None),
        limits=() if formula.for_s is None else (_end(formula.for_s),),
        keeps=True,
        until_s=formula.for_s,
    )


@demand_of.register
def _(formula: formulas.ReturnsFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    return Demand(
        low=formula.target - formula.tolerance,
        high=formula.target + formula.tolerance,
        levels=((formula.target, _around(formula.target, formula.tolerance, unit)),),
        gate_s=formula.within_s,
        closed_s=formula.not_before_s,
        limits=(
            (formula.not_before_s, f"not before {seconds(formula.not_before_s)}"),
            _deadline(formula.within_s),
        ),
        until_s=formula.within_s,
    )


@demand_of.register
def _(formula: formulas.StartsMovingFormula, unit: str, before: Span) -> Demand:
    low, high = before
    known = low > -INF
    return Demand(
        low=low - formula.by if known else None,
        high=high + formula.by if known else None,
        levels=(
            ((low - formula.by, f"moved by {_value(formula.by, unit)}"), (high + formula.by, "or so far up"))
            if known
            else ()
        ),
        limits=(_deadline(formula.within_s),),
        gate_s=formula.within_s,
        until_s=formula.within_s,
        leave=True,
    )


@demand_of.register
def _(formula: formulas.MovesAtFormula, unit: str, before: Span) -> Demand:
    middle = (before[0] + before[1]) / 2
    levels = [(formula.target, f"target {_value(formula.target, unit)}")]
    if before[0] > -INF:
        levels += [
            (middle + share * (formula.target - middle), f"{share * 100:.0f} % of the way")
            for share in (0.1, 0.9)
        ]
    return Demand(levels=tuple(levels), limits=(_deadline(formula.within_s),), until_s=formula.within_s)


@demand_of.register
def _(formula: formulas.OvershootsAtMostFormula, unit: str, before: Span) -> Demand:
    target = (formula.target, f"target {_value(formula.target, unit)}")
    if before[0] == -INF:
        return Demand(levels=(target,), limits=(_end(formula.for_s),), until_s=formula.for_s)
    upwards = before[0] + before[1] <= 2 * formula.target
    edge = formula.target + (formula.by if upwards else -formula.by)
    return Demand(
        low=None if upwards else edge,
        high=edge if upwards else None,
        levels=(target, (edge, f"not beyond {_value(edge, unit)}")),
        limits=(_end(formula.for_s),),
        keeps=True,
        until_s=formula.for_s,
    )


@demand_of.register
def _(formula: formulas.NeverReversesFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    return Demand(limits=(_end(formula.for_s),), until_s=formula.for_s)


@demand_of.register
def _(formula: formulas.UnchangedFormula, unit: str, before: Span) -> Demand:
    low, high = before
    limits, tolerance = (_end(formula.for_s),), formula.tolerance or 0.0
    if not high - low <= 2 * tolerance:
        return Demand(limits=limits, until_s=formula.for_s)
    label = f"unchanged ± {_value(tolerance, unit)}" if tolerance else "unchanged"
    # Where the signal stood is itself known only so well: this band is the part that every course would keep.
    return Demand(
        low=high - tolerance,
        high=low + tolerance,
        levels=(((low + high) / 2, label),),
        limits=limits,
        keeps=True,
        until_s=formula.for_s,
    )


@demand_of.register
def _(formula: formulas.EqualsFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    return Demand(
        low=formula.value,
        high=formula.value,
        levels=((formula.value, "required"),),
        limits=(_deadline(formula.within_s),),
        gate_s=formula.within_s,
        until_s=formula.within_s,
    )


@demand_of.register
def _(formula: formulas.CountsFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    low, high = before
    limits = (_deadline(formula.within_s),)
    if low != high:
        return Demand(limits=limits, until_s=formula.within_s)
    words = ("required:",) * 2 if formula.most is None else ("at least", "at most")
    ends = dict(zip((low + number for number in formula.required), words, strict=True))
    required = [
        (end, f"{word} {end:.0f}") for end, word in ends.items() if low < end < INF or formula.most is None
    ]
    levels = ((low, f"before: {low:.0f}"), *required)
    return Demand(levels=levels, limits=limits, until_s=formula.within_s)


@demand_of.register
def _(formula: FlagsFormula | AgreesFormula, unit: str, before: Span) -> Demand:  # noqa: ARG001 - the signature of all kinds
    return Demand(limits=() if formula.for_s is None else (_end(formula.for_s),), until_s=formula.for_s)


def agreed(pieces: Sequence[Piece], formula: AgreesFormula) -> list[Piece]:
    """Return between which values a signal agrees with another, of which pieces are given: as wide as it may be."""
    lag_s, tolerance = formula.lag_s, formula.tolerance
    edges = {edge for piece in pieces for edge in (piece.t0, piece.t1)}
    times = sorted(edges | {edge + lag_s for edge in edges if edge + lag_s < pieces[-1].t1})
    ends: list[tuple[float, float]] = []
    first = 0
    for t_s in times:
        while pieces[first].t1 < t_s - lag_s:
            first += 1
        after = bisect_right(pieces, t_s, first, key=lambda piece: piece.t0)
        parts = [part for piece in pieces[first:after] if (part := clip(piece, t_s - lag_s, t_s))]
        lowest = min(min(part.l0, part.l1) for part in parts)
        ends.append((lowest - tolerance, max(max(part.u0, part.u1) for part in parts) + tolerance))
    return [Piece(t0, *e0, t1, *e1) for (t0, e0), (t1, e1) in pairwise(zip(times, ends, strict=True))]


def outside(pieces: Iterable[Piece], spans: Sequence[Span], demand: Demand) -> Iterator[Piece]:
    """Yield the parts of pieces that lie beyond an edge of a demand, in spans of log time: those above, then below."""
    parts = [
        part
        for piece in pieces
        for span in spans
        if (part := clip(piece, *span)) is not None and part.l0 > -INF and part.u0 < INF
    ]
    if demand.high is not None:
        yield from (above for part in parts for above in _above(part, demand.high))
    if demand.low is not None:
        yield from (_mirrored(below) for part in parts for below in _above(_mirrored(part), -demand.low))


def _mirrored(piece: Piece) -> Piece:
    return Piece(piece.t0, -piece.u0, -piece.l0, piece.t1, -piece.u1, -piece.l1)


def _above(piece: Piece, edge: float) -> Iterator[Piece]:
    """Yield what of a piece lies above an edge."""
    if max(piece.u0, piece.u1) <= edge:
        return
    crossings = [
        piece.t0 + (edge - v0) / (v1 - v0) * (piece.t1 - piece.t0)
        for v0, v1 in ((piece.l0, piece.l1), (piece.u0, piece.u1))
        if (v0 - edge) * (v1 - edge) < 0
    ]
    for from_s, to_s in pairwise(sorted([piece.t0, *crossings, piece.t1])):
        part = clip(piece, from_s, to_s)
        if part is not None and part.u0 + part.u1 > 2 * edge:
            yield part._replace(l0=max(part.l0, edge), l1=max(part.l1, edge))


_SAME: Final = 2e-3
"""A place has the stated margin if they differ by less, in the signal's unit; figures round to hundredths."""

_TIE: Final = 1e-9
"""Of places that differ by less, the first one counts."""


class Ring(NamedTuple):
    """A place to point at: log time, the bound of the envelope, the edge of the demand, and what it shows."""

    t_s: float
    value: float
    edge: float
    said: str


def smallest_margin(
    pieces: Iterable[Piece], span: tuple[float, float], demand: Demand, margin: Bounds | None, unit: str
) -> Ring | None:
    """Return where the envelope comes as near to an edge as the worst margin says, if anywhere."""
    best: Ring | None = None
    off = _SAME
    if margin is None or demand.leave:
        return None
    for t_s, low, high in _corners(pieces, span):
        for value, edge, sign in ((low, demand.low, 1), (high, demand.high, -1)):
            if edge is not None and abs(sign * (value - edge) - margin.low) < off - _TIE:
                off = abs(sign * (value - edge) - margin.low)
                words = "to spare" if margin.low >= 0 else "perhaps outside"
                best = Ring(t_s, value, edge, f"{_size(margin.low, unit)} {words}")
    return best


def furthest_outside(
    pieces: Iterable[Piece], span: tuple[float, float], demand: Demand, said: str
) -> Ring | None:
    """Return where in a span the whole envelope lies furthest outside the band, if anywhere, and what is said."""
    best: Ring | None = None
    most = 0.0
    if demand.leave:
        return None
    for t_s, low, high in _corners(pieces, span):
        for value, edge, sign in ((high, demand.low, 1), (low, demand.high, -1)):
            if edge is not None and sign * (edge - value) > most + _TIE:
                most = sign * (edge - value)
                best = Ring(t_s, value, edge, said)
    return best


def _size(value: float, unit: str) -> str:
    return f"{number_text(outward(abs(value), 2, up=False))} {unit}".rstrip()


def _corners(pieces: Iterable[Piece], span: tuple[float, float]) -> Iterator[tuple[float, float, float]]:
    """Yield (t, low, high) at both ends of every bounded piece in a span."""
    for piece in pieces:
        part = clip(piece, *span)
        if part is not None and part.l0 > -INF and part.u0 < INF:
            yield part.t0, part.l0, part.u0
            yield part.t1, part.l1, part.u1
