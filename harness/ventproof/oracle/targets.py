"""Where vents go (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations
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


_ABEAM_DEG = 90.0

Ceilings = Mapping[str, Range]
"""By override, how far open a vent may be at most while the override, which only closes, is active."""

Lee = frozenset[str]
"""The vent groups that face away from the wind."""


def targets(
    table: OverrideTable,
    vent: str,
    *,
    active: Collection[str],
    open_: Collection[str],
    stage: Range,
    ceilings: Ceilings,
    lee: Collection[Lee],
) -> Range:
    """Return between which positions a vent's target lies.

    Args:
        table: the table.
        vent: the vent group.
        active: overrides that certainly are active.
        open_: overrides that may be.
        stage: where the temperature wants the vent.
        ceilings: of every override that is or may be active.
        lee: the possible sets of vents that face away from the wind.
    """
    # Every combination, and not each override for itself: by its rank one may silence the others.
    found = [
        _target(table, vent, {*active, *also}, stage=stage, ceilings=ceilings, lee=away)
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


def _target(
    table: OverrideTable, vent: str, active: Collection[str], *, stage: Range, ceilings: Ceilings, lee: Lee
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
        if vent in lee and vent in override.leeward:
            position = override.leeward[vent].value
        if override.only_close:
            low = min(low, position, stage.low, ceilings[name].low)
            high = min(high, position, stage.high, ceilings[name].high)
        else:
            low, high = min(low, position), min(high, position)
    return Range(low, high)


def ahead_deg(table: OverrideTable) -> float | None:
    """Return from where, in degrees, the wind blows on a vent that has a lee side; None without such a vent."""
    leeward = (vent for override in table.overrides.values() for vent in override.leeward)
    return None if table.direction is None else next((table.vents[vent].faces for vent in leeward), None)


def angle_deg(one: float, other: float) -> float:
    """Return the angle between two directions, 0 to 180 degrees."""
    return abs((one - other + 180) % 360 - 180)


def lees(table: OverrideTable, direction: Range | None) -> frozenset[Lee]:
    """Return the possible sets of vents that face away from the wind.

    Args:
        table: the table.
        direction: between which directions the wind comes from, degrees; None for not known: a unit without a vane
            takes every vent to face the wind, one with a vane goes by whatever that shows.
    """
    if direction is None:
        return frozenset({frozenset(), *(_lee(table, from_deg) for from_deg in range(360))})
    return frozenset(_lee(table, from_deg) for from_deg in (direction.low, direction.high))


def _lee(table: OverrideTable, from_deg: float) -> Lee:
    return frozenset(
        name
        for name, vent in table.vents.items()
        if vent.faces is not None and angle_deg(from_deg, vent.faces) > _ABEAM_DEG
    )


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
        ends_s = [begin_s for begin_s, _ in self.targets[1:]]
        recent = self.targets[-1][1]
        for (_, target), end_s in zip(self.targets, ends_s, strict=False):
            if end_s + self.vent.starts_within > now_s:
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
