"""Deciders of how a signal moves from where it stood: unchanged, dead time, overshoot, reversal."""

from __future__ import annotations

from abc import abstractmethod
from copy import copy
from itertools import pairwise
from typing import Final, final

from ventproof.deciders.base import Decider, Measures, Readings, bounds_if_finite
from ventproof.deciders.extremes import Extremes, meet, somewhere
from ventproof.deciders.formulas import (
    NeverReversesFormula,
    OvershootsAtMostFormula,
    StartsMovingFormula,
    UnchangedFormula,
)
from ventproof.deciders.robustness import agreeing
from ventproof.deciders.turns import Turns
from ventproof.envelope.spans import (
    EPS,
    EPS_S,
    INF,
    Corners,
    Piece,
    Reading,
    Span,
    Track,
    at_least,
    at_most,
    clip,
)
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window

_PARTS: Final = 8
"""The stimulus window is cut into so many parts where one is not enough."""


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
        "_by",
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

    def __init__(self, stimulus: Window, span_s: float, rate_per_s: float | None, by: float) -> None:
        # Shorter by EPS_S: rounding must not draw in what comes at the very end.
        self._span_s = max(0.0, span_s - EPS_S)
        super().__init__(stimulus, self._span_s)
        self._inner_end = self.s1 + self._span_s
        self._rate = rate_per_s
        self._by = by
        self._skip_s = by / rate_per_s if rate_per_s else 0.0
        self._read = Reading(
            -INF, INF, self.s2, self._inner_end
        )  # the extremes of what was read inside the span
        self.touches: list[Reading] = []
        self._touched_s = -INF  # the last instant of which the verdict knows
        self.frontier_s = -INF
        self.start_low, self.start_high = INF, -INF
        self.low, self.high = INF, -INF
        self.touched_low, self.touched_high = INF, -INF

    def take(self, part: Piece) -> None:
        """Widen the extremes, and see what follows."""
        if part.t0 <= self.s2 or part.t0 < self.s1 + self._skip_s or part.t1 > self._inner_end:
            self._widen(part)
            self._touched_s = max(self._touched_s, part.t1)
            self._conclude()
            return
        # The common case, inside all spans; min() and max() cost three times as much.
        _, l0, u0, _, l1, u1 = part
        self.frontier_s = part.t1
        lower, highest = (l0, l1) if l0 < l1 else (l1, l0)
        lowest, upper = (u0, u1) if u0 < u1 else (u1, u0)
        self.low = min(self.low, lower)
        self.high = max(self.high, upper)
        if highest > self.touched_high or lowest < self.touched_low:
            # Only what widens the certain extremes can bring a verdict before the end.
            self.touched_high, self.touched_low = (
                max(self.touched_high, highest),
                min(self.touched_low, lowest),
            )
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
            if lo > self._read.lo or hi < self._read.hi:
                self._read = self._read._replace(lo=max(self._read.lo, lo), hi=min(self._read.hi, hi))
                self.touched_low, self.touched_high = min(self.touched_low, hi), max(self.touched_high, lo)
                self._touched_s = max(self._touched_s, b)
                self._conclude()
        elif b > self.s1 and a < self.end_s:
            self.touches.append(reading)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:
        """While even the extremes of all decide nothing."""
        if corners.t[0] < self.s1 + self._skip_s:
            return -INF
        trial = copy(self)
        # The copy is shallow: what the trial takes must not end up in the original's lists.
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
            # What was read inside the span of every s counts as one reading: nothing is lost of it for any s.
            touches = (*self.touches, self._read) if self._read.lo > -INF else self.touches
            spans, window = ((0.0, self._span_s), (self._skip_s, self._span_s)), Window(self.s1, self.s2)
            four = Extremes(self.pieces, touches, window, spans, self._rate, self._by)
            if not self._can_hold(four, spans[0]):
                self.verdict = self._if_broken
            # A span shorter than the rate needs to leave `by` cannot be broken.
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

    Can hold: for some s, least_start <= most_start. Can break: for some s, most_max - L(s) > by or
    U(s) - least_min > by, both over [by / rate, F].
    """

    __slots__ = ("_if_broken", "_if_held", "_moved_by_s", "_moves", "formula")

    def __init__(
        self, formula: UnchangedFormula | StartsMovingFormula, stimulus: Window, rate_per_s: float | None
    ) -> None:
        self._moves = isinstance(formula, StartsMovingFormula)
        if isinstance(formula, StartsMovingFormula):
            by, span = formula.by, formula.within_s
            self._if_held, self._if_broken = Verdict.FAIL, Verdict.PASS
        else:
            by, span = formula.tolerance or 0.0, formula.for_s
            self._if_held, self._if_broken = Verdict.PASS, Verdict.FAIL
        super().__init__(stimulus, span, rate_per_s, by)
        self.formula = formula
        self._moved_by_s = INF

    def _can_hold(self, four: Extremes, span: Span) -> bool:
        return meet(four.least_start(span), four.most_start(span), 2 * EPS)

    def _can_break(self, four: Extremes, span: Span) -> bool:
        by = self._by + EPS
        up, down = four.most_max(span) > four.low() + by, four.least_min(span) < four.high() - by
        return bool(up.any() or down.any())

    def _sure_drift(self) -> float:
        """Return the least that the greatest distance from x(s) can be, for the s of the least."""
        # Wherever x(s) was, one of the two extremes is half of their distance away from it.
        sure = max(0.0, (self.touched_high - self.touched_low) / 2)
        if self.start_known:
            sure = max(sure, self.touched_high - self.start_high, self.start_low - self.touched_low)
        return sure

    def _possible_drift(self) -> float:
        """Return the most that it can be."""
        # What comes before `skip` is within `by` of x(s), whatever the bounds there.
        early = max(0.0, self.seen_high - self.start_low, self.start_high - self.seen_low)
        return max(self.high - self.start_low, self.start_high - self.low, min(self._by, early))

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
        if not isinstance(self.formula, StartsMovingFormula) or self.verdict is not Verdict.PASS:
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

    def __init__(self, formula: OvershootsAtMostFormula, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(stimulus, formula.for_s, rate_per_s, formula.by)
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
            # The least of the parts counts in `under`, the greatest in `over`: one that goes beyond is enough.
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
        # What comes before `skip` is within `by` of x(s), whatever the bounds there.
        if self.start_high <= target:
            worst = min(target + by - self.high, max(0.0, target + by - self.seen_high))
            best = target + by - self.touched_high
        elif self.start_low >= target:
            worst = min(self.low - (target - by), max(0.0, self.seen_low - (target - by)))
            best = self.touched_low - (target - by)
        else:
            return Measures()
        return Measures(agreeing(bounds_if_finite(worst, max(worst, best)), self.verdict))


@final
class ReversalDecider(Decider):
    """Never a fall of more than by and a rise of more than by, both in [s, s + F].

    Can break: at some m, min(max U over [s, m - delay], max U over [m + delay, s + F]) - L(m) > by, or mirrored, with
    delay = by / rate: then a fall and a rise fit one course. Cannot hold: a certain fall (the greatest L so far, or lo
    of a reading over, minus U, or minus hi of one beginning) and a certain rise both exceed by. The stimulus window is
    judged as a whole if that is enough, else in parts: in the widest span of each for what can break, in the narrowest
    for what can hold.
    """

    __slots__ = ("_certain", "_delay_s", "_inner_end", "_read", "_span_s", "_surely", "formula", "frontier_s")

    def __init__(self, formula: NeverReversesFormula, stimulus: Window, rate_per_s: float | None) -> None:
        self._span_s = max(0.0, formula.for_s - EPS_S)
        super().__init__(stimulus, self._span_s)
        self.formula = formula
        self.frontier_s = -INF
        self._inner_end = self.s1 + self._span_s
        self._delay_s = formula.by / rate_per_s if rate_per_s else 0.0
        self._surely = [
            -INF,
            INF,
        ]  # greatest lower and least upper bound so far, in the span that all s share
        self._certain = [0.0, 0.0]  # the greatest fall and rise that these prove
        self._read: list[Reading | Readings] = []

    def take(self, part: Piece) -> None:
        """Follow the falls and rises that are certain for every s."""
        self.frontier_s = part.t1
        if (inner := clip(part, self.s2, self._inner_end)) is not None:
            surely = self._surely
            for low, high in ((inner.l0, inner.u0), (inner.l1, inner.u1)):
                surely[0], surely[1] = max(surely[0], low), min(surely[1], high)
                self._certain[0] = max(self._certain[0], surely[0] - high)
                self._certain[1] = max(self._certain[1], low - surely[1])
        if min(self._certain) > self.formula.by + EPS:
            self.verdict = Verdict.FAIL

    def reading(self, reading: Reading) -> None:
        """Keep it: it is compared when the span is over."""
        if reading.b > self.s1 and reading.a < self.end_s:
            self._read.append(reading)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While even the extremes of all prove no fall or no rise."""
        highest = max(self._surely[0], float(corners.low.max()))
        lowest = min(self._surely[1], float(corners.high.min()))
        fall = max(self._certain[0], highest - float(corners.high.min()))
        rise = max(self._certain[1], float(corners.low.max()) - lowest)
        return self._inner_end if min(fall, rise) <= self.formula.by else -INF

    def stretch(self, corners: Corners, readings: Readings) -> None:
        """Take pieces and readings that are calm."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        # The hull would not do here: a fall is a high before a low, and a hull has lost the order.
        self.pieces.extend(corners)
        self.note_seen(corners.hull())
        self.frontier_s = float(corners.t[-1])
        self._read.append(readings)
        highest = np.maximum(np.maximum.accumulate(corners.low), self._surely[0])
        lowest = np.minimum(np.minimum.accumulate(corners.high), self._surely[1])
        self._surely = [float(highest[-1]), float(lowest[-1])]
        self._certain[0] = max(self._certain[0], float((highest - corners.high).max()))
        self._certain[1] = max(self._certain[1], float((corners.low - lowest).max()))

    def finish(self) -> None:
        """The span is over: fail if it can hold for no s, pass if it can break for none."""
        if self.verdict is None and self.frontier_s >= self.end_s - EPS_S:
            by, course = self.formula.by + EPS, Turns(self.pieces, self._read)
            parts = 1
            if self.s2 > self.s1 and course.may_turn((self.s1, self.end_s), self._delay_s) > by:
                parts = _PARTS
            ends = [self.s1 + (self.s2 - self.s1) * i / parts for i in range(parts)]
            spans = list(pairwise((*ends, self.s2)))
            if all(course.must_turn((latest, earliest + self._span_s)) > by for earliest, latest in spans):
                self.verdict = Verdict.FAIL
            elif all(
                course.may_turn((earliest, latest + self._span_s), self._delay_s) <= by
                for earliest, latest in spans
            ):
                self.verdict = Verdict.PASS
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness: what is left of the allowance in the better direction."""
        course, span = Turns(self.pieces, ()), (self.s1, min(self.frontier_s, self.end_s))
        # What turns sooner than after `delay` turns by no more than `by`.
        worst = self.formula.by - max(
            course.may_turn(span, self._delay_s), min(self.formula.by, course.may_turn(span, 0.0))
        )
        best = self.formula.by - min(self._certain)
        return Measures(agreeing(bounds_if_finite(worst, max(worst, best)), self.verdict))
