"""Deciders of formulas about a band: reaches, stays, returns."""

from __future__ import annotations

from typing import final

from bench.samples import Window
from harness.judge import robustness
from harness.judge.decider import Decider, Measures, bounds_if_finite
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
from harness.judge.verdict import Bounds, Verdict


class _Arrival:
    """For which instants s of the stimulus some t in [s + first, s + last] is certain to be in the band.

    A truth that cannot jump is in the band at some moment exactly when it is at or below the upper edge at some moment
    and at or above the lower edge at some moment; one that can jump must be seen in the band at one moment.
    """

    __slots__ = ("_continuous", "_first", "_high", "_last", "_low", "latest_s", "over", "sure", "under")

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


@final
class ReachesDecider(Decider):
    """Some t within the time, from which the band is held.

    Fail is exact: both bounds of the envelope change no faster than the truth can, so a trajectory that keeps the
    band over [t, t + hold] exists when and only when the envelope meets the band all that time. Pass demands, for each
    instant of the stimulus, one t that serves all trajectories; without a hold the arrival alone decides.
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
        self._arrival = (
            _Arrival(stimulus, Bounds(self._low, self._high), (0.0, self._within), continuous=continuous)
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
            self.verdict = Verdict.FAIL

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
            formula.within_s,
            formula.holds_s,
        )
        if self.verdict is not Verdict.PASS:
            return Measures(robustness.agreeing(margin, self.verdict))
        latest = self._arrival.latest_s if self._arrival is not None else self._response
        assert latest is not None
        blocked = self._no_start.spans
        earliest = blocked[0][1] if blocked and blocked[0][0] <= self.s1 else self.s1
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
        "_low",
        "_unsure_s",
        "_worst",
        "formula",
        "frontier_s",
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
        self.frontier_s = -INF

    def piece(self, piece: Piece) -> None:
        """Take the next piece; the common case, well inside the band and the span, is decided on its corners."""
        t0, l0, u0, t1, l1, u1 = piece
        lower, upper = (l0 if l0 <= l1 else l1), (u0 if u0 >= u1 else u1)
        if t0 < self.s1 or t1 > self.end_s or lower < self._low or upper > self._high:
            super().piece(piece)
            return
        if self.verdict is None:
            self.frontier_s = t1
            self._widen(lower, upper)
            self._improve(piece)

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
            self._break(out[0], out[1])

    def reading(self, reading: Reading) -> None:
        """One reading surely outside the band breaks it, if it surely lies in the span."""
        lo, hi, a, b, *_ = reading
        if self.verdict is None and (hi < self._low or lo > self._high) and b <= self.end_s:
            self._break(b, a)
            if a >= self.s2 and b <= self.s1 + self.span_s:
                self._best = min(self._best, hi - (self._low + EPS), self._high - EPS - lo)
                self.seen_low, self.seen_high = min(self.seen_low, lo), max(self.seen_high, hi)

    def _break(self, by_s: float, from_s: float) -> None:
        if self._broken.add(by_s - self.span_s, from_s):
            self.verdict = Verdict.FAIL

    def end_at(self, t_s: float) -> None:
        """The condition ended at the earliest at `t_s`: judge up to there."""
        self.end_s = min(self.end_s, t_s)

    def finish(self) -> None:
        """Pass if no moment was unsure."""
        kept = self.frontier_s >= self.end_s - EPS_S and self._unsure_s >= self.end_s
        self.settle(passed=kept or self.end_s < self.s1)

    def measures(self) -> Measures:
        """Robustness: the least distance from the band's edges."""
        low, high = self._worst, max(self._best, self._worst)
        if high == INF and self.verdict is Verdict.FAIL:
            high = -EPS
        return Measures(robustness.agreeing(bounds_if_finite(low, high), self.verdict))


@final
class ReturnsDecider(Decider):
    """Out of the band before one moment, in it by another."""

    __slots__ = (
        "_absent",
        "_arrival",
        "_early",
        "_early_until_s",
        "_high",
        "_low",
        "_outside",
        "_run",
        "formula",
    )

    def __init__(self, formula: Returns, stimulus: Window, *, continuous: bool) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self._low = formula.target - formula.tolerance - EPS
        self._high = formula.target + formula.tolerance + EPS
        band = Bounds(self._low, self._high)
        first, last = max(0.0, formula.not_before_s - EPS_S), formula.within_s + EPS_S
        self._arrival = _Arrival(stimulus, band, (first, last), continuous=continuous)
        self._early = _Arrival(stimulus, band, (0.0, formula.not_before_s - EPS_S), continuous=continuous)
        self._outside = True  # surely outside in all of [s1, s2 + not_before) so far
        self._early_until_s = self.s2 + formula.not_before_s - EPS_S
        self._absent = Cover(self.s1, self.s2)  # for these s it surely did not come in time
        self._run: tuple[float, float] | None = None

    def take(self, part: Piece) -> None:
        """Follow arrivals before and after the earliest moment allowed."""
        formula = self.formula
        t0, l0, u0, t1, l1, u1 = part
        maybe = both(at_least(t0, u0, t1, u1, self._low), at_most(t0, l0, t1, l1, self._high))
        if maybe is not None and maybe[0] < self._early_until_s:
            self._outside = False
        for out in surely_out(part, self._low, self._high):
            run = self._run
            start = run[0] if run is not None and run[1] == out[0] else out[0]
            self._run = (start, out[1])
            self._absent.add(start - formula.not_before_s, out[1] - formula.within_s - EPS_S)
        if formula.not_before_s > 0 and self._early.take(part):
            self.verdict = Verdict.FAIL
        elif self._arrival.take(part):
            self._pass_if_outside(part.t1)

    def reading(self, reading: Reading) -> None:
        """One reading in the band is an arrival, early or in time."""
        if self.verdict is not None:
            return
        if self.formula.not_before_s > 0 and self._early.reading(reading):
            self.verdict = Verdict.FAIL
        else:
            self._arrival.reading(reading)

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
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness of both halves, and when the band was reached."""
        formula = self.formula
        margin = robustness.returns(
            self.pieces,
            formula.target,
            formula.tolerance,
            (self.s1, self.s2),
            formula.not_before_s,
            formula.within_s,
        )
        margin = robustness.agreeing(margin, self.verdict)
        if self.verdict is not Verdict.PASS or self._arrival.latest_s is None:
            return Measures(margin)
        possible = robustness.first_possible(self.pieces, self._low, self._high)
        earliest = max(0.0, (self.s1 if possible is None else possible) - self.s2)
        response = Bounds(earliest, max(earliest, min(self._arrival.latest_s - self.s1, formula.within_s)))
        slack = Bounds(formula.within_s - response.high, formula.within_s - response.low)
        return Measures(margin, slack, response)
