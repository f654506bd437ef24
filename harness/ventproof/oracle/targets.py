"""Where vents go (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Literal, final

if TYPE_CHECKING:
    from ventproof.table.model import OverrideTable, TableVent


@final
@dataclass(frozen=True, slots=True)
class Range:
    """Positions between which one lies that is not known exactly, % open."""

    low: float
    high: float

    def joined(self, other: Range) -> Range:
        """Return the range that holds both."""
        return Range(min(self.low, other.low), max(self.high, other.high))


Ceilings = Mapping[str, Range]
"""By override, how far open a vent may be at most while the override, which only closes, is active."""

Limits = Mapping[str, Range]
"""By override, how far open a vent may stand at most while the override is active, whatever decides."""


def targets(
    table: OverrideTable,
    vent: str,
    *,
    active: Collection[str],
    open_: Collection[str],
    stage: Range,
    ceilings: Ceilings,
    limits: Limits,
    lee: Collection[bool],
) -> Range:
    """Return between which positions a vent's target lies.

    Args:
        table: the table.
        vent: the vent group.
        active: overrides that certainly are active.
        open_: overrides that may be.
        stage: where the temperature wants the vent.
        ceilings: of every override that is or may be active.
        limits: of every override that limits the vent.
        lee: whether the vent faces away from the wind; both where either is possible.
    """
    # Every combination, and not each override for itself: by its rank one may silence the others.
    found = [
        _limited(
            _target(table, vent, {*active, *also}, stage=stage, ceilings=ceilings, lee=away),
            [limits[name] for name in (*active, *also) if name in limits],
        )
        for also in _subsets(open_)
        for away in lee
    ]
    joined = found[0]
    for other in found[1:]:
        joined = joined.joined(other)
    return joined


def _subsets(names: Collection[str]) -> Iterator[tuple[str, ...]]:
    for size in range(len(names) + 1):
        yield from combinations(sorted(names), size)


def _limited(target: Range, limits: Iterable[Range]) -> Range:
    low, high = target.low, target.high
    for limit in limits:
        low, high = min(low, limit.low), min(high, limit.high)
    return Range(low, high)


def _target(
    table: OverrideTable, vent: str, active: Collection[str], *, stage: Range, ceilings: Ceilings, lee: bool
) -> Range:
    deciding = [name for name in active if vent in table.overrides[name].positions]
    ranks = table.ranks
    if ranks is not None:
        first = next((rank for rank in ranks if any(name in deciding for name in rank)), ())
        deciding = [name for name in deciding if name in first]
    if not deciding:
        return stage
    # Among those that decide, the one that closes most counts.
    low = high = 100.0
    for name in deciding:
        override = table.overrides[name]
        position = override.positions[vent].value
        if lee and vent in override.leeward:
            position = override.leeward[vent].value
        if override.only_close:
            low = min(low, position, stage.low, ceilings[name].low)
            high = min(high, position, stage.high, ceilings[name].high)
        else:
            low, high = min(low, position), min(high, position)
    return Range(low, high)


_FULL = 100.0


@final
@dataclass(slots=True)
class PossibleTravel:
    """The lowest and the highest course that a vent may take; grows as time goes on.

    A drive may go on as it did for as long as `starts_within` allows, so that a bound follows the target that it
    leaves more slowly: the highest of the last moments for the upper bound, the lowest for the lower one.

    Attributes:
        targets: (from, range of the target) for every span, rising in time.
    """

    vent: TableVent
    low: list[tuple[float, float]] = field(default_factory=list)
    high: list[tuple[float, float]] = field(default_factory=list)
    targets: list[tuple[float, Range]] = field(default_factory=list)

    def begin(self, t_s: float, stands: Range) -> None:
        """Take where the vent stands at first, at rest."""
        self.targets.append((t_s, stands))
        self.low.append((t_s, stands.low))
        self.high.append((t_s, stands.high))

    @property
    def stands(self) -> Range:
        """Between which positions it is at the time up to which it was followed."""
        return Range(self.low[-1][1], self.high[-1][1])

    def follow(self, target: Range, to_s: float, moves: Literal["yes", "no", "open"]) -> None:
        """Let it follow a target up to an instant.

        Args:
            target: the target from the time up to which it was followed.
            to_s: the instant; the target changes nowhere between, nor `starts_within` after a change.
            moves: whether the unit has its supply, and the drive moves.
        """
        from_s = self.low[-1][0]
        self.targets.append((from_s, target))
        recent = self._recent(from_s)
        shortest_s, longest_s = self.vent.full_travel
        fast, slow = _FULL / shortest_s, _FULL / longest_s
        up, down = (fast, slow) if moves == "yes" else (fast, 0.0) if moves == "open" else (0.0, 0.0)
        _approach(self.high, recent.high, to_s, up=up, down=down)
        up, down = (slow, fast) if moves == "yes" else (0.0, fast) if moves == "open" else (0.0, 0.0)
        _approach(self.low, recent.low, to_s, up=up, down=down)

    def _recent(self, now_s: float) -> Range:
        recent = self.targets[-1][1]
        for (end_s, _), (_, target) in pairwise(reversed(self.targets)):
            if end_s + self.vent.starts_within <= now_s:
                break
            recent = recent.joined(target)
        return recent

    def within(self, t_s: float) -> Range:
        """Return between which positions it is at an instant."""
        return Range(_at(self.low, t_s), _at(self.high, t_s))

    def target(self, t_s: float) -> Range:
        """Return between which positions its target is from an instant on."""
        number = bisect_right([begin_s for begin_s, _ in self.targets], t_s)
        return self.targets[max(0, number - 1)][1]


def _approach(
    course: list[tuple[float, float]], target: float, to_s: float, *, up: float, down: float
) -> None:
    """Lengthen a course towards a target, at these rates in %/s."""
    from_s, stands = course[-1]
    rate = up if target > stands else down
    distance = abs(target - stands)
    if distance and rate:
        arrives_s = from_s + distance / rate
        if arrives_s < to_s:
            course.append((arrives_s, target))
            stands = target
        else:
            stands += (rate if target > stands else -rate) * (to_s - from_s)
    course.append((to_s, stands))


def _at(course: list[tuple[float, float]], t_s: float) -> float:
    number = bisect_right([vertex_s for vertex_s, _ in course], t_s)
    if number == 0:
        return course[0][1]
    if number == len(course):
        return course[-1][1]
    (from_s, before), (to_s, after) = course[number - 1], course[number]
    return before + (after - before) * (t_s - from_s) / (to_s - from_s)
