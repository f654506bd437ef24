"""Deciders of how a signal moves from where it stood: unchanged, dead time, overshoot, reversal."""

from __future__ import annotations

from abc import abstractmethod
from collections import deque
from copy import copy
from typing import final

from bench.samples import Window
from harness.judge.decider import Decider, Measures, Readings, bounds_if_finite
from harness.judge.formulas import NeverReverses, OvershootsAtMost, StartsMoving, Unchanged
from harness.judge.robustness import agreeing
from harness.judge.spans import EPS, EPS_S, INF, Piece, Reading, at_least, at_most, clip
from harness.judge.track import Corners, Track
from harness.judge.verdict import Bounds, Verdict


class _Extremes(Decider):
    """Keeps what the formulas about x(s) need: x(s) itself, and the extremes afterwards.

    Attributes:
        start_low: lower bound of x over the stimulus window.
        start_high: upper bound of it.
        low: the least that x may be in [s1 + skip, s2 + span]; what it cannot reach before `skip` is left out.
        high: the greatest that x may be there.
        touched_low: x is certain to come down to this in [s2, s1 + span].
        touched_high: x is certain to come up to this there.
        frontier_s: how far the pieces have come, s.
    """

    __slots__ = (
        "_inner_end",
        "_skip_s",
        "_touched_s",
        "frontier_s",
        "high",
        "low",
        "start_high",
        "start_low",
        "touched_high",
        "touched_low",
    )

    def __init__(self, stimulus: Window, span_s: float, skip_s: float = 0.0) -> None:
        super().__init__(stimulus, max(0.0, span_s - EPS_S))
        self._inner_end = self.s1 + max(0.0, span_s - EPS_S)
        self._skip_s = skip_s
        self._touched_s = -INF  # the last instant of which the verdict knows
        self.frontier_s = -INF
        self.start_low, self.start_high = INF, -INF
        self.low, self.high = INF, -INF
        self.touched_low, self.touched_high = INF, -INF

    def take(self, part: Piece) -> None:
        """Widen the extremes, and see what follows."""
        self._widen(part)
        self._touched_s = max(self._touched_s, part.t1)
        self._conclude()

    def fill_in(self, piece: Piece) -> Piece | None:
        """Widen the extremes for the numbers of the finding."""
        part = super().fill_in(piece)
        if part is not None:
            self._widen(part)
        return part

    def _widen(self, part: Piece) -> None:
        self.frontier_s = part.t1
        if part.t0 <= self.s2 and (start := clip(part, self.s1, self.s2)) is not None:
            self.start_low = min(self.start_low, start.l0, start.l1)
            self.start_high = max(self.start_high, start.u0, start.u1)
        if (outer := clip(part, self.s1 + self._skip_s, self.end_s)) is not None:
            self.low = min(self.low, outer.l0, outer.l1)
            self.high = max(self.high, outer.u0, outer.u1)
        if (inner := clip(part, self.s2, self._inner_end)) is not None:
            self.touched_low = min(self.touched_low, inner.u0, inner.u1)
            self.touched_high = max(self.touched_high, inner.l0, inner.l1)

    def reading(self, reading: Reading) -> None:
        """What was read inside the span was touched."""
        lo, hi, a, b, *_ = reading
        if self.verdict is None and a >= self.s2 and b <= self._inner_end:
            self.touched_low = min(self.touched_low, hi)
            self.touched_high = max(self.touched_high, lo)
            self._touched_s = max(self._touched_s, b)
            self._conclude()

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:
        """While even the extremes of all decide nothing."""
        if corners.t[0] < self.s1 + self._skip_s:
            return -INF
        trial = copy(self)
        trial.pieces = Track()
        trial.reading(readings.hull())
        trial.take(corners.hull())
        return self._inner_end if trial.verdict is None else -INF

    @property
    def start_known(self) -> bool:
        """Whether the envelope over the stimulus window is complete."""
        return self.frontier_s >= self.s2

    @abstractmethod
    def _conclude(self) -> None: ...


