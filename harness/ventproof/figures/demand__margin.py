"""Where on an envelope a margin is: the place that a figure points at (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

from harness.judge.spans import INF, Piece, clip
from harness.judge.verdict import Bounds
from harness.record.demand import Demand

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
                best = Ring(
                    t_s, value, edge, f"smallest margin that is possible: {margin.low:+.2f} {unit}".rstrip()
                )
    return best


def furthest_outside(
    pieces: Iterable[Piece], span: tuple[float, float], demand: Demand, unit: str
) -> Ring | None:
    """Return where in a span the whole envelope lies furthest outside the band; None: it never does."""
    best: Ring | None = None
    most = 0.0
    if demand.leave:
        return None
    for t_s, low, high in _corners(pieces, span):
        for value, edge, sign in ((high, demand.low, 1), (low, demand.high, -1)):
            if edge is not None and sign * (edge - value) > most + _TIE:
                most = sign * (edge - value)
                best = Ring(t_s, value, edge, f"outside for certain, by {most:.2f} {unit}".rstrip())
    return best


def _corners(pieces: Iterable[Piece], span: tuple[float, float]) -> Iterator[tuple[float, float, float]]:
    """Yield (t, low, high) at both ends of every bounded piece in a span."""
    for piece in pieces:
        part = clip(piece, *span)
        if part is not None and part.l0 > -INF and part.u0 < INF:
            yield part.t0, part.l0, part.u0
            yield part.t1, part.l1, part.u1
