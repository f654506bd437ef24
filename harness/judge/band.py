"""Deciders of formulas about a band: reaches, stays, returns."""

from __future__ import annotations

from typing import final

from bench.samples import Window
from harness.judge import robustness
from harness.judge.arrival import Arrival
from harness.judge.decider import Decider, Measures, Readings, bounds_if_finite
from harness.judge.formulas import Reaches, Returns, Stays
from harness.judge.spans import (
    EPS,
    EPS_S,
    INF,
    Cover,
    Piece,
    Reading,
    at_least,
    at_most,
    both,
    clip,
    surely_in,
    surely_out,
)
from harness.judge.track import Corners, side
from harness.judge.verdict import Bounds, Verdict


@final
class ReachesDecider(Decider):
    """Some t within the time, from which the band is held.

    Fail is exact: both bounds of the envelope change no faster than the truth can, so a trajectory that
    keeps the band over [t, t + hold] exists when and only when the envelope meets the band all that time.
    Pass demands, for each instant of the stimulus, one t that serves all trajectories; without a hold the
    arrival alone decides.
    """

    __slots__ = (
        "_arrival",
        "_good",
        "_high",
        "_hold",
        "_low",
        "_no_start",
        "_response",
        "_run",
        "_within",
        "broken_by",
        "formula",
    )

    def __init__(self, formula: Reaches, stimulus: Window, *, continuous: bool) -> None:
        super().__init__(stimulus, formula.within_s + formula.holds_s)
        self.formula = formula
        self._low = formula.target - formula.tolerance - EPS
        self._high = formula.target + formula.tolerance + EPS
        self._within = formula.within_s + EPS_S
        self._hold = max(0.0, formula.holds_s - EPS_S)
        self._no_start = Cover(self.s1, self.s2 + self._within)
        self._good = Cover(self.s1, self.s2)
        self._run: tuple[float, float] | None = None
        self._response: float | None = None
        self.broken_by: Reading | None = None  # the reading that left no hold possible, ahead of the pieces
        self._arrival = (
            Arrival(stimulus, Bounds(self._low, self._high), (0.0, self._within), continuous=continuous)
            if not self._hold
            else None
        )

    def take(self, part: Piece) -> None:
        """Follow the spans that are surely in the band, and those that are surely out of it."""
        if self._arrival is not None:
            if self._arrival.take(part):
                self.verdict = Verdict.PASS
        elif (sure := surely_in(part, self._low, self._high)) is not None:
            run = self._run
            start = run[0] if run is not None and run[1] == sure[0] else sure[0]
            self._run = (start, sure[1])
            if sure[1] - start >= self._hold:
                if self._response is None:
                    self._response = start
                if self._good.add(start - self._within, sure[1] - self._hold):
                    self.verdict = Verdict.PASS
        for out in surely_out(part, self._low, self._high):
            if self._no_start.add(out[0] - self._hold, out[1]):
                self.verdict = Verdict.FAIL

    def reading(self, reading: Reading) -> None:
        """One reading in the band is an arrival; one outside breaks every hold that would span it."""
        if self.verdict is not None:
            return
        lo, hi, a, b, *_ = reading
        if self._arrival is not None and self._arrival.reading(reading):
            self.verdict = Verdict.PASS
        elif (hi < self._low or lo > self._high) and self._no_start.add(b - self._hold, a):
            self.verdict, self.broken_by = Verdict.FAIL, reading

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps to one side of the band, or in it for less than the hold."""
        where, until_s = side(corners, self._low, self._high)
        if where == 0 and self._arrival is None:
            t0, run = float(corners.t[0]), self._run
            start = run[0] if run is not None and run[1] == t0 else t0
            return min(until_s, start + self._hold - EPS_S)
        if where == 0:
            return -INF
        steady_s = self._arrival.steady_until_s(where) if self._arrival is not None else INF
        return min(until_s, steady_s, self.s2 + self._within - EPS_S)

    def finish(self) -> None:
        """Nothing more will come."""
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness of the formula, and when the band was reached."""
        formula = self.formula
        margin = robustness.reaches(
            self.pieces,
            formula.target,
            formula.tolerance,
            (self.s1, self.s2),
            within_s=formula.within_s,
            hold_s=formula.holds_s,
            cut_off=self.verdict is Verdict.FAIL,
        )
        if self.verdict is not Verdict.PASS:
            return Measures(robustness.agreeing(margin, self.verdict))
        if self._arrival is not None and self._arrival.depth > -INF:
            low = max(self._arrival.depth, margin.low if margin else -INF)
            margin = Bounds(low, max(low, margin.high if margin else low))
        latest = self._arrival.latest_s if self._arrival is not None else self._response
        assert latest is not None
        if self._hold:
            blocked = self._no_start.spans
            earliest = blocked[0][1] if blocked and blocked[0][0] <= self.s1 else self.s1
        else:
            earliest = robustness.first_possible(self.pieces, self._low, self._high)
        response = Bounds(max(0.0, earliest - self.s2), max(0.0, min(latest - self.s1, formula.within_s)))
        slack = Bounds(formula.within_s - response.high, formula.within_s - response.low)
        return Measures(robustness.agreeing(margin, self.verdict), slack, response)


