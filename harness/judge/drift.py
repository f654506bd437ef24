"""Deciders of how a signal moves from where it stood: unchanged, dead time, overshoot, reversal."""

from __future__ import annotations

from abc import abstractmethod
from collections import deque
from copy import copy
from typing import final

from bench.samples import Window
from harness.judge.decider import Decider, Measures, Readings, bounds_if_finite
from harness.judge.extremes import Extremes, Span, somewhere
from harness.judge.formulas import NeverReverses, OvershootsAtMost, StartsMoving, Unchanged
from harness.judge.robustness import agreeing
from harness.judge.spans import EPS, EPS_S, INF, Piece, Reading, at_least, at_most, clip
from harness.judge.track import Corners, Track
from harness.judge.verdict import Bounds, Verdict


class _FromStart(Decider):
    """Keeps what the formulas about x(s) need: the evidence, and the extremes over what all s share.

    The extremes give the numbers of a finding, and early verdicts; when the span is over, the verdict is made of the
    extremes as functions of s (`Extremes`).

    Attributes:
        start_low: lower bound of x over the stimulus window.
        start_high: upper bound of it.
        low: the least that x may be in [s1 + skip, s2 + span]; what it cannot reach before `skip` is left out.
        high: the greatest that x may be there.
        touched_low: x is certain to come down to this in [s2, s1 + span].
        touched_high: x is certain to come up to this there.
        touches: readings that lie only partly in the span of some s.
        frontier_s: how far the pieces have come, s.
    """

    __slots__ = (
        "_inner_end",
        "_rate",
        "_read",
        "_skip_s",
        "_span_s",
        "_touched_s",
        "frontier_s",
        "high",
        "low",
        "start_high",
        "start_low",
        "touched_high",
        "touched_low",
        "touches",
    )

    def __init__(
        self, stimulus: Window, span_s: float, rate_per_s: float | None, skip_s: float = 0.0
    ) -> None:
        self._span_s = max(0.0, span_s - EPS_S)
        super().__init__(stimulus, self._span_s)
        self._inner_end = self.s1 + self._span_s
        self._rate = rate_per_s
        self._skip_s = skip_s
        self._read = Reading(-INF, INF, self.s2, self._inner_end)  # the extremes of what was read inside the span
        self.touches: list[Reading] = []
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
        if self.verdict is not None:
            return
        if a >= self.s2 and b <= self._inner_end:
            self.touched_low = min(self.touched_low, hi)
            self.touched_high = max(self.touched_high, lo)
            self._touched_s = max(self._touched_s, b)
            self._read = self._read._replace(lo=max(self._read.lo, lo), hi=min(self._read.hi, hi))
            self._conclude()
        elif b > self.s1 and a < self.end_s:
            self.touches.append(reading)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:
        """While even the extremes of all decide nothing."""
        if corners.t[0] < self.s1 + self._skip_s:
            return -INF
        trial = copy(self)
        trial.pieces, trial.touches = Track(), []
        trial.reading(readings.hull())
        trial.take(corners.hull())
        return self._inner_end if trial.verdict is None else -INF

    @property
    def start_known(self) -> bool:
        """Whether the envelope over the stimulus window is complete."""
        return self.frontier_s >= self.s2

    @abstractmethod
    def _conclude(self) -> None: ...

    def finish(self) -> None:
        """The span is over: fail if the formula can hold for no s, pass if it can break for none."""
        if self.verdict is None and self.frontier_s >= self.end_s - EPS_S:
            touches = (*self.touches, self._read) if self._read.lo > -INF else self.touches
            spans, window = ((0.0, self._span_s), (self._skip_s, self._span_s)), Window(self.s1, self.s2)
            four = Extremes(self.pieces, touches, window, spans, self._rate)
            if not self._can_hold(four, spans[0]):
                self.verdict = self._if_broken
            elif self._skip_s > self._span_s or not self._can_break(four, spans[1]):
                self.verdict = self._if_held
        self.settle(passed=False)

    _if_held, _if_broken = Verdict.PASS, Verdict.FAIL

    @abstractmethod
    def _can_hold(self, four: Extremes, span: Span) -> bool:
        """Return whether for some s some course is as demanded."""

    @abstractmethod
    def _can_break(self, four: Extremes, span: Span) -> bool:
        """Return whether for some s some course is not; `span` leaves out what the rate cannot do so soon."""