@final
class DriftDecider(_Extremes):
    """Unchanged, and its opposite: starts moving.

    That x stays within d of x(s) is possible exactly when some y in the bounds of x(s) is within d of
    everything that x is certain to touch; it is certain when no bound afterwards is further than d from a
    bound of x(s).
    """

    __slots__ = ("_by", "_moved_by_s", "_moves", "_rate", "formula")

    def __init__(self, formula: Unchanged | StartsMoving, stimulus: Window, rate_per_s: float | None) -> None:
        self._moves = isinstance(formula, StartsMoving)
        if isinstance(formula, StartsMoving):
            by, span = formula.by, formula.within_s
        else:
            by, span = formula.tolerance or 0.0, formula.for_s
        self._by, self._rate = by, rate_per_s
        super().__init__(stimulus, span, by / rate_per_s if rate_per_s else 0.0)
        self.formula = formula
        self._moved_by_s = INF

    def _sure_drift(self) -> float:
        """Return the least that the greatest distance from x(s) can be."""
        sure = max(0.0, (self.touched_high - self.touched_low) / 2)
        if self.start_known:
            sure = max(sure, self.touched_high - self.start_high, self.start_low - self.touched_low)
        return sure

    def _possible_drift(self) -> float:
        """Return the most that it can be."""
        if self.low > self.high:  # nothing beyond what the rate allows within the tolerance
            return self._by
        return max(0.0, self.high - self.start_low, self.start_high - self.low)

    def _conclude(self) -> None:
        if self._sure_drift() > self._by + EPS:
            self._moved_by_s = self._touched_s
            self.verdict = Verdict.PASS if self._moves else Verdict.FAIL

    def finish(self) -> None:
        """Unchanged if nothing can have been further away than allowed."""
        if self.verdict is None:
            covered = self.frontier_s >= self.end_s - EPS_S
            still = covered and self._possible_drift() <= self._by + EPS
            self.verdict = Verdict.INCONCLUSIVE
            if still:
                self.verdict = Verdict.FAIL if self._moves else Verdict.PASS

    def measures(self) -> Measures:
        """Robustness: what is left of the tolerance, or how far beyond it the signal moved."""
        worst, best = self._by - self._possible_drift(), self._by - self._sure_drift()
        if self._moves:
            worst, best = -best, -worst
        margin = agreeing(bounds_if_finite(min(worst, best), best), self.verdict)
        if not isinstance(self.formula, StartsMoving) or self.verdict is not Verdict.PASS:
            return Measures(margin)
        within, response = self.formula.within_s, self._response(self.formula.within_s)
        return Measures(margin, Bounds(within - response.high, within - response.low), response)

    def _response(self, within_s: float) -> Bounds:
        """Return when the signal can have left its position, and when it certainly had."""
        earliest, latest = INF, self._moved_by_s
        for t0, l0, u0, t1, l1, u1 in self.pieces if self.start_known else ():
            for span in (
                at_least(t0, u0, t1, u1, self.start_low + self._by),
                at_most(t0, l0, t1, l1, self.start_high - self._by),
            ):
                earliest = min(earliest, span[0] if span else INF)
            for span in (
                at_least(t0, l0, t1, l1, self.start_high + self._by),
                at_most(t0, u0, t1, u1, self.start_low - self._by),
            ):
                latest = min(latest, span[0] if span else INF)
        soonest = self._by / self._rate if self._rate else 0.0
        last = min(within_s, latest - self.s1)
        first = max(soonest, min(earliest, self.frontier_s) - self.s2) if self.start_known else soonest
        return Bounds(min(last, first), last)


@final
class OvershootDecider(_Extremes):
    """Never further beyond the target than allowed, seen from where the signal came."""

    __slots__ = ("formula",)

    def __init__(self, formula: OvershootsAtMost, stimulus: Window) -> None:
        super().__init__(stimulus, formula.for_s)
        self.formula = formula

    def _conclude(self) -> None:
        target, by = self.formula.target, self.formula.by + EPS
        if not self.start_known:
            return
        no_rise = self.start_low > target + EPS or self.touched_high > target + by
        no_fall = self.start_high < target - EPS or self.touched_low < target - by
        if no_rise and no_fall:
            self.verdict = Verdict.FAIL

    def finish(self) -> None:
        """Pass if no bound is too far beyond the target, whichever side the signal may have come from."""
        target, by = self.formula.target, self.formula.by + EPS
        rise_ok = self.start_low >= target or self.high <= target + by
        fall_ok = self.start_high <= target or self.low >= target - by
        self.settle(passed=self.frontier_s >= self.end_s - EPS_S and rise_ok and fall_ok)

    def measures(self) -> Measures:
        """Robustness: what is left of the allowance, where the direction is certain."""
        target, by = self.formula.target, self.formula.by
        if self.start_high <= target:
            worst, best = target + by - self.high, target + by - self.touched_high
        elif self.start_low >= target:
            worst, best = self.low - (target - by), self.touched_low - (target - by)
        else:
            return Measures()
        return Measures(agreeing(bounds_if_finite(worst, max(worst, best)), self.verdict))


