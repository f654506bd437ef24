"""What the readings of a flag say of its edges: runs of one value, and the extremes of their begins and ends (pure).

A reading is true of some instant of its window. Flags that one request reads share that instant where they are equally
old, and no reading shows what is older than what the one before it showed; so the numbers of requests put edges in
order even where their windows overlap. Between two readings the flag may have changed unseen, unless it keeps each
value for too long.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple, final

from ventproof.envelope.spans import INF
from ventproof_bench.base.evidence import SignalTraits

FIRST: Final = -1
"""Before every request that has a number."""
NEVER: Final = 2**62
"""After every request that has a number."""


class FlagRead(NamedTuple):
    """One reading: the instant lies in [a, b], s; `number` counts the requests that read all flags, None if not one."""

    a: float
    b: float
    number: int | None


class Possible(NamedTuple):
    """A value was held within (from_s, to_s) only, between the requests `after` and `by`, if at all."""

    from_s: float
    to_s: float
    after: int
    by: int

    def overlap(self, other: Possible) -> Possible | None:
        """Return what both leave; None if one was over before the other began."""
        shared = Possible(
            max(self.from_s, other.from_s),
            min(self.to_s, other.to_s),
            max(self.after, other.after),
            min(self.by, other.by),
        )
        # Requests of the same number saw both at one instant: one value ended by then, the other began after it.
        return shared if shared.from_s < shared.to_s and shared.after < shared.by else None


class Sure(NamedTuple):
    """A value was held from `from_s` to `to_s` at least, and at the instants of two readings."""

    from_s: float
    to_s: float
    first: FlagRead
    last: FlagRead

    @property
    def seen(self) -> bool:
        """Whether one request read it, be the time for which it was held ever so short."""
        first, last = self.first.number, self.last.number
        return first is not None and last is not None and first <= last

    def overlap(self, other: Sure) -> Sure | None:
        """Return what both hold; None if they need not meet."""
        from_s, to_s = max(self.from_s, other.from_s), min(self.to_s, other.to_s)
        first = max(self.first, other.first, key=_number)
        last = min(self.last, other.last, key=_number)
        if None in {read.number for one in (self, other) for read in (one.first, one.last)}:
            first = last = FlagRead(from_s, to_s, None)
        shared = Sure(from_s, to_s, first, last)
        return shared if from_s < to_s or shared.seen else None


def _number(read: FlagRead) -> int:
    return FIRST if read.number is None else read.number


class MaybeHeld(NamedTuple):
    """Where a value may have been held, and the longest part of it in which it was; None if it may not have been."""

    possible: Possible
    sure: Sure | None


def _lasts_s(sure: Sure) -> float:
    return sure.to_s - sure.from_s


class Turn(NamedTuple):
    """A flag turned on within [from_s, to_s], between two requests: `times` often at most, once at least if `sure`."""

    from_s: float
    to_s: float
    after: int
    by: int
    sure: bool
    times: float


@dataclass(slots=True)
class _Run:
    """Readings of one value, between which it cannot have changed.

    Attributes:
        value: what was read.
        first, last: the first and the last of them.
        taken_s: the value was taken no earlier; -inf where it need not be kept.
        left_s: the value was left no earlier.
        known: there was one change at most between the run before and this one.
        fresh: the unit restarted between them.
    """

    value: float
    first: FlagRead
    last: FlagRead
    taken_s: float
    left_s: float
    known: bool
    fresh: bool


@final
class FlagRuns:
    """The runs of one flag, as far as they are remembered.

    Args:
        traits: what is declared of the flag.
        as_read: the readings are taken as they stand: it changes in the middle of a poll, and never between two.
    """

    def __init__(self, traits: SignalTraits, *, as_read: bool) -> None:
        self._as_read = as_read
        self._age_s = traits.refreshed_every_s
        self._keeps_s = 0.0 if as_read else traits.keeps_for_s or 0.0
        self._runs: list[_Run] = []

    def observe(
        self, value: float, requested_s: float, replied_s: float, number: int | None, *, fresh: bool
    ) -> bool:
        """Take one reading; return whether a run ended with it.

        Args:
            value: what was read.
            requested_s: when it was requested, s.
            replied_s: when it was replied to, s.
            number: of the request, if it read all flags at one instant.
            fresh: the unit restarted since the reading before.
        """
        a, b = requested_s - self._age_s, replied_s
        if self._as_read:
            a = b = (requested_s + replied_s) / 2
        read = FlagRead(a, b, number)
        if not self._runs:
            self._runs.append(_Run(value, read, read, -INF, a, known=False, fresh=False))
            return True
        last = self._runs[-1]
        known = not fresh and self._known(b - last.left_s, changed=value != last.value)
        if known and value == last.value:
            last.last = read
            last.left_s = max(a, last.taken_s + self._keeps_s)
            return False
        if fresh:
            last.left_s = last.last.a
        if known and self._as_read:
            last.left_s = b
        taken_s = last.left_s if value != last.value else last.taken_s
        if fresh:
            taken_s = -INF  # what a restart sets need not be kept
        self._runs.append(_Run(value, read, read, taken_s, max(a, taken_s + self._keeps_s), known, fresh))
        return True

    def _known(self, room_s: float, *, changed: bool) -> bool:
        """Return whether the time that is left for changes is too short for two more than were seen."""
        return self._as_read or room_s < self._keeps_s * (2 if changed else 1)

    def forget(self, before_s: float, least: int) -> None:
        """Forget the runs that ended before an instant, but for the last few."""
        runs = self._runs
        over = 0
        while over < len(runs) - least and runs[over].left_s < before_s:
            over += 1
        del runs[:over]

    def clear(self) -> None:
        """Forget everything."""
        self._runs.clear()

    @property
    def known_to_s(self) -> float:
        """Until then the value is known, if it is known at all; -inf before the first reading."""
        return self._runs[-1].last.a if self._runs else -INF

    @property
    def taken_by_s(self) -> float:
        """By then the present value was taken; infinite before the first reading."""
        return self._runs[-1].first.b if self._runs else INF

    def _taken_by(self, first: int) -> Iterator[tuple[_Run, float]]:
        """Yield the runs from one on, from the last to the first, with when each value was taken at the latest."""
        left_by_s = INF
        following: _Run | None = None
        for run in reversed(self._runs[first:]):
            if following is not None:
                left = following.value != run.value and not following.fresh
                left_by_s = min(following.first.b, left_by_s - self._keeps_s) if left else INF
            yield run, min(run.first.b, left_by_s - self._keeps_s)
            following = run

    def _with_taken(self, first: int = 0) -> Sequence[tuple[_Run, float]]:
        return list(self._taken_by(first))[::-1]

    def sure(self, value: float, last: int | None = None) -> list[Sure]:
        """Return when a value was held for certain, in order of time.

        Args:
            value: 1 is on, 0 off.
            last: of how many of the last runs; None: of all.
        """
        first = 0 if last is None else max(0, len(self._runs) - last)
        return [
            Sure(taken_s, run.left_s, run.first, run.last)
            for run, taken_s in self._with_taken(first)
            if run.value == value
        ]

    def possible(self, value: float) -> list[Possible]:
        """Return when a value may have been held, in order of time and apart from each other: never else."""
        return [stretch.possible for stretch in self.stretches(value)]

    def stretches(self, value: float) -> list[MaybeHeld]:
        """Return when a value may have been held, as `possible` does, with when it was; the last one has no end."""
        found: list[MaybeHeld] = []
        begun: tuple[float, int] | None = (-INF, FIRST)  # before the first reading nothing is known
        longest: Sure | None = None
        before: _Run | None = None
        for run, taken_s in self._with_taken():
            if begun is None and (run.value == value or not run.known):
                assert before is not None
                begun = (before.left_s, _number(before.last))
            if run.value == value:
                sure = Sure(taken_s, run.left_s, run.first, run.last)
                longest = sure if longest is None or _lasts_s(sure) > _lasts_s(longest) else longest
            else:
                if begun is not None:
                    by = NEVER if run.first.number is None else run.first.number
                    found.append(MaybeHeld(Possible(begun[0], taken_s, begun[1], by), longest))
                begun = longest = None
            before = run
        if begun is None:
            assert before is not None
            begun = (before.left_s, _number(before.last))
        return [*found, MaybeHeld(Possible(begun[0], INF, begun[1], NEVER), longest)]

    def turns_on(self, last: int | None = None) -> list[Turn]:
        """Return when the flag turned on, or may have; `last`: at the begins of how many of the last runs."""
        first = 0 if last is None else max(0, len(self._runs) - last - 1)
        runs = self._with_taken(first)
        turns: list[Turn] = []
        if last is None:
            to_s, by = (runs[0][1], runs[0][0].first.number) if runs else (INF, None)
            turns.append(Turn(-INF, to_s, FIRST, NEVER if by is None else by, sure=False, times=INF))
        for (before, _), (run, taken_s) in pairwise(runs):
            on = not before.value and bool(run.value)
            if on or not run.known:
                from_s, by = before.left_s, run.first.number
                times = 1.0 if run.known else INF if run.fresh else self._most(run.first.b - from_s)
                to_s = taken_s if on else run.first.b
                turns.append(Turn(from_s, to_s, _number(before.last), NEVER if by is None else by, on, times))
        if last is None and runs:
            run = runs[-1][0]
            turns.append(Turn(run.left_s, INF, _number(run.last), NEVER, sure=False, times=INF))
        return turns

    def _most(self, room_s: float) -> float:
        """Return how often it can turn on in a time of which nothing is known."""
        return room_s // (2 * self._keeps_s) + 1 if self._keeps_s else INF