@final
class DriftDecider(_FromStart):
    """G[0,F] |x - x(s)| <= by; and F[0,F] |x - x(s)| > by, which is its opposite.

    Can hold: for some s, least_max - most_min <= 2 by, least_max - by <= U(s) and most_min + by >= L(s). Can break:
    most_max - L(s) > by or U(s) - least_min > by, both over [by / rate, F].
    """

    __slots__ = ("_by", "_if_broken", "_if_held", "_moved_by_s", "_moves", "formula")

    def __init__(self, formula: Unchanged | StartsMoving, stimulus: Window, rate_per_s: float | None) -> None:
        self._moves = isinstance(formula, StartsMoving)
        if isinstance(formula, StartsMoving):
            by, span = formula.by, formula.within_s
            self._if_held, self._if_broken = Verdict.FAIL, Verdict.PASS
        else:
            by, span = formula.tolerance or 0.0, formula.for_s
            self._if_held, self._if_broken = Verdict.PASS, Verdict.FAIL
        self._by = by
        super().__init__(stimulus, span, rate_per_s, by / rate_per_s if rate_per_s else 0.0)
        self.formula = formula
        self._moved_by_s = INF

    def _can_hold(self, four: Extremes, span: Span) -> bool:
        by, highest, lowest = self._by + EPS, four.least_max(span), four.most_min(span)
        apart = (highest[:, None] - lowest[None]).reshape(-1, *highest.shape[1:]) - 2 * by
        return somewhere(apart, highest - by - four.high(), four.low() - lowest - by)

    def _can_break(self, four: Extremes, span: Span) -> bool:
        by = self._by + EPS
        up, down = four.most_max(span) > four.low() + by, four.least_min(span) < four.high() - by
        return bool(up.any() or down.any())

    def _sure_drift(self) -> float:
        """Return the least that the greatest distance from x(s) can be, for the s of the least."""
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
class OvershootDecider(_FromStart):
    """x(s) <= X and G[0,F] x <= X + by, or x(s) >= X and G[0,F] x >= X - by.

    Can hold: for some s, L(s) <= X and least_max <= X + by, or mirrored. Can break: U(s) > X and least_min < X - by
    over [by / rate, F], or mirrored; from exactly X it must do both.
    """

    __slots__ = ("formula",)

    def __init__(self, formula: OvershootsAtMost, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(stimulus, formula.for_s, rate_per_s, formula.by / rate_per_s if rate_per_s else 0.0)
        self.formula = formula

    def _can_hold(self, four: Extremes, span: Span) -> bool:
        x, by = self.formula.target, self.formula.by
        rise = somewhere(four.low() - x - EPS, four.least_max(span) - (x + by) - EPS)
        return rise or somewhere(x - EPS - four.high(), (x - by) - EPS - four.most_min(span))

    def _can_break(self, four: Extremes, span: Span) -> bool:
        x, by = self.formula.target, self.formula.by
        above, below = x + EPS - four.high(), four.low() - x + EPS
        under, over = four.least_min(span) - (x - by) + EPS, (x + by) + EPS - four.most_max(span)
        return (
            any(somewhere(above, part[None]) for part in under)
            or any(somewhere(below, part[None]) for part in over)
            or any(somewhere(part[None], other[None]) for part in under for other in over)
        )

    def _conclude(self) -> None:
        target, by = self.formula.target, self.formula.by + EPS
        if not self.start_known:
            return
        no_rise = self.start_low > target + EPS or self.touched_high > target + by
        no_fall = self.start_high < target - EPS or self.touched_low < target - by
        if no_rise and no_fall:
            self.verdict = Verdict.FAIL

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
