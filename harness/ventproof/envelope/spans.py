"""Pieces, sets of instants (pure)."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Final, NamedTuple, final

from ventproof_bench.base.evidence import Sample

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.intp]


EPS: Final = 1e-7
"""Values this close count as equal, in the signal's unit: a thousandth of the finest resolution or less."""
EPS_S: Final = 1e-9
"""Instants this close count as equal, s: log times have a grid of 1e-6 s."""
NOISE_S: Final = 1e-10
"""Sums of instants differ by less than this however they are added up, s; far below `EPS_S`."""
INF: Final = float("inf")


class Piece(NamedTuple):
    """From t0 to t1 the truth lies between two straight lines, l0 to l1 and u0 to u1; infinite: unknown."""

    t0: float
    l0: float
    u0: float
    t1: float
    l1: float
    u1: float


class Reading(NamedTuple):
    """At some instant of [a, b] the truth was in [lo, hi].

    `fresh`: the unit restarted since the reading before; `gap`: a poll in between brought nothing.
    """

    lo: float
    hi: float
    a: float
    b: float
    fresh: bool = False
    gap: bool = False

    def reach_s(self, distance: float, per_unit_s: float) -> float:
        """Return how far beyond its window this tells that x was within a distance of it, at most the window's width.

        What it tells beyond that, its cone tells too.
        """
        return min(distance * per_unit_s, self.b - self.a)


Span = tuple[float, float]
"""A closed interval of instants, s."""


def clip(piece: Piece, from_s: float, to_s: float) -> Piece | None:
    """Return the part of a piece inside [from_s, to_s]; None when there is none."""
    t0, l0, u0, t1, l1, u1 = piece
    if t1 < from_s or t0 > to_s or to_s < from_s:
        return None
    # Nothing is known of such a piece: between infinite ends there is no line to follow.
    if (t0 >= from_s and t1 <= to_s) or l0 == -INF:
        return piece if t0 >= from_s and t1 <= to_s else Piece(max(t0, from_s), l0, u0, min(t1, to_s), l1, u1)
    span = t1 - t0
    p, q = max(t0, from_s), min(t1, to_s)
    x, y = (p - t0) / span, (q - t0) / span
    return Piece(p, l0 + (l1 - l0) * x, u0 + (u1 - u0) * x, q, l0 + (l1 - l0) * y, u0 + (u1 - u0) * y)


_MUCH_TALLER: Final = 2.5
"""Readings that stray by their whole error make a band twice as tall as what one of them leaves possible."""


def band_around(pieces: Sequence[Piece]) -> Piece | None:
    """Return one piece that contains some consecutive ones; None where it would hide what happens between them.

    It lies along the line from the first to the last, so that a steady movement is no taller than its readings are.
    """
    if not pieces:
        return None
    begin, end = pieces[0], pieces[-1]
    heights = [max(piece.u0 - piece.l0, piece.u1 - piece.l1) for piece in pieces]
    if max(heights) == INF:
        return None if min(heights) < INF else Piece(begin.t0, -INF, INF, end.t1, -INF, INF)
    rise = (end.l1 + end.u1 - begin.l0 - begin.u0) / 2
    per_s = rise / (end.t1 - begin.t0) if end.t1 > begin.t0 else 0.0
    below = min(low - per_s * t for p in pieces for t, low in ((p.t0, p.l0), (p.t1, p.l1)))
    above = max(high - per_s * t for p in pieces for t, high in ((p.t0, p.u0), (p.t1, p.u1)))
    if above - below > _MUCH_TALLER * max(heights):
        return None
    ends = [(below + per_s * t, above + per_s * t) for t in (begin.t0, end.t1)]
    return Piece(begin.t0, *ends[0], end.t1, *ends[1])


def at_least(t0: float, a0: float, t1: float, a1: float, limit: float) -> Span | None:
    """Return where the line from (t0, a0) to (t1, a1) is at or above `limit`."""
    # Crossings are kept inside the piece: rounding must not put one before its begin or after its end.
    if a0 >= limit:
        if a1 >= limit:
            return (t0, t1)
        return (t0, min(t1, t0 + (t1 - t0) * (a0 - limit) / (a0 - a1)))
    if a1 >= limit:
        return (max(t0, t1 - (t1 - t0) * (a1 - limit) / (a1 - a0)), t1)
    return None


def at_most(t0: float, a0: float, t1: float, a1: float, limit: float) -> Span | None:
    """Return where the line from (t0, a0) to (t1, a1) is at or below `limit`."""
    return at_least(t0, -a0, t1, -a1, -limit)


def both(one: Span | None, other: Span | None) -> Span | None:
    """Return what two spans share."""
    if one is None or other is None:
        return None
    p, q = max(one[0], other[0]), min(one[1], other[1])
    return (p, q) if p <= q else None


def maybe_in(piece: Piece, low: float, high: float) -> Span | None:
    """Return where some of the envelope lies in [low, high]."""
    t0, l0, u0, t1, l1, u1 = piece
    return both(at_least(t0, u0, t1, u1, low), at_most(t0, l0, t1, l1, high))


