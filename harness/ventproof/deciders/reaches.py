"""Deciders of a band that is reached, and of one that is reached and held."""

from __future__ import annotations

from typing import NamedTuple, final

from ventproof.deciders import robustness
from ventproof.deciders.band import Arrival
from ventproof.deciders.base import Decider, Measures, Readings
from ventproof.deciders.formulas import ReachesFormula
from ventproof.envelope.spans import (
    EPS,
    EPS_S,
    INF,
    Corners,
    Cover,
    Piece,
    Reading,
    at_least,
    at_most,
    side,
    surely_out,
)
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window


class _Reaches(Decider):
    """What a band that is only reached, and one that is also held, have in common: the numbers."""

    __slots__ = ("_high", "_low", "formula", "frontier_s")

    formula: ReachesFormula

    def __init__(self, formula: ReachesFormula, stimulus: Window) -> None:
        super().__init__(stimulus, formula.within_s + formula.holds_s)
        self.formula = formula
        # Widened by EPS, since the edges belong to the band and sums are rounded.
        self._low = formula.target - formula.tolerance - EPS
        self._high = formula.target + formula.tolerance + EPS
        self.frontier_s = -INF

    def _robustness(self) -> Bounds | None:
        formula = self.formula
        return robustness.reaches(
            self.pieces,
            formula.target,
            formula.tolerance,
            (self.s1, self.s2),
            within_s=formula.within_s,
            hold_s=formula.holds_s,
            cut_off=self.verdict is Verdict.FAIL,
        )

    def _passed(self, margin: Bounds | None, earliest_s: float, latest_s: float) -> Measures:
        """Return the numbers of a pass: the response began not before, and not after, two instants."""
        within_s = self.formula.within_s
        response = Bounds(max(0.0, earliest_s - self.s2), max(0.0, min(latest_s - self.s1, within_s)))
        slack = Bounds(within_s - response.high, within_s - response.low)
        return Measures(robustness.agreeing(margin, self.verdict), slack, response)


@final
class ReachesDecider(_Reaches):
    """F[0,T] x in the band.

    Pass: for all s it must be in the band in [s, s + T]. Fail: for no s it may.
    """

    __slots__ = ("_arrival",)

    def __init__(
        self, formula: ReachesFormula, stimulus: Window, rate_per_s: float | None, *, continuous: bool
    ) -> None:
        super().__init__(formula, stimulus)
        band, span = Bounds(self._low, self._high), (0.0, formula.within_s + EPS_S)
        self._arrival = Arrival(stimulus, band, span, rate_per_s, continuous=continuous)

    def take(self, part: Piece) -> None:
        """Follow where it may and must be in the band."""
        self.frontier_s = part.t1
        if self._arrival.take(part):
            self.verdict = Verdict.PASS

    def reading(self, reading: Reading) -> None:
        """One reading in the band is an arrival."""
        if self.verdict is None and self._arrival.reading(reading):
            self.verdict = Verdict.PASS

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps to one side of the band."""
        where, until_s = side(corners, self._low, self._high)
        return min(until_s, self._arrival.steady_until_s(where)) if where else -INF

    def finish(self) -> None:
        """Fail if it may be in the band for no s."""
        # Only when the envelope has come to the end: the arrival may lie in what was not seen.
        if self.verdict is None and self.frontier_s >= self.end_s - EPS_S and not self._arrival.may.spans:
            self.verdict = Verdict.FAIL
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness of the formula, and when the band was reached."""
        margin = self._robustness()
        if self.verdict is not Verdict.PASS:
            return Measures(robustness.agreeing(margin, self.verdict))
        if self._arrival.depth > -INF:
            low = max(self._arrival.depth, margin.low if margin else -INF)
            margin = Bounds(low, max(low, margin.high if margin else low))
        earliest_s = robustness.first_possible(self.pieces, self._low, self._high)
        return self._passed(margin, earliest_s, self._arrival.latest_s)


class _Outside(NamedTuple):
    """A stay outside the band that no hold can have come before: for stimuli from s on, begun at `from_s`."""

    s: float
    from_s: float
    to_s: float


