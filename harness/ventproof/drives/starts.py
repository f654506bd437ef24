"""So many starts in any span of time at most, or in all at least (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import final

from ventproof.drives.base import FlagsDecider, JudgedTime, Violation
from ventproof.drives.formulas import StartsAtLeastFormula, StartsAtMostFormula
from ventproof.drives.runs import FlagRuns, Turn
from ventproof.envelope.spans import EPS_S
from ventproof.verdict.finding import Bounds
from ventproof_bench.base.evidence import Window


@final
class StartsDecider(FlagsDecider):
    """One start more than allowed lies in no span that is shorter than the time for which they are counted.

    Between the first and the last of so many starts there is at most the time from the earliest instant of the first to
    the latest of the last, and at least that from the latest to the earliest.
    """

    __slots__ = ("formula",)

    def __init__(self, formula: StartsAtMostFormula, stimulus: Window) -> None:
        super().__init__(JudgedTime.of(stimulus, formula.for_s))
        self.formula = formula

    def violated(self, flags: Sequence[FlagRuns], last: int | None) -> Violation | None:
        """See `FlagsDecider`."""
        number = self.formula.number
        turns = _sure(self.judged, flags[0].turns_on(None if last is None else last + 2 * (number + 1)))
        for begin in range(len(turns) - number):
            end = begin + number
            if turns[end].to_s - turns[begin].from_s < self.formula.per_s - EPS_S:
                while end + 1 < len(turns) and self._near(turns[begin], turns[end + 1]):
                    end += 1
                count = float(end - begin + 1)
                return Violation(Bounds(count, count), turns[end].to_s)
        return None

    def _near(self, first: Turn, then: Turn) -> bool:
        return then.to_s - first.from_s < self.formula.per_s - EPS_S

    def kept(self, flags: Sequence[FlagRuns]) -> bool:
        """See `FlagsDecider`."""
        turns = flags[0].turns_on()
        may, sure = _may(self.judged, turns), _sure(self.judged, turns)
        low = max((self._count(sure, begin) for begin in range(len(sure))), default=0.0)
        high = max((self._most(may, begin) for begin in range(len(may))), default=0.0)
        self.observed = Bounds(low, high)
        kept = high <= self.formula.number
        self.open_by = None if kept else high
        return kept

    def _count(self, turns: Sequence[Turn], begin: int) -> float:
        """Return how many starts lie within the span that begins with one of them, for certain."""
        count = 0
        for turn in turns[begin:]:
            if count and not self._near(turns[begin], turn):
                break
            count += 1
        return float(count)

    def _most(self, turns: Sequence[Turn], begin: int) -> float:
        """Return how many starts may lie within a span that begins with one of them."""
        count = 0.0
        for turn in turns[begin:]:
            if turn.from_s - turns[begin].to_s >= self.formula.per_s - EPS_S:
                break
            count += turn.times
            if count > self.formula.number:
                break
        return count

    def shown(self, flags: Sequence[FlagRuns]) -> bool:
        """There was a start."""
        return bool(_sure(self.judged, flags[0].turns_on()))


@final
class LeastStartsDecider(FlagsDecider):
    """Enough starts that surely lie in the judged time make it pass; too few that may lie there fail it at its end."""

    __slots__ = ("formula",)

    def __init__(self, formula: StartsAtLeastFormula, stimulus: Window) -> None:
        super().__init__(JudgedTime.of(stimulus, formula.for_s))
        self.formula = formula

    def violated(self, flags: Sequence[FlagRuns], last: int | None) -> Violation | None:
        """See `FlagsDecider`; nothing is violated while more can come."""
        if last is not None:
            return None
        count = self._count(flags[0])
        return Violation(count, self.judged.end_s) if count.high < self.formula.number else None

    def kept(self, flags: Sequence[FlagRuns]) -> bool:
        """See `FlagsDecider`."""
        self.observed = self._count(flags[0])
        return self.observed.low >= self.formula.number

    def _count(self, flag: FlagRuns) -> Bounds:
        turns = flag.turns_on()
        most = sum(turn.times for turn in _may(self.judged, turns))
        return Bounds(float(len(_sure(self.judged, turns))), most)

    def shown(self, flags: Sequence[FlagRuns]) -> bool:  # noqa: ARG002 - of no account here
        """Return True: the starts that make it pass show it."""
        return True


def _sure(judged: JudgedTime, turns: Sequence[Turn]) -> list[Turn]:
    return [turn for turn in turns if turn.sure and judged.surely_has(turn.from_s, turn.to_s)]


def _may(judged: JudgedTime, turns: Sequence[Turn]) -> list[Turn]:
    return [turn for turn in turns if judged.may_have(turn.from_s, turn.to_s)]