@final
class StaysDecider(Decider):
    """The band is kept all the time. Memory does not grow with the span: it may last the whole run."""

    __slots__ = (
        "_best",
        "_broken",
        "_high",
        "_least_out",
        "_low",
        "_unsure_s",
        "_worst",
        "formula",
        "frontier_s",
        "left",
        "span_s",
    )

    def __init__(self, formula: Stays, stimulus: Window) -> None:
        span = INF if formula.for_s is None else max(0.0, formula.for_s - EPS_S)
        super().__init__(stimulus, span)
        self.formula = formula
        self.span_s = span
        self._low = -INF if formula.low is None else formula.low - EPS
        self._high = INF if formula.high is None else formula.high + EPS
        self._broken = Cover(self.s1, self.s2)
        self._unsure_s = INF  # first moment that is not surely in the band
        self._worst = INF
        self._best = INF
        # Robustness at the shallowest of the breaks: none of them need be the only one.
        self._least_out = -INF
        self.frontier_s = -INF
        # When it was first surely outside, and the bounds there.
        self.left: tuple[float, float, float] | None = None

    def piece(self, piece: Piece) -> None:
        """Take the next piece; the common case, well inside band and span, is decided on its corners."""
        t0, l0, u0, t1, l1, u1 = piece
        # min() and max() cost three times as much, on every piece of a run.
        lower = l0 if l0 <= l1 else l1  # noqa: FURB136 - see above
        upper = u0 if u0 >= u1 else u1  # noqa: FURB136 - see above
        if t0 < self.s1 or t1 > self.end_s or lower < self._low or upper > self._high:
            super().piece(piece)
            return
        if self.verdict is None:
            self.frontier_s = t1
            self._widen(lower, upper)
            self._improve(piece)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps inside."""
        inside = (corners.low >= self._low) & (corners.high <= self._high)
        return min(corners.lead_s(inside), self.s1 + self.span_s)

    def stretch(self, corners: Corners, readings: Readings) -> None:  # noqa: ARG002 - as above
        """Take pieces inside; readings inside say nothing."""
        self.piece(corners.hull())

    def _widen(self, lower: float, upper: float) -> None:
        if lower < self.seen_low:
            self.seen_low = lower
            self._worst = min(self._worst, lower - (self._low + EPS))
        if upper > self.seen_high:
            self.seen_high = upper
            self._worst = min(self._worst, self._high - EPS - upper)

    def _improve(self, part: Piece) -> None:
        if part.t0 >= self.s2 and part.t1 <= self.s1 + self.span_s:
            _, l0, u0, _, l1, u1 = part
            low, high = self._low + EPS, self._high - EPS
            self._best = min(self._best, u0 - low, u1 - low, high - l0, high - l1, (high - low) / 2)

    def take(self, part: Piece) -> None:
        """Note where the band is not sure, and where it is surely left."""
        self.pieces.clear()
        t0, l0, u0, t1, l1, u1 = part
        self.frontier_s = t1
        self._worst = min(self._worst, min(l0, l1) - (self._low + EPS), self._high - EPS - max(u0, u1))
        inner = clip(part, self.s2, self.s1 + self.span_s)
        if inner is not None:
            self._improve(inner)
        sure = surely_in(part, self._low, self._high)
        if sure != (t0, t1):
            self._unsure_s = min(self._unsure_s, t0 if sure is None or sure[0] > t0 else sure[1])
        for out in surely_out(part, self._low, self._high):
            at = clip(part, out[1], out[1])
            if self.left is None and at is not None:
                self.left = (out[1], at.l0, at.u0)
            ends = (clip(part, t, t) for t in out)
            self._break(*out, depth=min(self._most(end.l0, end.u0) for end in ends if end is not None))

    def reading(self, reading: Reading) -> None:
        """One reading surely outside the band breaks it, if it surely lies in the span."""
        lo, hi, a, b, *_ = reading
        if self.verdict is None and (hi < self._low or lo > self._high) and b <= self.end_s:
            if a >= self.s1:
                self.left = self.left or (b, lo, hi)
                self._worst = min(self._worst, lo - (self._low + EPS), self._high - EPS - hi)
            self._break(b, a, depth=self._most(lo, hi))
            if a >= self.s2 and b <= self.s1 + self.span_s:
                self._best = min(self._best, self._most(lo, hi))
                self.seen_low, self.seen_high = min(self.seen_low, lo), max(self.seen_high, hi)

    def _most(self, lower: float, upper: float) -> float:
        """Return the greatest robustness of a value between two bounds."""
        return min(upper - (self._low + EPS), self._high - EPS - lower)

    def _break(self, by_s: float, from_s: float, depth: float) -> None:
        if from_s >= self.s1:
            self._least_out = max(self._least_out, depth)
        if self._broken.add(by_s - self.span_s, from_s):
            self.verdict = Verdict.FAIL

    def end_at(self, t_s: float) -> None:
        """The condition ended at the earliest at `t_s`: judge up to there."""
        self.end_s = min(self.end_s, t_s)

    def fill_in(self, piece: Piece) -> None:
        """What came after the verdict does not count."""

    def finish(self) -> None:
        """Pass if no moment was unsure."""
        kept = self.frontier_s >= self.end_s - EPS_S and self._unsure_s >= self.end_s
        self.settle(passed=kept or self.end_s < self.s1)

    def measures(self) -> Measures:
        """Robustness: the least distance from the band's edges."""
        best = min(self._best, self._least_out) if self.verdict is Verdict.FAIL else self._best
        low, high = self._worst, max(best, self._worst)
        return Measures(robustness.agreeing(bounds_if_finite(low, high), self.verdict))


