"""Chains of moments outside a band: courses that come back out before any hold is over (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from typing import NamedTuple, final

from ventproof.envelope.spans import INF, Piece, Reading, at_least, at_most
from ventproof.verdict.finding import Bounds
from ventproof_bench.base.evidence import Window


class _Outside(NamedTuple):
    """A stay outside the band that no hold can have come before.

    Attributes:
        s: for stimuli from here on.
        from_s: when it began.
        to_s: how far it goes on.
        until_s: when it must be over: a reading was so deep in the band that whoever meets it holds.
    """

    s: float
    from_s: float
    to_s: float
    until_s: float

    def beats(self, other: _Outside) -> bool:
        """Return whether this one counts in every chain in which the other one does."""
        return self.s <= other.s and self.from_s <= other.from_s and self.until_s >= other.until_s


@final
class Chains:
    """Whether some course is outside the band again and again: no course does if none of these chains is complete.

    The first moment outside is less than H after s, the last T or more after s, and none is H or more after the one
    before. While a bound is outside on one side, all moments of it follow. The other side follows once the band can
    have been crossed at the greatest rate, if that takes less than H. A reading in [a, b], inside the band by d or
    more, keeps who comes from there and goes back for 2 d / rate: where that is H or more no moment of this side after
    a + d / rate follows one before b - d / rate.

    Args:
        stimulus: the window of s.
        band: its edges.
        within_s: T.
        hold_s: H.
        per_unit_s: one over the greatest rate; 0 where nothing bounds it.
        readings: in order, those that may keep a course in the band.
    """

    __slots__ = (
        "_barriers",
        "_crossing_s",
        "_hold",
        "_outside",
        "_s1",
        "_s2",
        "_within",
        "band",
        "complete",
        "last_s",
    )

    def __init__(  # noqa: PLR0917 - all of the demand
        self,
        stimulus: Window,
        band: Bounds,
        within_s: float,
        hold_s: float,
        per_unit_s: float,
        readings: Iterable[Reading] = (),
    ) -> None:
        self._s1, self._s2 = stimulus.earliest_s, stimulus.latest_s
        self.band = band
        self._within, self._hold = within_s, hold_s
        self._crossing_s = (band.high - band.low) * per_unit_s
        self._outside: tuple[list[_Outside], list[_Outside]] = ([], [])  # above the band, and below it
        self._barriers: tuple[list[tuple[float, float]], list[tuple[float, float]]] = ([], [])
        for lo, hi, a, b, *_ in readings:
            for barriers, depth in zip(self._barriers, (band.high - hi, lo - band.low), strict=True):
                if 2 * depth * per_unit_s >= hold_s:
                    barriers.append((a + depth * per_unit_s, b - depth * per_unit_s))
        for barriers in self._barriers:
            barriers.sort()
        self.complete = False  # some course never holds
        self.last_s = self._s1  # the last moment outside that a course may wait for

    def take(self, part: Piece) -> None:
        """Take the next piece."""
        t0, l0, u0, t1, l1, u1 = part
        above, below = at_least(t0, u0, t1, u1, self.band.high), at_most(t0, l0, t1, l1, self.band.low)
        spans = sorted((span, i) for i, span in enumerate((above, below)) if span is not None)
        if len(spans) > 1:
            spans.append(spans[0])  # it may follow the second, too
        for span, i in spans:
            self._follow(*span, i)

    def held_s(self) -> float:
        """Return when all courses have held, if none is outside until then."""
        return INF if self.complete else max(self._s2, self.last_s) + self._hold

    def _follow(self, p: float, q: float, side: int) -> None:
        """Take a span of moments outside on one side of the band."""
        same, other = self._outside[side], self._outside[1 - side]
        if (
            len(same) == 1
            and p <= same[0].to_s < same[0].until_s
            and not (other or self._passes_reading(same[0].to_s, q, side))
        ):  # goes on
            same[0] = same[0]._replace(to_s=min(q, same[0].until_s))
            self._waits(same[0])
            return
        found = list(self._begun(self._s1, p, q, side))
        # Whoever crosses a band that takes longer to cross than to hold has held it.
        for s, from_s, to_s, _ in other if self._crossing_s < self._hold else ():
            at_s = max(p, from_s + self._crossing_s)
            if at_s < to_s + self._hold:
                entries = self._entries(at_s, min(q, to_s + self._hold), side)
                found += [_Outside(s, e, min(q, until_s), until_s) for e, until_s in entries]
        going_on = [
            _Outside(s, e if to_s >= p else p, min(q, until_s), until_s)
            for s, e, to_s, until_s in same
            if p - to_s < self._hold and p <= until_s
        ]
        kept = [one for one in same if one.to_s < p and p - one.to_s < self._hold]
        new: list[_Outside] = []
        for one in sorted((*found, *going_on)):
            if not any(better.beats(one) for better in new):
                new.append(one)
        same[:] = [*kept, *new]
        other[:] = [one for one in other if one.to_s + self._hold > p]
        for one in new:
            self._waits(one)

    def _begun(self, s1: float, p: float, q: float, side: int) -> Iterator[_Outside]:
        """Yield the stays in a span with which a chain can begin."""
        for from_s, until_s in self._entries(p, q, side):
            if from_s - self._hold <= self._s2:
                yield _Outside(max(s1, from_s - self._hold), from_s, min(q, until_s), until_s)

    def _entries(self, p: float, q: float, side: int) -> Iterator[tuple[float, float]]:
        """Yield the earliest moment of [p, q], and the first after each reading there, with when each must be over."""
        if p > q:
            return
        barriers = self._barriers[side]
        first = bisect_right(barriers, (p, INF))
        ends = [b for _, b in barriers[first:]]
        for i, from_s in enumerate((p, *(a for a, _ in barriers[first:] if a <= q))):
            until_s = min(ends[i:], default=INF)
            if until_s >= from_s:
                yield from_s, until_s

    def _passes_reading(self, after_s: float, q: float, side: int) -> bool:
        """Return whether a stay can begin behind a reading that lies between two moments: it ends later."""
        barriers = self._barriers[side]
        first = bisect_right(barriers, (after_s, INF))
        return first < len(barriers) and barriers[first][0] <= q

    def _waits(self, one: _Outside) -> None:
        self.last_s = max(self.last_s, one.to_s)
        self.complete = self.complete or one.to_s >= one.s + self._within
