"""Decider of the mean rate of travel between 10 % and 90 % of the way."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple, final

from ventproof.deciders.base import Decider, Measures, Readings
from ventproof.deciders.formulas import MovesAtFormula
from ventproof.deciders.robustness import agreeing
from ventproof.envelope.spans import EPS, EPS_S, INF, Corners, Piece, Reading, at_least, clip
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats


_INSTANTS, _STARTS = 4, 8
"""The stimulus window is cut into so many parts, and x(s) in each of them: each has its own 10 % and 90 % levels."""


class _Travel(NamedTuple):
    """For one cell of s and x(s): the mean rate, the instant of 90 %, and the bounds of s; infinite: not by the end.

    Attributes:
        in_time: the least mean rate of those who arrive in time; infinite: nobody can.
    """

    rate: Bounds
    arrived: Bounds
    s: Bounds
    in_time: float


class _Bound(NamedTuple):
    """One bound of the envelope as arrays, mirrored where the travel goes down."""

    t0: Floats
    y0: Floats
    t1: Floats
    y1: Floats

    def first_at(self, level: float, from_s: float) -> float:
        """Return the first instant from `from_s` on at which a level is met; infinite without one."""
        meets = ((self.y0 >= level) | (self.y1 >= level)) & (self.t1 >= from_s)
        for i in meets.nonzero()[0].tolist():
            t0, y0, t1, y1 = float(self.t0[i]), float(self.y0[i]), float(self.t1[i]), float(self.y1[i])
            span = at_least(t0, y0, t1, y1, level)
            if span is not None and span[1] >= from_s:
                return max(from_s, span[0])
        return INF

    def last_at(self, level: float) -> float:
        """Return the last instant at which a level is met; -inf without one."""
        meets = ((self.y0 >= level) | (self.y1 >= level)).nonzero()[0]
        if not len(meets):
            return -INF
        t0, y0, t1, y1 = (float(x[meets[-1]]) for x in self)
        span = at_least(t0, y0, t1, y1, level)
        return span[1] if span is not None else -INF


@final
class TravelDecider(Decider):
    """0.8 |target - x(s)| / (t90 - t10) within its tolerance, and t90 in time; downward travel is mirrored.

    In a cell of s and of x(s), a level is met at the earliest where U is first at it not before the rate allows
    since the cell's earliest s; at the latest where L is since the cell's latest s. So the rate is between

        0.8 way / (t90 latest - t10 earliest)   and   0.8 way / max(t90 earliest - t10 latest, 0.8 way / rate)

    Whoever arrives in time does so by the last instant at which U is at 90 % at all: that is another least rate.

    Pass: in all cells it must be as demanded. Fail: in none it may, of those who arrive in time.
    """

    __slots__ = ("_frontier_s", "_rate", "_start_high", "_start_low", "_travels", "formula")

    def __init__(self, formula: MovesAtFormula, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self._rate = rate_per_s
        self._start_low, self._start_high = INF, -INF
        self._frontier_s = -INF
        self._travels: list[_Travel] = []

    @property
    def direction(self) -> int:
        """1 up, -1 down, 0 while the evidence leaves it open."""
        if INF in {-self._start_low, self._start_high}:  # nothing is known of where it stood
            return 0
        if self._start_high < self.formula.target - EPS:
            return 1
        return -1 if self._start_low > self.formula.target + EPS else 0

    def take(self, part: Piece) -> None:
        """Wait until 90 % of the way are surely made, then judge the rate."""
        self._frontier_s = part.t1
        if part.t0 <= self.s2 and (start := clip(part, self.s1, self.s2)) is not None:
            # The direction, and with it every level, is known once the whole stimulus window is.
            self._start_low = min(self._start_low, start.l0, start.l1)
            self._start_high = max(self._start_high, start.u0, start.u1)
        if part.t1 < self.s2 or not self.direction:
            return
        arrived = part.l1 >= self._level if self.direction > 0 else part.u1 <= self._level
        # Once is enough: these pieces are final and hold all of the way, and later ones change nothing of it.
        if arrived and not self._travels:
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
        over = self._frontier_s >= self.end_s - EPS_S and self.direction
        if self.verdict is None and over and not self._travels:
            self._judge()
        self.settle(passed=False)

    def _judge(self) -> None:
        formula = self.formula
        low, high = formula.rate - formula.tolerance - EPS, formula.rate + formula.tolerance + EPS
        self._travels = list(self._each_start())
        passes = fails = True
        for rate, arrived, s, in_time_rate in self._travels:
            in_time = arrived.high <= s.low + formula.within_s + EPS_S
            passes = passes and in_time and low <= rate.low and rate.high <= high
            too_late = arrived.low > s.high + formula.within_s + EPS_S
            fails = fails and (too_late or in_time_rate > high or rate.high < low)
        if fails or passes:
            self.verdict = Verdict.FAIL if fails else Verdict.PASS

    def _each_start(self) -> Iterator[_Travel]:
        import numpy as np  # noqa: PLC0415 - once a finding

        t0, l0, u0, t1, l1, u1 = self.pieces.columns()
        upward = self.direction > 0
        lower, upper = (
            (_Bound(t0, l0, t1, l1), _Bound(t0, u0, t1, u1))
            if upward
            else (_Bound(t0, -u0, t1, -u1), _Bound(t0, -l0, t1, -l1))
        )
        target = self.formula.target if upward else -self.formula.target
        per_unit_s = 1 / self._rate if self._rate else 0.0
        for s in self._instants():
            start = self._start(s)
            y = np.linspace(*(start if upward else (-start.high, -start.low)), _STARTS + 1).tolist()
            for low, high in pairwise(y):
                way = Bounds(target - high, target - low)
                met = []
                # What may be is eased: where both bounds meet a level, rounding must not leave the upper one below it.
                for share in (0.1, 0.9):
                    soonest_s = s.low + share * way.low * per_unit_s
                    met.append(upper.first_at(low + share * way.high - EPS, soonest_s))
                    met.append(lower.first_at(high + share * way.low, s.high))
                first10, last10, first90, last90 = met
                # Never quicker than the rate allows, however little the evidence says of the two instants.
                quickest_s = max(first90 - last10 if last10 < INF else 0.0, 0.8 * way.low * per_unit_s)
                slowest = 0.0 if last90 == INF else INF
                if first10 < last90 < INF:
                    slowest = 0.8 * way.low / (last90 - first10)
                fastest = 0.8 * way.high / quickest_s if quickest_s > 0 else INF
                end_s = min(last90, s.high + self.formula.within_s, upper.last_at(low + 0.9 * way.high - EPS))
                in_time = 0.8 * way.low / (end_s - first10) if end_s > first10 else INF
                rate = Bounds(min(slowest, fastest), fastest)
                yield _Travel(rate, Bounds(first90, last90), s, in_time)

    def _instants(self) -> Iterator[Bounds]:
        """Yield the parts of the stimulus window."""
        width_s = (self.s2 - self.s1) / _INSTANTS
        ends = [self.s1 + i * width_s for i in range(_INSTANTS)] if width_s else [self.s1]
        return (Bounds(*part) for part in pairwise((*ends, self.s2)))

    def _start(self, s: Bounds) -> Bounds:
        """Return the bounds of x(s) over a part of the stimulus window."""
        low, high = INF, -INF
        for piece in self.pieces:
            if piece.t0 > s.high:
                break
            if (part := clip(piece, *s)) is not None:
                low, high = min(low, part.l0, part.l1), max(high, part.u0, part.u1)
        return Bounds(low, high)

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