@final
class ReturnsDecider(Decider):
    """Out of the band before one moment, in it by another."""

    __slots__ = (
        "_absent",
        "_arrival",
        "_core",
        "_early",
        "_early_until_s",
        "_high",
        "_low",
        "_outside",
        "_run",
        "formula",
        "too_early",
    )

    def __init__(self, formula: Returns, stimulus: Window, *, continuous: bool) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self._low = formula.target - formula.tolerance - EPS
        self._high = formula.target + formula.tolerance + EPS
        band = Bounds(self._low, self._high)
        first, last = max(0.0, formula.not_before_s - EPS_S), formula.within_s + EPS_S
        self._arrival = Arrival(stimulus, band, (first, last), continuous=continuous)
        # A value on the band's edge passes as outside too: the limit belongs to the pass on either side.
        self._core = Bounds(self._low + 2 * EPS, self._high - 2 * EPS)
        self._early = Arrival(
            stimulus, self._core, (0.0, formula.not_before_s - EPS_S), continuous=continuous
        )
        self._outside = True  # surely outside in all of [s1, s2 + not_before) so far
        self._early_until_s = self.s2 + formula.not_before_s - EPS_S
        self._absent = Cover(self.s1, self.s2)  # for these s it surely did not come in time
        self._run: tuple[float, float] | None = None
        self.too_early = False

    def take(self, part: Piece) -> None:
        """Follow arrivals before and after the earliest moment allowed."""
        formula = self.formula
        t0, l0, u0, t1, l1, u1 = part
        maybe = both(at_least(t0, u0, t1, u1, self._core.low), at_most(t0, l0, t1, l1, self._core.high))
        if maybe is not None and maybe[0] < self._early_until_s:
            self._outside = False
        for out in surely_out(part, self._low, self._high):
            run = self._run
            start = run[0] if run is not None and run[1] == out[0] else out[0]
            self._run = (start, out[1])
            self._absent.add(start - formula.not_before_s, out[1] - formula.within_s - EPS_S)
        if formula.not_before_s > 0 and self._early.take(part):
            self.verdict, self.too_early = Verdict.FAIL, True
        elif self._arrival.take(part):
            self._pass_if_outside(part.t1)

    def reading(self, reading: Reading) -> None:
        """One reading in the band is an arrival, early or in time."""
        if self.verdict is not None:
            return
        if self.formula.not_before_s > 0 and self._early.reading(reading):
            self.verdict, self.too_early = Verdict.FAIL, True
        else:
            self._arrival.reading(reading)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps to one side of the band, and has not been on both."""
        where, until_s = side(corners, self._low, self._high)
        if where == 0 or self._arrival.certain:
            return -INF
        steady_s = self._arrival.steady_until_s(where)
        if self.formula.not_before_s > 0:
            steady_s = min(steady_s, self._early.steady_until_s(where))
        return min(until_s, steady_s)

    def _pass_if_outside(self, frontier_s: float) -> None:
        if self._outside and frontier_s >= self._early_until_s:
            self.verdict = Verdict.PASS

    def finish(self) -> None:
        """For each instant of the stimulus: was it early for certain, or absent for certain?"""
        if self.verdict is not None:
            return
        failed = Cover(self.s1, self.s2)
        for span in (
            *self._absent.spans,
            *self._early.sure.spans,
            *self._early.under.shared_with(self._early.over),
        ):
            failed.add(*span)
        if failed.complete:
            self.verdict = Verdict.FAIL
            self.too_early = not self._absent.complete
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness of both halves, and when the band was reached."""
        formula = self.formula
        margin = robustness.returns(
            self.pieces,
            formula.target,
            formula.tolerance,
            (self.s1, self.s2),
            not_before_s=formula.not_before_s,
            within_s=formula.within_s,
        )
        margin = robustness.agreeing(margin, self.verdict)
        if self.verdict is not Verdict.PASS:
            return Measures(margin)
        earliest = robustness.first_possible(self.pieces, self._low, self._high)
        earliest = max(formula.not_before_s, earliest - self.s2)
        latest = min(self._arrival.latest_s - self.s1, formula.within_s)
        response = Bounds(earliest, max(earliest, latest))
        slack = Bounds(formula.within_s - response.high, formula.within_s - response.low)
        return Measures(margin, slack, response)
