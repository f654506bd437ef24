"""A pause before a reversal: where one of two flags turns on, the other has been off for long enough (pure)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from typing import final

from ventproof.drives.base import FlagsDecider, JudgedTime, Violation, sure_overlaps
from ventproof.drives.formulas import PausesFormula
from ventproof.drives.runs import FlagRuns, Possible, Sure, Turn
from ventproof.envelope.spans import EPS_S, INF
from ventproof.verdict.finding import Bounds
from ventproof_bench.base.evidence import Window


@final
class PausesDecider(FlagsDecider):
    """Each time that a flag turns on, the other was last on so long before.

    From the latest instant at which it may have been on to the earliest at which the first may turn on the pause is
    shortest, and so it is kept if that is long enough; from the earliest at which it may have turned off to the latest
    it is longest, and so it is violated if that is too short. A flag that was on at a reading before the other turned
    on was on before, whatever their windows; if it was still on then, there was no pause.
    """

    __slots__ = ("formula",)

    def __init__(self, formula: PausesFormula, stimulus: Window) -> None:
        super().__init__(JudgedTime.of(stimulus, formula.for_s))
        self.formula = formula

    def violated(self, flags: Sequence[FlagRuns], last: int | None) -> Violation | None:
        """See `FlagsDecider`."""
        for number, (flag, other) in enumerate((flags, flags[::-1])):
            earlier = other.sure(1.0, None if last is None else 4 * last)
            for turn, before in _reversals(flag.turns_on(last), earlier):
                longest_s = _longest_s(turn, before)
                begun_s = min(before.to_s, turn.from_s)
                if longest_s < self.formula.at_least_s - EPS_S and self.judged.surely_has(begun_s, turn.to_s):
                    shortest_s = max(0.0, turn.from_s - _over_by(other.possible(1.0), before))
                    return Violation(Bounds(min(shortest_s, longest_s), longest_s), turn.to_s, first=number)
        return self._together(flags, last)

    def _together(self, flags: Sequence[FlagRuns], last: int | None) -> Violation | None:
        """Return where both are on for certain, and both turned on in the judged time."""
        turns = [{turn.to_s: turn for turn in flag.turns_on(last) if turn.sure} for flag in flags]
        for *both, _ in sure_overlaps(*(flag.sure(1.0, last) for flag in flags)):
            begun = [turn[run.from_s] for turn, run in zip(turns, both, strict=True) if run.from_s in turn]
            if len(begun) == len(both) and all(self.judged.surely_has(t.from_s, t.to_s) for t in begun):
                return Violation(Bounds(0.0, 0.0), max(turn.to_s for turn in begun))
        return None

    def kept(self, flags: Sequence[FlagRuns]) -> bool:
        """See `FlagsDecider`."""
        shortest_s = INF
        for flag, other in (flags, flags[::-1]):
            turns = [turn for turn in flag.turns_on() if self.judged.may_have(turn.from_s, turn.to_s)]
            spans = [span for span in other.possible(1.0) if self.judged.may_have(span.from_s, span.to_s)]
            for turn, span in _perhaps(turns, spans):
                shortest_s = min(shortest_s, max(0.0, turn.from_s - span.to_s))
        self.observed = self._observed(flags)
        kept = shortest_s >= self.formula.at_least_s - EPS_S
        self.open_by = None if kept else shortest_s
        return kept

    def _observed(self, flags: Sequence[FlagRuns]) -> Bounds | None:
        """Return between what the shortest pause lies of those that there were for certain."""
        pauses: list[Bounds] = []
        for flag, other in (flags, flags[::-1]):
            spans = other.possible(1.0)
            pauses += [
                Bounds(max(0.0, turn.from_s - _over_by(spans, before)), _longest_s(turn, before))
                for turn, before in _reversals(flag.turns_on(), other.sure(1.0))
                if self.judged.surely_has(min(before.to_s, turn.from_s), turn.to_s)
            ]
        return Bounds(min(p.low for p in pauses), min(p.high for p in pauses)) if pauses else None

    def shown(self, flags: Sequence[FlagRuns]) -> bool:
        """There was a reversal."""
        return self._observed(flags) is not None


def _reversals(turns: Sequence[Turn], others: Sequence[Sure]) -> Iterator[tuple[Turn, Sure]]:
    """Yield what turned on for certain with the last span in which the other was on for certain before."""
    before: Sure | None = None
    begin = 0
    for turn in turns:
        while begin < len(others) and _begun(others[begin], turn):
            before = others[begin]
            begin += 1
        if turn.sure and before is not None:
            yield turn, before


def _begun(span: Sure, turn: Turn) -> bool:
    """Return whether a span had begun for certain before a flag turned on."""
    number = span.first.number
    return span.from_s <= turn.from_s or (number is not None and number <= turn.after)


def _longest_s(turn: Turn, before: Sure) -> float:
    """Return how long the other was off at most when a flag turned on: not at all where one request read both on."""
    number = before.last.number
    together = number is not None and number >= turn.by
    return 0.0 if together else max(0.0, turn.to_s - before.to_s)


def _over_by(spans: Sequence[Possible], sure: Sure) -> float:
    """Return by when a flag that was on for certain was off, from the spans in which it may have been on."""
    number = sure.last.number
    if number is None:
        return spans[bisect_left(spans, sure.last.a, key=lambda span: span.to_s)].to_s
    return spans[bisect_right(spans, number, key=lambda span: span.by)].to_s


def _perhaps(turns: Sequence[Turn], spans: Sequence[Possible]) -> Iterator[tuple[Turn, Possible]]:
    """Yield what may have turned on with the last spans in which the other may have been on before."""
    begin = 0
    for turn in turns:
        # Of those that were over before this one only the last can be the nearest.
        while begin + 1 < len(spans) and spans[begin + 1].to_s <= turn.from_s:
            begin += 1
        for span in spans[begin:]:
            if span.from_s > turn.to_s:
                break
            if span.after < turn.by:
                yield turn, span
