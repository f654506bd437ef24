"""Decider of how far a counter advances."""

from __future__ import annotations

from typing import final

from bench.samples import Window
from harness.judge.decider import Decider, Measures
from harness.judge.formulas import Counts
from harness.judge.spans import EPS_S, INF, Piece, Reading
from harness.judge.verdict import Bounds, Verdict


@final
class CountDecider(Decider):
    """A counter only counts up, so readings around an instant bound the count at that instant.

    Attributes:
        restarted: the unit restarted between the readings that would have to be compared.
    """

    __slots__ = ("_end_high", "_end_low", "_instants", "_start_high", "_start_low", "formula", "restarted")

    def __init__(self, formula: Counts, stimulus: Window, *, instants: bool) -> None:
        super().__init__(stimulus, formula.within_s)
        self.formula = formula
        self.restarted = False
        self._instants = instants
        self._start_low, self._start_high = -INF, INF
        self._end_low, self._end_high = -INF, INF

    def take(self, part: Piece) -> None:
        """The readings say it all."""

    def piece(self, piece: Piece) -> None:
        """The readings say it all."""

    def fill_in(self, piece: Piece) -> None:
        """The readings say it all."""

    def reading(self, reading: Reading) -> None:
        """Sharpen the count at the stimulus and at the end."""
        if self.verdict is not None:
            return
        value, _, a, b, fresh, gap = reading
        if fresh and b > self.s1:
            self.restarted = True
        elif fresh:
            self._start_low = self._end_low = -INF
        if b <= self.s1 + EPS_S:
            self._start_low = value
            if self._instants:
                self._start_high = value
        if a >= self.s2 - EPS_S:
            self._start_high = min(self._start_high, value)
        if a >= self.end_s - EPS_S:
            self._end_high = self._end_low if self._instants and not gap and self._end_low > -INF else value
        if b <= self.s1 + self.formula.within_s + EPS_S:
            self._end_low = value
            self.seen_low, self.seen_high = min(self.seen_low, value), max(self.seen_high, value)
        self._conclude(last=a >= self.end_s - EPS_S)

    def _conclude(self, *, last: bool) -> None:
        least, most = self.advance
        if self.restarted:
            if last:
                self.verdict = Verdict.INCONCLUSIVE
        elif least > self.formula.number or (last and most < self.formula.number):
            self.verdict = Verdict.FAIL
        elif last:
            self.settle(passed=least == most == self.formula.number)

    @property
    def advance(self) -> Bounds:
        """The least and the most that the counter can have advanced."""
        return Bounds(max(0.0, self._end_low - self._start_high), self._end_high - self._start_low)

    def finish(self) -> None:
        """Nothing more will come."""
        self.settle(passed=False)

    def measures(self) -> Measures:
        """Robustness: the distance from the right count, never above 0."""
        least, most = self.advance
        if most == INF or self.restarted:
            return Measures()
        number = self.formula.number
        best = 0.0 if least <= number <= most else -min(abs(least - number), abs(most - number))
        return Measures(Bounds(-max(abs(least - number), abs(most - number)), best))
