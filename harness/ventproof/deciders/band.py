"""Reaches, stays, returns."""

from __future__ import annotations

from typing import final

from ventproof.deciders import robustness
from ventproof.deciders.base import Decider, Measures, Readings, bounds_if_finite
from ventproof.deciders.formulas import ReturnsFormula, StaysFormula
from ventproof.envelope.spans import (
    EPS,
    EPS_S,
    INF,
    Corners,
    Cover,
    Piece,
    Reading,
    clip,
    maybe_in,
    side,
    surely_in,
    surely_out,
)
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window


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


@final
class StaysDecider(Decider):
    """G[0,F] low <= x <= high. Memory does not grow with the span: it may last the whole run.

    Pass: L >= low and U <= high in all of [s1, s2 + F]. Fail: for every s, L > high or U < low somewhere in
    [s, s + F], or a reading is outside by so much that x cannot have come from inside, or gone back, outside the span
    only: max(0, b - (s + F), s - a) <= distance / rate. What ends at an unknown instant of [u1, u2] is judged to u2
    for a pass, and to u1 for a fail.
    """

    __slots__ = (
        "_broken",
        "_high",
        "_least_high",
        "_least_out",
        "_low",
        "_most_low",
        "_per_unit_s",
        "_sure_end_s",
        "_unsure_s",
        "_worst",
        "formula",
        "frontier_s",
        "left",
        "span_s",
    )

    def __init__(self, formula: StaysFormula, stimulus: Window, rate_per_s: float | None) -> None:
        span = INF if formula.for_s is None else max(0.0, formula.for_s - EPS_S)
        super().__init__(stimulus, span)
        self.formula = formula
        self.span_s = span
        self._sure_end_s = self.s1 + span  # so long it is judged whatever s is
        self._per_unit_s = 1 / rate_per_s if rate_per_s else 0.0
        self._low = -INF if formula.low is None else formula.low - EPS
        self._high = INF if formula.high is None else formula.high + EPS
        self._broken = Cover(self.s1, self.s2)
        self._unsure_s = INF  # first moment that is not surely in the band
        self._worst = INF  # by a reading that was told in full
        # The greatest lower and the least upper bound in the span that all s share.
        self._most_low, self._least_high = -INF, INF
        # Robustness at the shallowest of the breaks: none of them need be the only one.
        self._least_out = -INF
        self.frontier_s = -INF
        # When it was first surely outside, and the bounds there.
        self.left: tuple[float, float, float] | None = None

    def piece(self, piece: Piece) -> None:
        """Take the next piece; the common case, inside the band and what all s share, is decided on its corners."""
        t0, l0, u0, t1, l1, u1 = piece
        low, high = self._low, self._high
        if t0 < self.s2 or t1 > self._sure_end_s or l0 < low or l1 < low or u0 > high or u1 > high:
            super().piece(piece)
        elif self.verdict is None:
            self.frontier_s = t1
            self.note_seen(piece)
            self._improve(piece)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps inside."""
        inside = (corners.low >= self._low) & (corners.high <= self._high)
        return min(corners.lead_s(inside), self._sure_end_s)

    def stretch(self, corners: Corners, readings: Readings) -> None:  # noqa: ARG002 - as above
        """Take pieces inside; readings inside say nothing."""
        self.piece(corners.hull())

    def _improve(self, part: Piece) -> None:
        """Note what surely was in the span, whatever s is."""
        _, l0, u0, _, l1, u1 = part
        # min() and max() cost three times as much, on every piece of a run.
        if l0 > self._most_low or l1 > self._most_low:
            self._most_low = max(l0, l1)
        if u0 < self._least_high or u1 < self._least_high:
            self._least_high = min(u0, u1)

    def take(self, part: Piece) -> None:
        """Note where the band is not sure, and where it is surely left."""
        # Nothing of the past is asked for again, and a run may last for days.
        self.pieces.clear()
        t0, t1 = part.t0, part.t1
        self.frontier_s = t1
        inner = clip(part, self.s2, self._sure_end_s)
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
        """One reading surely outside the band breaks it, if x was surely outside in the span."""
        lo, hi, a, b, *_ = reading
        outside = max(lo - self._high, self._low - hi)
        if self.verdict is not None or outside <= 0:
            return
        last_s = self.last_s
        if b > last_s or a < self.s1:  # it may be told only in part: the pieces tell more of it
            far_s = reading.reach_s(outside, self._per_unit_s)
            if b > self.s1 and b <= last_s + far_s:
                self._broken.add(b - far_s - self.span_s, a + far_s)
            return
        self.left = self.left or (b, lo, hi)
        self._worst = min(self._worst, lo - (self._low + EPS), self._high - EPS - hi)
        far_s = reading.reach_s(outside, self._per_unit_s)
        self._break(b - far_s, a + far_s, depth=self._most(lo, hi))
        if a >= self.s2 and b <= self._sure_end_s:
            self._most_low, self._least_high = max(self._most_low, lo), min(self._least_high, hi)
            self.seen_low, self.seen_high = min(self.seen_low, lo), max(self.seen_high, hi)

    def _most(self, lower: float, upper: float) -> float:
        """Return the greatest robustness of a value between two bounds."""
        return min(upper - (self._low + EPS), self._high - EPS - lower)

    def _break(self, by_s: float, from_s: float, depth: float) -> None:
        if from_s >= self.s1:
            self._least_out = max(self._least_out, depth)
        if by_s <= self.last_s and self._broken.add(by_s - self.span_s, from_s):
            self.verdict = Verdict.FAIL

    @property
    def last_s(self) -> float:
        """The last instant at which it can be broken for certain."""
        return self._sure_end_s if self.span_s == INF else self.end_s

    def end_at(self, earliest_s: float, latest_s: float) -> None:
        """The condition ended at some instant between two: judge up to there."""
        self._sure_end_s = min(self._sure_end_s, earliest_s)
        self.end_s = min(self.end_s, latest_s)

    def fill_in(self, piece: Piece) -> None:
        """What came after the verdict does not count."""

    def finish(self) -> None:
        """Fail if a break is certain for every s; pass if no moment was unsure."""
        # Readings told in part were added without a verdict. What ended before s2 was perhaps never in force: no fail
        # then.
        if self.verdict is None and self._broken.complete and self.last_s >= self.s2:
            self.verdict = Verdict.FAIL
        kept = self.frontier_s >= self.end_s - EPS_S and self._unsure_s >= self.end_s
        # An end before s1: it was never in force, and so nothing is broken.
        self.settle(passed=kept or self.end_s < self.s1)

    def measures(self) -> Measures:
        """Robustness: the least distance from the band's edges."""
        low, high = self._low + EPS, self._high - EPS
        worst = min(self._worst, self.seen_low - low, high - self.seen_high)
        best = min(self._most(self._most_low, self._least_high), (high - low) / 2)
        if self.verdict is Verdict.FAIL:
            best = min(best, self._least_out)
        return Measures(robustness.agreeing(bounds_if_finite(worst, max(best, worst)), self.verdict))


