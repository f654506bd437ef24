"""Where the active overrides of a table send a vent, as far as it is known which are active (pure)."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, final

if TYPE_CHECKING:
    from bench.overridetable.model import OverrideTable


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