@final
class HoldsDecider(_Reaches):
    """F[0,T] G[0,H] x in the band.

    Fail: every begin of a hold in [s1, s2 + T] is barred. Barred are (p - H, q) where the envelope is outside the
    band from p to q, and (b - H - d / r, a + d / r) by a reading that is outside it by d.

    Pass: no course is outside again and again before any hold is over: a chain of moments outside, the first at most
    H after s, the last T or more after s, none H or more after the one before. While a bound is outside on one side,
    all moments of it follow; the other side follows once the band can have been crossed at the greatest rate.
    """

    __slots__ = (
        "_barred",
        "_chained",
        "_crossing_s",
        "_hold",
        "_last_s",
        "_outside",
        "_per_unit_s",
        "_unheld",
        "_within",
        "broken_by",
    )

    def __init__(self, formula: ReachesFormula, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(formula, stimulus)
        # Both are eased: what keeps a demand to the instant must not break it by rounding.
        self._within = formula.within_s + EPS_S
        self._hold = formula.holds_s - EPS_S
        self._barred = Cover(self.s1, self.s2 + self._within)
        self._per_unit_s = 1 / rate_per_s if rate_per_s else 0.0
        self._crossing_s = (self._high - self._low) * self._per_unit_s
        self._outside: tuple[list[_Outside], list[_Outside]] = ([], [])  # above the band, and below it
        self._unheld = False  # some course never holds
        self._last_s = self.s1  # the last moment outside that a course may wait for
        self.broken_by: Reading | None = None  # the reading that left no hold possible, ahead of the pieces

    def take(self, part: Piece) -> None:
        """Follow the spans that are outside for certain, and those that may be."""
        t0, l0, u0, t1, l1, u1 = part
        self.frontier_s = t1
        # Strictly inside: at an edge `at_least` and `at_most` find a moment outside.
        if self._low < l0 and self._low < l1 and u0 < self._high and u1 < self._high:
            if t1 >= self._held_s():
                self.verdict = Verdict.PASS
            return
        for out in surely_out(part, self._low, self._high):
            if self._barred.add(out[0] - self._hold, out[1]):
                self.verdict = Verdict.FAIL
                return
        # It can no longer pass; whether it fails is told above.
        if self._unheld:
            return
        above, below = at_least(t0, u0, t1, u1, self._high), at_most(t0, l0, t1, l1, self._low)
        spans = sorted((span, i) for i, span in enumerate((above, below)) if span is not None)
        if len(spans) > 1:
            spans.append(spans[0])  # it may follow the second, too
        for span, i in spans:
            self._follow(*span, self._outside[i], self._outside[1 - i])
        if t1 >= self._held_s():
            self.verdict = Verdict.PASS

    def _follow(self, p: float, q: float, same: list[_Outside], other: list[_Outside]) -> None:
        """Take a span of moments outside on one side of the band."""
        if len(same) == 1 and same[0].to_s >= p and not other:  # goes on
            same[0] = _Outside(same[0].s, same[0].from_s, q)
            self._waits(same[0])
            return
        found = [_Outside(max(self.s1, p - self._hold), p, q)] if p - self._hold <= self.s2 else []
        for s, from_s, to_s in other:
            at_s = max(p, from_s + self._crossing_s)
            if at_s <= q and at_s < to_s + self._hold:
                found.append(_Outside(s, at_s, q))
        going_on = [_Outside(s, e if to_s >= p else p, q) for s, e, to_s in same if p - to_s < self._hold]
        kept = [one for one in same if one.to_s < p and p - one.to_s < self._hold]
        new: list[_Outside] = []
        # One that begins no later, for stimuli that are no later, is at least as good in every chain: the others
        # never count.
        for one in sorted((*found, *going_on)):
            if not any(better.s <= one.s and better.from_s <= one.from_s for better in new):
                new.append(one)
        same[:] = [*kept, *new]
        other[:] = [one for one in other if one.to_s + self._hold > p]
        for one in new:
            self._waits(one)

    def _waits(self, one: _Outside) -> None:
        self._last_s = max(self._last_s, one.to_s)
        self._unheld = self._unheld or one.to_s >= one.s + self._within

    def _held_s(self) -> float:
        """Return when all courses have held, if none is outside until then."""
        return INF if self._unheld else max(self.s2, self._last_s) + self._hold

    def reading(self, reading: Reading) -> None:
        """One reading outside breaks every hold that would span it."""
        lo, hi, a, b, *_ = reading
        outside = max(lo - self._high, self._low - hi)
        if self.verdict is None and outside > 0:
            far_s = reading.reach_s(outside, self._per_unit_s)
            if self._barred.add(b - self._hold - far_s, a + far_s):
                self.verdict, self.broken_by = Verdict.FAIL, reading

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps to one side of the band, or in it for less than the hold."""
        where, until_s = side(corners, self._low, self._high)
        last_s = self._held_s() if where == 0 else self.s2 + self._within
        return min(until_s, last_s - EPS_S)

    def finish(self) -> None:
        """Nothing more will come."""
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness of the formula, and when the band was reached that was then held."""
        margin = self._robustness()
        if self.verdict is not Verdict.PASS:
            return Measures(robustness.agreeing(margin, self.verdict))
        barred = self._barred.spans
        earliest_s = barred[0][1] if barred and barred[0][0] <= self.s1 else self.s1
        return self._passed(margin, earliest_s, self._last_s)
