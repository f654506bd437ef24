"""What changed, by its cause: verdicts and differences of many profiles in a few groups, the worst first (pure)."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.compare.comparison import counted_in
from ventproof.compare.words import moved_most, way
from ventproof.verdict.brief import cause_sentence

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ventproof.compare.comparison import Comparison
    from ventproof.compare.flips import Flip
    from ventproof.compare.measures import Compared


ORDER: Final = ("worse", "open", "better", "same")
"""What a change can mean, the worst first."""


@final
@dataclass(frozen=True, slots=True)
class FlipGroup:
    """Verdicts that changed for the same cause.

    Attributes:
        turn: what the change means.
        cause: what was wrong.
        flips: the changes, the one farthest beyond its limit first.
    """

    turn: str
    cause: str
    flips: tuple[Flip, ...]

    @property
    def not_run(self) -> bool:
        """Whether the candidate came to none of them, so that there is nothing to show."""
        return all(flip.not_run for flip in self.flips)

    @property
    def count(self) -> str:
        """How many verdicts, and in how many profiles."""
        return counted_in("verdict", [flip.profile for flip in self.flips])


@final
@dataclass(frozen=True, slots=True)
class ShiftGroup:
    """Differences of one signal the same way.

    Attributes:
        meaning: what they mean.
        cause: which way the signal differs.
        shifts: the differences, the greatest first, as measured by its limit.
    """

    meaning: str
    cause: str
    shifts: tuple[Compared, ...]

    @property
    def count(self) -> str:
        """How many differences, and in how many profiles."""
        return counted_in("difference", [one.key.profile for one in self.shifts])

    @property
    def headline(self) -> str:
        """Which way the signal differs, and by how much at most."""
        return moved_most(self.shifts)


def flip_groups(flips: Iterable[Flip]) -> list[FlipGroup]:
    """Return changed verdicts by cause: the worst first, fails before others; what was not run last."""
    found: dict[tuple[str, str], list[Flip]] = defaultdict(list)
    for flip in flips:
        found[flip.turn, flip.cause].append(flip)
    groups = [
        FlipGroup(turn, cause, tuple(sorted(those, key=lambda flip: -flip.beyond)))
        for (turn, cause), those in found.items()
    ]
    return sorted(groups, key=_place)


def _place(group: FlipGroup) -> tuple[bool, int, bool, int]:
    flips = group.flips
    fails = any(f.fails for f in flips)
    return group.not_run, ORDER.index(group.turn), not fails, -len({flip.profile for flip in flips})


def shift_groups(shifts: Iterable[Compared]) -> list[ShiftGroup]:
    """Return differences by signal and direction: the worst first, then the greatest."""
    found: dict[tuple[str, str], list[Compared]] = defaultdict(list)
    for one in shifts:
        found[one.meaning, way(one)].append(one)
    groups = [
        ShiftGroup(meaning, cause, tuple(sorted(those, key=_size, reverse=True)))
        for (meaning, cause), those in found.items()
    ]
    return sorted(groups, key=lambda group: (ORDER.index(group.meaning), -_size(group.shifts[0])))


def _size(one: Compared) -> float:
    """Return how great a difference is in its limits."""
    return abs(one.shift.estimate) / one.shift.limit if one.shift.limit else math.inf


def notable_shifts(found: Comparison) -> list[Compared]:
    """Return the differences that a reader must see, without those of responses whose verdict says it already.

    Inconclusive ones are among them where there is nothing else.
    """
    changed = {(f.profile, f.step, f.demand) for f in found.flips if f.turn == "worse"}
    beyond = [
        s
        for s in found.shifts
        if s.meaning != "same" and (s.key.profile, s.key.step, f"{s.key.signal} {s.demand}") not in changed
    ]
    return [s for s in beyond if s.meaning != "open"] or ([] if changed else beyond)


def heading_of_shifts(found: Comparison, notable: Sequence[Compared]) -> str:
    """Return what stands above notable differences: it says how many are left out, so that all are counted.

    Args:
        found: the comparison.
        notable: the differences that are shown; not every one that became worse or better need be among them.
    """
    known = sum(one.meaning in {"worse", "better"} for one in found.shifts)
    shown = sum(one.meaning in {"worse", "better"} for one in notable)
    if not known - shown:
        return "differences" if notable else ""
    if not notable:
        return f"differences: {known}, all of responses whose verdict changed"
    return f"differences, without {known - shown} of responses whose verdict changed"


def cause_of_outcome(found: Comparison) -> str:
    """Return in one sentence what explains the outcome: what most profiles share; empty where nothing is worse.

    Differences explain it only where no verdict does.
    """
    outcome = found.outcome
    if outcome == "same":
        return ""
    profiles: dict[str, set[str]] = defaultdict(set)
    for flip in found.flips:
        if flip.turn == outcome and not flip.not_run:
            profiles[flip.cause].add(flip.profile)
    for one in found.lone:
        if outcome == "open" and one.open:
            profiles[one.why].add(one.profile)
    if not profiles:
        perhaps = ", perhaps" if outcome == "open" else ""
        for shifted in found.shifts:
            if shifted.meaning == outcome:
                profiles[f"{way(shifted)}{perhaps}"].add(shifted.key.profile)
    return cause_sentence(profiles, len({*found.base.profiles, *found.candidate.profiles}), "profile")