@final
class ReversalDecider(Decider):
    """One way only: no fall, or no rise, of more than allowed."""

    __slots__ = (
        "_before",
        "_certain",
        "_corner",
        "_corners",
        "_delay_s",
        "_inner_end",
        "_possible",
        "_surely",
        "formula",
        "frontier_s",
    )

    def __init__(self, formula: NeverReverses, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(stimulus, max(0.0, formula.for_s - EPS_S))
        self.formula = formula
        self.frontier_s = -INF
        self._inner_end = self.s1 + max(0.0, formula.for_s - EPS_S)
        self._delay_s = formula.by / rate_per_s if rate_per_s else 0.0
        self._corners: deque[tuple[float, float, float]] = deque()  # t, lower, upper: not yet `delay` ago
        self._corner: tuple[float, float, float] | None = None  # the last one that is
        self._before = [INF, -INF]  # least lower and greatest upper bound until then
        self._surely = [-INF, INF]  # greatest lower and least upper bound so far
        self._possible = [0.0, 0.0]  # the greatest fall and rise that the evidence allows
        self._certain = [0.0, 0.0]  # and those that it proves

    def take(self, part: Piece) -> None:
        """Compare with the extremes before; within `delay` the rate allows no change of more than `by`."""
        t0, l0, u0, t1, l1, u1 = part
        self.frontier_s = t1
        if not self._corners:
            self._corners.append((t0, l0, u0))
        self._corners.append((t1, l1, u1))
        while self._corners and self._corners[0][0] + self._delay_s <= t1:
            self._corner = self._corners.popleft()
            self._compare(part, self._corner)
        if (
            self._corner is not None
            and self._corners
            and self._corner[1] > -INF
            and self._corners[0][1] > -INF
        ):
            (a, low_a, high_a), (b, low_b, high_b) = self._corner, self._corners[0]
            x = (t1 - self._delay_s - a) / (b - a)
            self._compare(
                part, (t1 - self._delay_s, low_a + (low_b - low_a) * x, high_a + (high_b - high_a) * x)
            )
        if (inner := clip(part, self.s2, self._inner_end)) is not None:
            surely = self._surely
            for low, high in ((inner.l0, inner.u0), (inner.l1, inner.u1)):
                surely[0], surely[1] = max(surely[0], low), min(surely[1], high)
                self._certain[0] = max(self._certain[0], surely[0] - high)
                self._certain[1] = max(self._certain[1], low - surely[1])
        if min(self._certain) > self.formula.by + EPS:
            self.verdict = Verdict.FAIL

    def _compare(self, part: Piece, corner: tuple[float, float, float]) -> None:
        """Compare the extremes up to a corner with the bounds `delay` later, which lie in `part`."""
        t, low, high = corner
        self._before[0], self._before[1] = min(self._before[0], low), max(self._before[1], high)
        later = clip(part, t + self._delay_s, part.t1)
        if later is not None:
            self._possible[0] = max(self._possible[0], self._before[1] - later.l0)
            self._possible[1] = max(self._possible[1], later.u0 - self._before[0])

    def reading(self, reading: Reading) -> None:
        """Readings say no more than the envelope: their windows may leave open which came first."""

    def finish(self) -> None:
        """Pass if one of the two directions is free of reversals for certain."""
        covered = self.frontier_s >= self.end_s - EPS_S
        self.settle(passed=covered and min(self._possible) <= self.formula.by + EPS)

    def measures(self) -> Measures:
        """Robustness: what is left of the allowance in the better direction."""
        by = self.formula.by
        worst, best = by - min(self._possible), by - min(self._certain)
        return Measures(agreeing(bounds_if_finite(worst, max(worst, best)), self.verdict))
