"""Whether a band was reached within a span: the question that three formulas share."""

from __future__ import annotations

from typing import final

from bench.samples import Window
from harness.judge.spans import EPS, EPS_S, INF, Cover, Piece, Reading, at_least, at_most, both
from harness.judge.verdict import Bounds


@final
class Arrival:
    """For which instants s of the stimulus some t in [s + first, s + last] is certain to be in the band.

    A truth that cannot jump is in the band at some moment exactly when it is at or below the upper edge at
    some moment and at or above the lower edge at some moment; one that can jump must be seen in the band at
    one moment.
    """

    __slots__ = (
        "_continuous",
        "_done_s",
        "_first",
        "_high",
        "_last",
        "_low",
        "_s1",
        "_s2",
        "depth",
        "over",
        "sure",
        "under",
    )

    def __init__(
        self, stimulus: Window, band: Bounds, span: tuple[float, float], *, continuous: bool
    ) -> None:
        s1, s2 = stimulus.earliest_s, stimulus.latest_s
        self._low, self._high = band
        self._first, self._last = span
        self._continuous = continuous
        self._s1, self._s2 = s1, s2
        self.sure = Cover(s1, s2)
        self.under = Cover(s1, s2)
        self.over = Cover(s1, s2)
        self._done_s = [INF, INF, INF]  # by when each of the three covers became complete
        self.depth = -INF  # how deep inside the band a reading in time certainly was

    @property
    def certain(self) -> bool:
        """Whether it is certain for every instant of the stimulus."""
        return self.sure.complete or (self.under.complete and self.over.complete)

    @property
    def latest_s(self) -> float:
        """Instant by which it was certain."""
        crossed_s = max(self._done_s[1], self._done_s[2])
        return min(self._done_s[0], crossed_s)

    def take(self, piece: Piece) -> bool:
        """Take the next piece; returns whether the arrival is certain."""
        t0, l0, u0, t1, l1, u1 = piece
        below = at_most(t0, u0, t1, u1, self._high)
        above = at_least(t0, l0, t1, l1, self._low)
        for index, span in ((1, below), (2, above)) if self._continuous else ((0, both(below, above)),):
            if span is not None:
                self._note(index, span[0] - self._last, span[1] - self._first, by_s=span[0])
        return self.certain

    def steady_until_s(self, side: int) -> float:
        """Return until when what is above the band (side 1), or below it (-1), changes nothing."""
        if not self._continuous or (self.over if side > 0 else self.under).complete:
            return INF
        return self._s1 + self._first - EPS_S

    def reading(self, reading: Reading) -> bool:
        """Take one reading; returns whether the arrival is certain."""
        lo, hi, a, b, *_ = reading
        below, above = hi <= self._high, lo >= self._low
        span = (b - self._last, a - self._first)
        if below and above and span[0] <= self._s1 and span[1] >= self._s2:
            self.depth = max(self.depth, min(self._high - hi, lo - self._low) - EPS)
        sides = ((1, below), (2, above)) if self._continuous else ((0, below and above),)
        for index, holds in sides:
            if holds:
                self._note(index, *span, by_s=b)
        return self.certain

    def _note(self, index: int, from_s: float, to_s: float, *, by_s: float) -> None:
        cover = (self.sure, self.under, self.over)[index]
        if not cover.complete and cover.add(from_s, to_s):
            self._done_s[index] = by_s
