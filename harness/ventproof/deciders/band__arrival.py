"""Whether a signal gets somewhere within a span after the stimulus: for which of its instants it may, and must."""

from __future__ import annotations

from typing import final

from bench.samples import Window
from harness.judge.spans import EPS, EPS_S, INF, Cover, Piece, Reading, maybe_in, surely_in
from harness.judge.verdict import Bounds


@final
class Visit:
    """For which instants s of the stimulus x is in [low, high] at some t of [s + first, s + last].

    `may`: L(t) <= high and U(t) >= low for some such t. `must`: low <= L(t) and U(t) <= high for some such t, or a
    reading is inside, and so deep that x cannot have been there outside the span only:

        max(0, b - (s + last), (s + first) - a) <= depth / rate

    A bound without an end makes it one of the four extremes: `may` of [y, inf] is where the greatest possible
    maximum is at least y, `must` of it where the least possible maximum is.
    """

    __slots__ = ("_first", "_last", "_per_unit_s", "_s1", "_s2", "band", "done_s", "may", "must")

    def __init__(
        self, stimulus: Window, band: Bounds, span: tuple[float, float], rate_per_s: float | None
    ) -> None:
        self._s1, self._s2 = stimulus.earliest_s, stimulus.latest_s
        self.band = band
        self._first, self._last = span
        self._per_unit_s = 1 / rate_per_s if rate_per_s else 0.0
        self.may = Cover(self._s1, self._s2)
        self.must = Cover(self._s1, self._s2)
        self.done_s = INF  # by when it was certain for every s

    def take(self, piece: Piece) -> None:
        """Take the next piece."""
        low, high = self.band
        if piece.t1 < self._s1 + self._first or (self.must.complete and self.may.complete):
            return
        if (piece.l0 > high and piece.l1 > high) or (piece.u0 < low and piece.u1 < low):
            return
        if not self.may.complete and (maybe := maybe_in(piece, low, high)) is not None:
            self.may.add(maybe[0] - self._last, maybe[1] - self._first)
        if not self.must.complete and (sure := surely_in(piece, low, high)) is not None:
            self._note(sure[0] - self._last, sure[1] - self._first, by_s=sure[0])

    def reading(self, reading: Reading) -> None:
        """Take one reading; one that is all before the span, or all after, says no more than its cone."""
        lo, hi, a, b, *_ = reading
        if self.must.complete or b < self._s1 + self._first or a > self._s2 + self._last:
            return
        deep_s = reading.reach_s(min(lo - self.band.low, self.band.high - hi), self._per_unit_s)
        if lo >= self.band.low and hi <= self.band.high:
            self._note(b - self._last - deep_s, a - self._first + deep_s, by_s=b)

    def _note(self, from_s: float, to_s: float, *, by_s: float) -> None:
        if self.must.add(from_s, to_s):
            self.done_s = by_s


@final
class Arrival:
    """For which instants s of the stimulus x is in a band at some t of [s + first, s + last].

    A truth that cannot jump is in the band exactly when it is at or below the upper edge at some moment and at or
    above the lower edge at some moment; one that can jump must be seen in the band at one moment.
    """

    __slots__ = ("_band", "_continuous", "_s1", "_s2", "_span", "depth", "visits")

    def __init__(
        self,
        stimulus: Window,
        band: Bounds,
        span: tuple[float, float],
        rate_per_s: float | None,
        *,
        continuous: bool,
    ) -> None:
        self._band, self._span, self._continuous = band, span, continuous
        self._s1, self._s2 = stimulus.earliest_s, stimulus.latest_s
        parts = (Bounds(-INF, band.high), Bounds(band.low, INF)) if continuous else (band,)
        self.visits = tuple(Visit(stimulus, part, span, rate_per_s) for part in parts)
        self.depth = -INF  # how deep inside the band a reading in time certainly was

    @property
    def certain(self) -> bool:
        """Whether it is certain for every instant of the stimulus."""
        return self.visits[0].must.complete and self.visits[-1].must.complete

    @property
    def latest_s(self) -> float:
        """Instant by which it was certain."""
        return max(visit.done_s for visit in self.visits)

    @property
    def must(self) -> Cover:
        """For which instants of the stimulus it is certain."""
        return self.visits[0].must.shared_with(self.visits[-1].must)

    @property
    def may(self) -> Cover:
        """For which instants of the stimulus it is possible."""
        return self.visits[0].may.shared_with(self.visits[-1].may)

    def take(self, piece: Piece) -> bool:
        """Take the next piece; returns whether the arrival is certain."""
        for visit in self.visits:
            visit.take(piece)
        return self.certain

    def reading(self, reading: Reading) -> bool:
        """Take one reading; returns whether the arrival is certain."""
        lo, hi, a, b, *_ = reading
        (low, high), (first, last) = self._band, self._span
        if lo >= low and hi <= high and b - last <= self._s1 and a - first >= self._s2:
            self.depth = max(self.depth, min(high - hi, lo - low) - EPS)
        for visit in self.visits:
            visit.reading(reading)
        return self.certain

    def steady_until_s(self, side: int) -> float:
        """Return until when what is above the band (side 1), or below it (-1), changes nothing."""
        if self._continuous and self.visits[1 if side > 0 else 0].must.complete:
            return INF
        return self._s1 + self._span[0] - EPS_S
