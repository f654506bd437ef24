"""Deciders of a band that is reached, and of one that is reached and held."""

from __future__ import annotations

from typing import final

from ventproof.deciders import robustness
from ventproof.deciders.band import Arrival
from ventproof.deciders.base import Decider, Measures, Readings
from ventproof.deciders.chains import Chains
from ventproof.deciders.formulas import ReachesFormula
from ventproof.envelope.spans import (
    EPS,
    EPS_S,
    INF,
    Corners,
    Cover,
    Piece,
    Reading,
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


@final
class HoldsDecider(_Reaches):
    """F[0,T] G[0,H] x in the band.

    Fail: every begin of a hold in [s1, s2 + T] is barred. Barred are (p - H, q) where the envelope is outside the
    band from p to q, and (b - H - d / r, a + d / r) by a reading that is outside it by d.

    Pass: no course is outside again and again before any hold is over (`Chains`).
    """

    __slots__ = ("_barred", "_chains", "_hold", "_inside", "_per_unit_s", "_within", "broken_by")

    def __init__(self, formula: ReachesFormula, stimulus: Window, rate_per_s: float | None) -> None:
        super().__init__(formula, stimulus)
        # Both are eased: what keeps a demand to the instant must not break it by rounding.
        self._within = formula.within_s + EPS_S
        self._hold = formula.holds_s - EPS_S
        self._barred = Cover(self.s1, self.s2 + self._within)
        self._per_unit_s = 1 / rate_per_s if rate_per_s else 0.0
        self._inside: list[Reading] = []  # readings in the band
        self._chains = self._chained()
        self.broken_by: Reading | None = None  # the reading that left no hold possible, ahead of the pieces

    def _chained(self) -> Chains:
        band, window = Bounds(self._low, self._high), Window(self.s1, self.s2)
        return Chains(window, band, self._within, self._hold, self._per_unit_s, self._inside)

    def take(self, part: Piece) -> None:
        """Follow the spans that are outside for certain, and those that may be."""
        _, l0, u0, t1, l1, u1 = part
        self.frontier_s = t1
        # Strictly inside: at an edge `at_least` and `at_most` find a moment outside.
        if self._low < l0 and self._low < l1 and u0 < self._high and u1 < self._high:
            if t1 >= self._chains.held_s():
                self.verdict = Verdict.PASS
            return
        for out in surely_out(part, self._low, self._high):
            if self._barred.add(out[0] - self._hold, out[1]):
                self.verdict = Verdict.FAIL
                return
        # It can no longer pass; whether it fails is told above.
        if self._chains.complete:
            return
        self._chains.take(part)
        if t1 >= self._chains.held_s():
            self.verdict = Verdict.PASS

    def reading(self, reading: Reading) -> None:
        """One reading outside breaks every hold that would span it."""
        lo, hi, a, b, *_ = reading
        outside = max(lo - self._high, self._low - hi)
        if self._keeps_inside(lo, hi) and a < self.end_s and b > self.s1 - self._hold:
            self._inside.append(reading)
        if self.verdict is None and outside > 0:
            far_s = reading.reach_s(outside, self._per_unit_s)
            if self._barred.add(b - self._hold - far_s, a + far_s):
                self.verdict, self.broken_by = Verdict.FAIL, reading

    def _keeps_inside(self, lo: float, hi: float) -> bool:
        return 2 * max(self._high - hi, lo - self._low) * self._per_unit_s >= self._hold

    def stretch(self, corners: Corners, readings: Readings) -> None:
        """Take pieces and readings that are calm."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        lo, hi, *_ = readings
        if self._per_unit_s:
            deep = 2 * np.maximum(self._high - hi, lo - self._low) * self._per_unit_s >= self._hold
            self._inside += (Reading(*one) for one in zip(*(x[deep].tolist() for x in readings), strict=True))
        hull = corners.hull()
        self.pieces.extend(corners)
        self.note_seen(hull)
        if (lo > self._high).all() or (hi < self._low).all():  # else none is outside
            self.reading(readings.hull())
        self.take(hull)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps to one side of the band, or in it for less than the hold."""
        where, until_s = side(corners, self._low, self._high)
        last_s = self._chains.held_s() if where == 0 else self.s2 + self._within
        return min(until_s, last_s - EPS_S)

    def finish(self) -> None:
        """Pass if no course comes back out of the band, now that all readings in it are known."""
        passed = False
        if self.verdict is None and self.frontier_s >= self.end_s - EPS_S and self._inside:
            self._chains = self._chained()
            for piece in self.pieces:
                self._chains.take(piece)
            passed = not self._chains.complete
        self.settle(passed=passed)

    def measures(self) -> Measures:
        """Robustness of the formula, and when the band was reached that was then held."""
        margin = self._robustness()
        if self.verdict is not Verdict.PASS:
            return Measures(robustness.agreeing(margin, self.verdict))
        barred = self._barred.spans
        earliest_s = barred[0][1] if barred and barred[0][0] <= self.s1 else self.s1
        return self._passed(margin, earliest_s, self._chains.last_s)
