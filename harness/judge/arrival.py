"""Whether a band was reached within a span: the question that three formulas share."""

from __future__ import annotations

from typing import final

from bench.samples import Window
from harness.judge.spans import EPS, INF, Cover, Piece, Reading, at_least, at_most
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
        "_first",
        "_high",
        "_last",
        "_low",
        "depth",
        "latest_s",
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
        self.sure = Cover(s1, s2)
        self.under = Cover(s1, s2)
        self.over = Cover(s1, s2)
        self.latest_s: float | None = None  # the arrival was by then
        self.depth = -INF  # how deep inside the band a reading certainly was

    @property
    def certain(self) -> bool:
        """Whether it is certain for every instant of the stimulus."""
        return self.sure.complete or (self.under.complete and self.over.complete)

    def take(self, piece: Piece) -> bool:
        """Take the next piece; returns whether the arrival is certain."""
        t0, l0, u0, t1, l1, u1 = piece
        below = at_most(t0, u0, t1, u1, self._high)
        above = at_least(t0, l0, t1, l1, self._low)
        if self._continuous:
            self._note(self.under, below)
            self._note(self.over, above)
        elif below is not None and above is not None and max(below[0], above[0]) <= min(below[1], above[1]):
            self._note(self.sure, (max(below[0], above[0]), min(below[1], above[1])))
        return self._reached(below[0] if below else t0, above[0] if above else t0)

    def reading(self, reading: Reading) -> bool:
        """Take one reading; returns whether the arrival is certain."""
        lo, hi, a, b, *_ = reading
        below, above = hi <= self._high, lo >= self._low
        span = (b - self._last, a - self._first)
        if below and above and span[0] <= span[1]:
            self.depth = max(self.depth, min(self._high - hi, lo - self._low) - EPS)
        if self._continuous:
            if below:
                self.under.add(*span)
            if above:
                self.over.add(*span)
        elif below and above:
            self.sure.add(*span)
        return self._reached(b, b)

    def _note(self, cover: Cover, span: tuple[float, float] | None) -> None:
        if span is not None:
            cover.add(span[0] - self._last, span[1] - self._first)

    def _reached(self, *by_s: float) -> bool:
        if self.latest_s is None and self.certain:
            self.latest_s = max(by_s)
        return self.certain