def surely_in(piece: Piece, low: float, high: float) -> Span | None:
    """Return where the whole envelope lies in [low, high]."""
    t0, l0, u0, t1, l1, u1 = piece
    return both(at_least(t0, l0, t1, l1, low), at_most(t0, u0, t1, u1, high))


def surely_out(piece: Piece, low: float, high: float) -> Iterable[Span]:
    """Yield where nothing of the envelope lies in [low, high]."""
    t0, l0, u0, t1, l1, u1 = piece
    if (l0 > high and l1 > high) or (u0 < low and u1 < low):
        return ((t0, t1),)
    maybe = maybe_in(piece, low, high)
    if maybe is None:
        return ((t0, t1),)
    if maybe == (t0, t1):
        return ()
    return tuple(span for span in ((t0, maybe[0]), (maybe[1], t1)) if span[0] < span[1])


class Cover:
    """Which part of [lo, hi] is covered by spans given so far, in any order."""

    __slots__ = ("_hi", "_lo", "complete", "spans")

    def __init__(self, lo: float, hi: float) -> None:
        self._lo = lo
        self._hi = hi
        self.spans: list[Span] = []
        self.complete = False

    def add(self, lo: float, hi: float) -> bool:
        """Cover [lo, hi], float noise at its ends included; returns whether everything is covered now."""
        if lo > hi:
            return self.complete
        lo, hi = max(lo - NOISE_S, self._lo), min(hi + NOISE_S, self._hi)
        if self.complete or lo > hi:
            return self.complete
        spans = self.spans
        # Spans mostly come in order of time, each touching the one before.
        if spans and spans[-1][0] <= lo <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(hi, spans[-1][1]))
        else:
            # Invariant: spans are disjoint and in order, so their ends are in order, too.
            first = bisect_left(spans, lo, key=lambda span: span[1])
            last = first
            while last < len(spans) and spans[last][0] <= hi:
                lo, hi = min(lo, spans[last][0]), max(hi, spans[last][1])
                last += 1
            spans[first:last] = [(lo, hi)]
        # Spans that touch were joined, so a complete cover is a single span.
        self.complete = spans[0][0] <= self._lo and spans[0][1] >= self._hi
        return self.complete

    def shared_with(self, other: Cover) -> Cover:
        """Return what both cover."""
        if other is self:
            return self
        shared = Cover(self._lo, self._hi)
        for one in self.spans:
            for two in other.spans:
                if (span := both(one, two)) is not None:
                    shared.add(*span)
        return shared

    def rest(self) -> Cover:
        """Return what is not covered, its ends included."""
        rest, lo = Cover(self._lo, self._hi), self._lo
        for span in self.spans:
            if span[0] > lo:
                rest.add(lo, span[0])
            lo = span[1]
        if lo < self._hi or not self.spans:
            rest.add(lo, self._hi)
        return rest

    def joined_with(self, other: Cover) -> Cover:
        """Return what either covers."""
        joined = Cover(self._lo, self._hi)
        for span in (*self.spans, *other.spans):
            joined.add(*span)
        return joined


@final
@dataclass(frozen=True, slots=True)
class Block:
    """Readings of one signal with no gap between them, as arrays of the same length; instants in seconds."""

    values: Floats
    requested_s: Floats
    replied_s: Floats

    @classmethod
    def of(cls, values: Iterable[float], requested_s: Iterable[float], replied_s: Iterable[float]) -> Block:
        """Return the block of some readings."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        return cls(*(np.fromiter(column, float) for column in (values, requested_s, replied_s)))

    def __len__(self) -> int:
        return len(self.values)

    def part(self, first: int, last: int) -> Block:
        """Return the readings from `first` up to, not including, `last`."""
        return Block(self.values[first:last], self.requested_s[first:last], self.replied_s[first:last])

    def with_values(self, values: Floats) -> Block:
        """Return other values read at the same instants."""
        return Block(values, self.requested_s, self.replied_s)

    def as_read(self) -> Block:
        """Return the readings as they stand: each at the middle of its poll."""
        middles_s = (self.requested_s + self.replied_s) / 2
        return Block(self.values, middles_s, middles_s)

    def thinned(self, each: int) -> Block:
        """Return the first and the last reading, and of every so many the lowest and the highest."""
        import numpy as np  # noqa: PLC0415 - as above

        kept = {0, len(self) - 1}
        for first in range(0, len(self), each):
            part = self.values[first : first + each]
            kept |= {first + int(part.argmin()), first + int(part.argmax())}
        index = np.fromiter(sorted(kept), int)
        return Block(self.values[index], self.requested_s[index], self.replied_s[index])

    def __getitem__(self, index: int) -> Sample:
        return Sample(float(self.values[index]), float(self.requested_s[index]), float(self.replied_s[index]))

    def __iter__(self) -> Iterator[Sample]:
        return map(Sample, self.values.tolist(), self.requested_s.tolist(), self.replied_s.tolist())


@final
@dataclass(frozen=True, slots=True)
class Corners:
    """Consecutive pieces without jumps: the bounds at each instant where one ends and the next begins."""

    t: Floats
    low: Floats
    high: Floats

    def until(self, t_s: float) -> Corners:
        """Return the corners up to the one at exactly `t_s`."""
        count = int(self.t.searchsorted(t_s)) + 1
        return Corners(self.t[:count], self.low[:count], self.high[:count])

    def thinned(self, each: int) -> Corners:
        """Return corners at every so many instants, whose pieces contain these pieces."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        last = len(self.t) - 1
        firsts = np.arange(0, last, each)
        ends = np.append(firsts[1:], last)
        lows = np.minimum(np.minimum.reduceat(self.low[:last], firsts), self.low[ends])
        highs = np.maximum(np.maximum.reduceat(self.high[:last], firsts), self.high[ends])
        # Each corner bounds the stretches on either side of it, and so does the line between two of them.
        return Corners(
            self.t[np.append(firsts, last)],
            np.minimum(np.append(lows, lows[-1]), np.insert(lows, 0, lows[0])),
            np.maximum(np.append(highs, highs[-1]), np.insert(highs, 0, highs[0])),
        )

    def lead_s(self, flags: Flags) -> float:
        """Return the instant of the last corner before the first without its flag; -inf if that is the first."""
        if not flags[0]:
            return -INF
        # `argmin` is 0 where every flag is set, too: then the one it points at is set.
        first = int(flags.argmin())
        return float(self.t[-1 if flags[first] else first - 1])

    def hull(self) -> Piece:
        """Return one piece in the place of all: its four corners are the extremes of either bound.

        The lesser ends come first. It is above, below or inside a limit exactly where all pieces are.
        """
        return Piece(
            float(self.t[0]),
            float(self.low.min()),
            float(self.high.min()),
            float(self.t[-1]),
            float(self.low.max()),
            float(self.high.max()),
        )

    def __iter__(self) -> Iterator[Piece]:
        points = zip(self.t.tolist(), self.low.tolist(), self.high.tolist(), strict=True)
        return (Piece(*one, *other) for one, other in pairwise(points))


