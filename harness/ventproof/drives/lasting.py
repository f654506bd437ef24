"""Something lasts no longer than a limit: two flags on together, a run, a run at the end, two drives unlike (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import final

from ventproof.drives.base import FlagsDecider, JudgedTime, Violation, possible_overlaps, sure_overlaps
from ventproof.drives.formulas import (
    LastingFormula,
    NeverTogetherFormula,
    RunsAtMostFormula,
    StopsAtEndFormula,
    TogetherFormula,
    at_most_s,
)
from ventproof.drives.runs import FlagRuns, Possible, Sure
from ventproof.envelope.spans import EPS_S, INF
from ventproof.verdict.finding import Bounds
from ventproof_bench.base.evidence import Window

_State = tuple[float, ...]
"""A value of each flag."""


def _states(formula: LastingFormula) -> tuple[_State, ...]:
    """Return the states of which one or another may not last longer than the limit."""
    match formula:
        case RunsAtMostFormula():
            return ((1.0,),)
        case NeverTogetherFormula() | StopsAtEndFormula():
            return ((1.0, 1.0),)
        case TogetherFormula():
            return ((1.0, 0.0), (0.0, 1.0))


@final
class LastingDecider(FlagsDecider):
    """No stretch of the judged time has one of some states all along, and is longer than the limit.

    A course fails it for certain where a stretch is too long even from the latest begin to the earliest end; it keeps
    to it for certain where none is too long from the earliest begin to the latest end.
    """

    __slots__ = ("formula",)

    def __init__(self, formula: LastingFormula, stimulus: Window) -> None:
        super().__init__(JudgedTime.of(stimulus, formula.for_s))
        self.formula = formula

    def violated(self, flags: Sequence[FlagRuns], last: int | None) -> Violation | None:
        """See `FlagsDecider`."""
        limit_s, judged = at_most_s(self.formula), self.judged
        for state in _states(self.formula):
            for one in _sure(state, flags, last):
                least_s = judged.least_s(one.from_s, one.to_s)
                met = one.seen and any(judged.surely_has(read.a, read.b) for read in (one.first, one.last))
                if least_s > limit_s + EPS_S or (met and limit_s == 0):
                    most_s = self._most_s(flags, one)
                    at_s = max(one.first.a, one.from_s, judged.s2) + max(0.0, limit_s)
                    return Violation(Bounds(max(0.0, least_s), most_s), at_s, first=int(state[0] == 0))
        return None

    def _most_s(self, flags: Sequence[FlagRuns], sure: Sure) -> float:
        """Return how long what lasts for certain may have lasted at most."""
        around = [
            one for one in self._possible(flags) if one.from_s <= sure.first.b and one.to_s >= sure.last.a
        ]
        if any(one.to_s == INF for one in around):  # it may still go on
            return INF
        return max((self.judged.most_s(one.from_s, one.to_s) for one in around), default=0.0)

    def _possible(self, flags: Sequence[FlagRuns]) -> list[Possible]:
        """Return the stretches that may have one of the states or the other all along."""
        states = [_possible(state, flags) for state in _states(self.formula)]
        return states[0] if len(states) == 1 else _joined(*states)

    def kept(self, flags: Sequence[FlagRuns]) -> bool:
        """See `FlagsDecider`."""
        limit_s, judged = at_most_s(self.formula), self.judged
        lengths = [
            judged.most_s(one.from_s, one.to_s)
            for one in self._possible(flags)
            if judged.may_have(one.from_s, one.to_s)
        ]
        most_s = max(lengths, default=0.0)
        sure = [
            judged.least_s(one.from_s, one.to_s)
            for state in _states(self.formula)
            for one in _sure(state, flags, None)
        ]
        if lengths:
            self.observed = Bounds(max(0.0, *sure, 0.0), max(0.0, most_s))
        kept = not lengths if limit_s == 0 else most_s <= limit_s + EPS_S
        self.open_by = None if kept else most_s
        return kept

    def due_s(self, flags: Sequence[FlagRuns]) -> float:
        """Return when what lasts now has lasted for too long, if it is one of the states."""
        begun_s = max(self.judged.s2, *(flag.taken_by_s for flag in flags))
        return begun_s + at_most_s(self.formula)

    def shown(self, flags: Sequence[FlagRuns]) -> bool:
        """One of the flags was on; for a stop at the end both were; for drives in step one changed."""
        match self.formula:
            case StopsAtEndFormula():
                return all(self.ran(flag) for flag in flags)
            case TogetherFormula():
                return any(self.ran(flag) and self.ran(flag, 0.0) for flag in flags)
            case _:
                return any(self.ran(flag) for flag in flags)


def _sure(state: _State, flags: Sequence[FlagRuns], last: int | None) -> list[Sure]:
    """Return when all flags were in a state for certain; `last`: one of them in one of so many of its last runs."""
    if len(flags) == 1:
        return flags[0].sure(state[0], last)
    one, other = flags
    lasts = [(None, None)] if last is None else [(last, 4 * last), (4 * last, last)]
    return [
        shared
        for first, second in lasts
        for _, _, shared in sure_overlaps(one.sure(state[0], first), other.sure(state[1], second))
    ]


def _possible(state: _State, flags: Sequence[FlagRuns]) -> list[Possible]:
    """Return when all flags may have been in a state."""
    if len(flags) == 1:
        return flags[0].possible(state[0])
    one, other = flags
    return possible_overlaps(one.possible(state[0]), other.possible(state[1]))


def _joined(some: Sequence[Possible], others: Sequence[Possible]) -> list[Possible]:
    """Return the stretches of two states, those as one of which either may go over into the other at once.

    It cannot where a request saw neither of them in between.
    """
    groups = {one: [one] for one in (*some, *others)}
    for one, other in _touching(some, others):
        group, joined = groups[one], groups[other]
        if group is not joined:
            group += joined
            groups |= dict.fromkeys(joined, group)
    return [
        Possible(min(x.from_s for x in group), max(x.to_s for x in group), group[0].after, group[0].by)
        for group in {id(group): group for group in groups.values()}.values()
    ]


def _touching(some: Sequence[Possible], others: Sequence[Possible]) -> Iterator[tuple[Possible, Possible]]:
    begin = 0
    for one in some:
        while begin < len(others) and others[begin].to_s < one.from_s:
            begin += 1
        for other in others[begin:]:
            if other.from_s > one.to_s:
                break
            first, then = sorted((one, other))
            if then.after < first.by:
                yield one, other