@final
class ReturnsDecider(Decider):
    """G[0,n) x outside the band, and F[n,T] x in it; n = 0 demands the second half alone.

    Pass: for all s it must be in the band in [s + n, s + T], and for no s it may be in [s, s + n). Fail: for every s
    it must be early, or may not be in time. On the band's edge it is outside too: the limit belongs to the pass on
    either side.
    """

    __slots__ = (
        "_arrival",
        "_early",
        "_early_until_s",
        "_high",
        "_low",
        "formula",
        "frontier_s",
        "too_early",
    )

    def __init__(
        self, formula: ReturnsFormula, stimulus: Window, rate_per_s: float | None, *, continuous: bool
    ) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self._low = formula.target - formula.tolerance - EPS
        self._high = formula.target + formula.tolerance + EPS
        first, last = max(0.0, formula.not_before_s - EPS_S), formula.within_s + EPS_S
        band, core = Bounds(self._low, self._high), Bounds(self._low + 2 * EPS, self._high - 2 * EPS)
        self._arrival = Arrival(stimulus, band, (first, last), rate_per_s, continuous=continuous)
        self._early = (
            Arrival(stimulus, core, (0.0, first), rate_per_s, continuous=continuous)
            if formula.not_before_s > 0
            else None
        )
        self._early_until_s = self.s2 + first
        self.frontier_s = -INF
        self.too_early = False

    def take(self, part: Piece) -> None:
        """Follow arrivals before and after the earliest moment allowed."""
        self.frontier_s = part.t1
        if self._early is not None and self._early.take(part):
            self.verdict, self.too_early = Verdict.FAIL, True
        elif self._arrival.take(part) and part.t1 >= self._early_until_s:
            outside = self._early is None or not self._early.may.spans
            # What may have come too early stays so: it can no longer pass.
            self.verdict = Verdict.PASS if outside else None

    def reading(self, reading: Reading) -> None:
        """One reading in the band is an arrival, early or in time."""
        if self.verdict is not None:
            return
        if self._early is not None and self._early.reading(reading):
            self.verdict, self.too_early = Verdict.FAIL, True
        else:
            # No pass by a reading alone: whether it was there too early only the pieces tell.
            self._arrival.reading(reading)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the pieces say it
        """While it keeps to one side of the band, and has not been on both."""
        where, until_s = side(corners, self._low, self._high)
        if where == 0 or self._arrival.certain:
            return -INF
        steady_s = self._arrival.steady_until_s(where)
        if self._early is not None:
            steady_s = min(steady_s, self._early.steady_until_s(where))
        return min(until_s, steady_s)

    def finish(self) -> None:
        """Fail if for every s it must be early, or may not be in time."""
        if self.verdict is None and self.frontier_s >= self.end_s - EPS_S:
            absent = self._arrival.may.rest()
            failed = absent if self._early is None else absent.joined_with(self._early.must)
            if failed.complete:
                self.verdict, self.too_early = Verdict.FAIL, not absent.complete
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