@final
class Track:
    """The pieces that a decider has taken, in order: single ones, and stretches as arrays."""

    __slots__ = ("_columns", "_parts", "last_s")

    def __init__(self, pieces: Iterable[Piece] = ()) -> None:
        self._parts: list[list[Piece] | Corners] = []
        self._columns: tuple[Floats, ...] | None = None
        self.last_s = -INF
        for piece in pieces:
            self.append(piece)

    def append(self, piece: Piece) -> None:
        """Add one piece."""
        if not self._parts or isinstance(self._parts[-1], Corners):
            self._parts.append([])
        part = self._parts[-1]
        assert isinstance(part, list)
        part.append(piece)
        self._columns = None
        self.last_s = piece.t1

    def extend(self, corners: Corners) -> None:
        """Add a stretch."""
        self._parts.append(corners)
        self._columns = None
        self.last_s = float(corners.t[-1])

    def clear(self) -> None:
        """Forget all pieces."""
        self._parts.clear()
        self._columns = None

    def __iter__(self) -> Iterator[Piece]:
        for part in self._parts:
            yield from part

    def __reversed__(self) -> Iterator[Piece]:
        for part in reversed(self._parts):
            yield from reversed(list(part))

    def corners(self) -> tuple[Floats, ...]:
        """Return the instants where pieces begin and end, and both bounds there, as arrays, in order.

        Where two pieces meet one instant may come twice: bounds may jump there.
        """
        import numpy as np  # noqa: PLC0415 - once a finding

        return tuple(np.concatenate([np.empty((3, 0)), *(points for points, _ in self._points())], axis=1))

    def columns(self) -> tuple[Floats, ...]:
        """Return t0, l0, u0, t1, l1 and u1 of all pieces as arrays."""
        import numpy as np  # noqa: PLC0415 - once a finding

        if self._columns is None:
            parts = [
                np.concatenate((points[:, :-1:step], points[:, 1::step])) for points, step in self._points()
            ]
            self._columns = tuple(np.concatenate([np.empty((6, 0)), *parts], axis=1))
        return self._columns

    def _points(self) -> Iterator[tuple[Floats, int]]:
        """Yield instants and bounds of each part, and how many points on the next piece begins."""
        import numpy as np  # noqa: PLC0415 - once a finding

        for part in self._parts:
            if isinstance(part, Corners):
                yield np.array((part.t, part.low, part.high)), 1
            else:
                yield np.fromiter(chain.from_iterable(part), float, 6 * len(part)).reshape(-1, 3).T, 2


def side(corners: Corners, low: float, high: float) -> tuple[int, float]:
    """Return where the first pieces are for certain, and until when: 1 above, -1 below, 0 inside [low, high].

    Where the first corner leaves it open, the instant is -inf.
    """
    # The edges belong to the band, as in `surely_in`: outside is strict.
    if corners.high[0] < low:
        return -1, corners.lead_s(corners.high < low)
    if corners.low[0] > high:
        return 1, corners.lead_s(corners.low > high)
    return 0, corners.lead_s((corners.low >= low) & (corners.high <= high))
