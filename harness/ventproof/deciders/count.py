"""Decider of how far a counter advances."""

from __future__ import annotations

from typing import final

from ventproof.deciders.base import Decider, Measures, Readings
from ventproof.deciders.formulas import CountsFormula
from ventproof.envelope.spans import EPS_S, INF, Corners, Piece, Reading
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window


@final
class CountDecider(Decider):
    """Notes the counter before the stimulus and after the limit, as a technician does, and takes the difference.

    Attributes:
        restarted: the unit restarted between the two readings.
        counted_on: it counted on around the limit, so that both verdicts are possible.
    """

    by_readings = True

    __slots__ = (
        *("_after", "_before", "_in_time", "_latest", "_still_from_s", "_still_to_s"),
        *("counted_on", "formula", "restarted"),
    )

    def __init__(self, formula: CountsFormula, stimulus: Window) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self.restarted = self.counted_on = False
        self._before = self._after = self._latest = INF
        self._in_time = INF  # the count that was surely reached by the limit
        self._still_from_s, self._still_to_s = INF, -INF

    def take(self, part: Piece) -> None:
        """The readings say it all."""

    def piece(self, piece: Piece) -> None:
        """The readings say it all."""

    def reading(self, reading: Reading) -> None:
        """Keep the last reading before the stimulus, and decide on the first one after the limit."""
        if self.verdict is not None:
            return
        # Counters are read without error: `lo` is the count.
        value, _, a, b, fresh, _ = reading
        if b <= self.s1 + EPS_S:
            if fresh or value != self._before or self._still_to_s < self.formula.counts_until_s:
                # From the end of the first window to the begin of the last: in between it certainly stood still. What
                # was counted last before a restart nobody has read.
                self._still_from_s = b
            self._before, self._still_to_s = value, a
            self._in_time = value
            return
        self.restarted = self.restarted or fresh
        self._latest = value
        self.seen_low, self.seen_high = min(self.seen_low, value), max(self.seen_high, value)
        last = a >= self.end_s - EPS_S
        if b <= self.s1 + self.formula.within_s + EPS_S:
            self._in_time = value
        if self.restarted or not self.stood_still:
            if last:
                self.settle(passed=False)
        # Too many already: nothing that comes can take a count back.
        elif self._in_time - self._before > self.formula.required.high:
            self._after = value
            self.verdict = Verdict.FAIL
        # Enough already, and none is too many.
        elif self.formula.most == INF and self._in_time - self._before >= self.formula.number:
            self._after = value
            self.verdict = Verdict.PASS
        elif last:
            self._decide(value)

    def _decide(self, after: float) -> None:
        """Decide on the first reading after the limit."""
        low, high = (self._before + number for number in self.formula.required)
        passes, fails = low <= self._in_time and after <= high, after < low or self._in_time > high
        self.counted_on = not (passes or fails)
        if self.counted_on:
            self.settle(passed=False)
        else:
            self._after = after
            self.verdict = Verdict.PASS if passes else Verdict.FAIL

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the readings say it
        """While it stands where it was read last."""
        stands = bool((readings.lo == self._latest).all())
        # Earlier than any reading that `reading` may take for the first one after the limit: that one must come
        # singly.
        return self.end_s - 2 * EPS_S if stands else -INF

    def stretch(self, corners: Corners, readings: Readings) -> None:
        """A counter that stands says nothing new."""

    @property
    def stood_still(self) -> bool:
        """Whether it is certain that the counter stood still for a while before the stimulus.

        Only then does the last reading before the stimulus tell the count at the stimulus; else what went before is
        still being counted.
        """
        return self.formula.counts_until_s <= self._still_from_s <= self._still_to_s

    @property
    def moved_before(self) -> bool:
        """Whether it was read before the stimulus, yet not seen to stand still."""
        return self._before < INF and not self.stood_still

    @property
    def advance(self) -> Bounds:
        """The least and the most that the counter can have advanced between the two readings."""
        if INF in {self._before, self._latest}:
            return Bounds(0.0, INF)
        so_far = self._latest - self._before
        return Bounds(so_far, so_far if self._after < INF else INF)

    def finish(self) -> None:
        """Nothing more will come."""
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness: the distance from the nearest right count, never above 0."""
        least, most = self.advance
        if self.restarted or self.counted_on:
            return Measures()
        low, high = self.formula.required
        off = min(0.0, least - low, high - least)
        return Measures(Bounds(off, off)) if most < INF else Measures()
