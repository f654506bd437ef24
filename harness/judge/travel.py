"""Decider of the mean rate of travel between 10 % and 90 % of the way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple, final

from bench.samples import Window
from harness.judge.decider import Decider, Measures, Readings
from harness.judge.formulas import MovesAt
from harness.judge.robustness import agreeing
from harness.judge.spans import EPS, EPS_S, INF, Piece, Reading, at_least, clip
from harness.judge.track import Corners
from harness.judge.verdict import Bounds, Verdict

_PARTS = 8
"""The bounds of the start are cut into so many parts, each judged with its own 10 % and 90 % levels."""


class _Travel(NamedTuple):
    """For one part of the start: the mean rate, and the instant of 90 %; infinite: not by the end."""

    rate: Bounds
    arrived: Bounds


@final
class TravelDecider(Decider):
    """The rate over the middle 80 % of the way; downward travel is mirrored."""

    __slots__ = ("_frontier_s", "_known", "_rate", "_start_high", "_start_low", "_travels", "formula")

    def __init__(self, formula: MovesAt, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self._rate = rate_per_s
        self._start_low, self._start_high = INF, -INF
        self._frontier_s = -INF
        self._travels: list[_Travel] = []

    @property
    def direction(self) -> int:
        """1 up, -1 down, 0 while the evidence leaves it open."""
        if self._start_high < self.formula.target - EPS:
            return 1
        return -1 if self._start_low > self.formula.target + EPS else 0

    def take(self, part: Piece) -> None:
        """Wait until 90 % of the way are surely made, then judge the rate."""
        self._frontier_s = part.t1
        if part.t0 <= self.s2 and (start := clip(part, self.s1, self.s2)) is not None:
            self._start_low = min(self._start_low, start.l0, start.l1)
            self._start_high = max(self._start_high, start.u0, start.u1)
        if part.t1 < self.s2 or not self.direction:
            return
        arrived = part.l1 >= self._level if self.direction > 0 else part.u1 <= self._level
        if arrived:
            self._judge()

    @property
    def _level(self) -> float:
        """Where 90 % of the way are made, wherever it started."""
        start = self._start_high if self.direction > 0 else self._start_low
        return 0.1 * start + 0.9 * self.formula.target

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While 90 % of the way are not surely made."""
        if corners.t[0] <= self.s2:
            return -INF
        if not self.direction:
            return INF
        return corners.lead_s(corners.low < self._level if self.direction > 0 else corners.high > self._level)

    def reading(self, reading: Reading) -> None:
        """A single reading says less than the envelope."""

    def finish(self) -> None:
        """Judge what there is."""
        if self.verdict is None and self._frontier_s >= self.end_s - EPS_S and self.direction:
            self._judge()
        self.settle(passed=False)

    def _judge(self) -> None:
        formula = self.formula
        low, high = formula.rate - formula.tolerance - EPS, formula.rate + formula.tolerance + EPS
        self._travels = list(self._each_start())
        passes = fails = True
        for rate, arrived in self._travels:
            in_time = arrived.high <= self.s1 + formula.within_s + EPS_S
            passes = passes and in_time and low <= rate.low and rate.high <= high
            fails = fails and (
                arrived.low > self.s2 + formula.within_s + EPS_S or rate.low > high or rate.high < low
            )
        if fails or passes:
            self.verdict = Verdict.FAIL if fails else Verdict.PASS

    def _each_start(self) -> Iterator[_Travel]:
        up = self.direction > 0
        target = self.formula.target if up else -self.formula.target
        y0, y1 = (self._start_low, self._start_high) if up else (-self._start_high, -self._start_low)
        path = (
            list(self.pieces)
            if up
            else [Piece(t0, -u0, -l0, t1, -u1, -l1) for t0, l0, u0, t1, l1, u1 in self.pieces]
        )
        for index in range(_PARTS):
            a, b = y0 + (y1 - y0) * index / _PARTS, y0 + (y1 - y0) * (index + 1) / _PARTS
            way = Bounds(target - b, target - a)
            t10 = _crossing(path, Bounds(0.9 * a + 0.1 * target, 0.9 * b + 0.1 * target))
            t90 = _crossing(path, Bounds(0.1 * a + 0.9 * target, 0.1 * b + 0.9 * target))
            quickest = max(0.0, t90.low - t10.high if t10.high < INF else 0.0)
            if self._rate:
                quickest = max(quickest, 0.8 * way.low / self._rate)
            longest = t90.high - t10.low if t90.high < INF else INF
            slowest = 0.8 * way.low / longest if longest > 0 else INF
            fastest = 0.8 * way.high / quickest if quickest > 0 else INF
            yield _Travel(Bounds(min(slowest, fastest), fastest), t90)

    def measures(self) -> Measures:
        """Robustness in rate, and when 90 % of the way were made."""
        travels, formula = self._travels, self.formula
        if not travels:
            return Measures()
        slowest, fastest = min(t.rate.low for t in travels), max(t.rate.high for t in travels)
        off_most = max(formula.rate - slowest, fastest - formula.rate)
        off_least = max(0.0, slowest - formula.rate, formula.rate - fastest)
        margin = None
        if off_most < INF:
            margin = agreeing(
                Bounds(formula.tolerance - off_most, formula.tolerance - off_least), self.verdict
            )
        first, last = min(t.arrived.low for t in travels), max(t.arrived.high for t in travels)
        if last == INF:
            return Measures(margin)
        response = Bounds(max(0.0, first - self.s2), max(0.0, last - self.s1))
        slack = Bounds(formula.within_s - response.high, formula.within_s - response.low)
        return Measures(margin, slack, response)

    @property
    def rate(self) -> Bounds | None:
        """Bounds of the mean rate, unit/s."""
        if not self._travels:
            return None
        return Bounds(min(t.rate.low for t in self._travels), max(t.rate.high for t in self._travels))


def _crossing(path: Iterable[Piece], level: Bounds) -> Bounds:
    """Return the earliest and the latest moment at which a rising path can first be at a level."""
    earliest = latest = INF
    for t0, l0, u0, t1, l1, u1 in path:
        if earliest == INF and (span := at_least(t0, u0, t1, u1, level.low)) is not None:
            earliest = span[0]
        if (span := at_least(t0, l0, t1, l1, level.high)) is not None:
            return Bounds(earliest, span[0])
    return Bounds(earliest, latest)
