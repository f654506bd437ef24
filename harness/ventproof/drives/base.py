"""What the deciders of demands on drives have in common: the time that is judged, and when it is decided (pure)."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import final

from ventproof.drives.runs import FlagRuns, Possible, Sure
from ventproof.envelope.spans import EPS_S, INF
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window


@final
@dataclass(slots=True)
class JudgedTime:
    """The time that a demand speaks of: from some instant of [s1, s2] on, for `for_s` or until its condition ends.

    Attributes:
        s1, s2: earliest and latest instant of the stimulus, s.
        for_s: how long; None: until its condition ends.
        last_s: the last instant at which it is in force for certain, if it began at s1.
        end_s: the last instant at which it may be in force.
    """

    s1: float
    s2: float
    for_s: float | None
    last_s: float
    end_s: float

    @classmethod
    def of(cls, stimulus: Window, for_s: float | None) -> JudgedTime:
        """Return the time from a stimulus on."""
        s1, s2 = stimulus.earliest_s, stimulus.latest_s
        length_s = INF if for_s is None else for_s
        return cls(s1, s2, for_s, s1 + length_s, s2 + length_s)

    def end_at(self, earliest_s: float, latest_s: float) -> None:
        """The condition ended at some instant between two."""
        self.last_s, self.end_s = min(self.last_s, earliest_s), min(self.end_s, latest_s)

    def least_s(self, from_s: float, to_s: float) -> float:
        """Return how much of a span is judged at least, wherever in its window the stimulus was."""
        late = min(to_s, self.last_s + (self.s2 - self.s1 if self.for_s is not None else 0.0)) - max(
            from_s, self.s2
        )
        # The length is concave in the instant of the stimulus, so that it is least at an end of its window.
        return min(late, min(to_s, self.last_s) - max(from_s, self.s1)) if self.for_s is not None else late

    def most_s(self, from_s: float, to_s: float) -> float:
        """Return how much of a span is judged at most."""
        most_s = min(to_s, self.end_s) - max(from_s, self.s1)
        return most_s if self.for_s is None else min(most_s, self.for_s)

    def surely_has(self, from_s: float, to_s: float) -> bool:
        """Return whether a span is judged as a whole."""
        return from_s >= self.s2 and to_s <= self.last_s

    def may_have(self, from_s: float, to_s: float) -> bool:
        """Return whether something within an open span may be judged."""
        return from_s < self.end_s and to_s > self.s1


@dataclass(frozen=True, slots=True)
class Violation:
    """What fails a demand.

    Attributes:
        by: how long it lasted, or how short it was, s; or how many there were.
        at_s: loop time by which it was so.
        first: index of the flag that it is told of first.
    """

    by: Bounds
    at_s: float
    first: int = 0


class FlagsDecider(ABC):
    """Decides one demand on the runs of one flag or of two.

    What it says is true of every course of the flags that the readings allow. A fail is found as soon as it is certain;
    all else when no reading can matter any more.

    Attributes:
        judged: the time that is judged.
        verdict: None while undecided.
        violation: what fails it, if something does.
        observed: of what was seen for certain, the extreme, as `Violation.by` is; None where there was nothing.
        open_by: how much the evidence leaves beyond the limit: what it may have been at worst; None where nothing is.
    """

    __slots__ = ("_look_s", "judged", "observed", "open_by", "verdict", "violation")

    def __init__(self, judged: JudgedTime) -> None:
        self.judged = judged
        self.verdict: Verdict | None = None
        self.violation: Violation | None = None
        self.observed: Bounds | None = None
        self.open_by: float | None = None
        self._look_s = -INF

    def look(self, flags: Sequence[FlagRuns], *, changed: bool) -> None:
        """Fail if the last readings make it certain; pass or leave it open once what comes next cannot matter.

        Args:
            flags: what is known of each flag.
            changed: a flag has changed, or may have, since the last look.
        """
        known_to_s = min(flag.known_to_s for flag in flags)
        if self.verdict is not None or not (changed or known_to_s > self._look_s):
            return
        self._fail(self.violated(flags, last=2))
        if self.verdict is None and known_to_s >= self.judged.end_s:
            self.finish(flags)
        due_s = self.due_s(flags)
        self._look_s = min(self.judged.end_s - EPS_S, due_s if due_s >= known_to_s else INF)

    def finish(self, flags: Sequence[FlagRuns]) -> None:
        """Nothing more will come."""
        if self.verdict is not None:
            return
        if self.judged.end_s < self.judged.s1:  # it was never in force
            self.verdict = Verdict.PASS
            return
        self._fail(self.violated(flags, last=None))
        if self.verdict is None:
            self.verdict = Verdict.PASS if self.kept(flags) else Verdict.INCONCLUSIVE

    def _fail(self, violation: Violation | None) -> None:
        if violation is not None:
            self.violation, self.verdict = violation, Verdict.FAIL

    def due_s(self, flags: Sequence[FlagRuns]) -> float:  # noqa: ARG002 - most kinds need a change
        """Return the earliest instant at which it is violated for certain if nothing changes; infinite: never."""
        return INF

    @abstractmethod
    def violated(self, flags: Sequence[FlagRuns], last: int | None) -> Violation | None:
        """Return what is violated for certain.

        Args:
            flags: what is known of each flag.
            last: look at so many of the last runs of one of them at least; None: at all.
        """

    @abstractmethod
    def kept(self, flags: Sequence[FlagRuns]) -> bool:
        """Return whether every course that the evidence leaves keeps to it."""

    @abstractmethod
    def shown(self, flags: Sequence[FlagRuns]) -> bool:
        """Return whether there was anything that could have violated it."""

    def ran(self, flag: FlagRuns, value: float = 1.0) -> bool:
        """Return whether a flag had a value for certain at some judged instant."""
        return any(
            self.judged.least_s(one.from_s, one.to_s) > EPS_S
            or any(self.judged.surely_has(read.a, read.b) for read in (one.first, one.last))
            for one in flag.sure(value)
        )


def sure_overlaps(some: Sequence[Sure], others: Sequence[Sure]) -> Iterator[tuple[Sure, Sure, Sure]]:
    """Yield two spans and what they share for certain; each list is in order of time."""
    begin = 0
    for one in some:
        while begin < len(others) and others[begin].last.b < one.first.a and others[begin].to_s < one.from_s:
            begin += 1
        for other in others[begin:]:
            if other.from_s >= one.to_s and other.first.a > one.last.b:
                break
            shared = one.overlap(other)
            if shared is not None:
                yield one, other, shared


def possible_overlaps(some: Sequence[Possible], others: Sequence[Possible]) -> list[Possible]:
    """Return what spans of two flags may share; each list is in order of time."""
    found: list[Possible] = []
    begin = 0
    for one in some:
        while begin < len(others) and others[begin].to_s <= one.from_s:
            begin += 1
        for other in others[begin:]:
            if other.from_s >= one.to_s:
                break
            shared = one.overlap(other)
            if shared is not None:
                found.append(shared)
    return found
