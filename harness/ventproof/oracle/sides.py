"""Which vents face away from the wind, and when they change their side (pure)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from ventproof.oracle.timeline import ALWAYS, NEVER, UncertainState, beyond, of, settled, stepped

if TYPE_CHECKING:
    from ventproof.oracle.timeline import Weather
    from ventproof.table.model import OverrideTable


_ABEAM_DEG: Final = 90.0
_PAST_DEG: Final = 1e-9
"""Straight across is windward yet."""
_HALF_TURN_DEG: Final = 180.0


def ahead_deg(table: OverrideTable) -> float | None:
    """Return from where, in degrees, the wind blows on a vent that has a lee side; None without such a vent."""
    leeward = (vent for override in table.overrides.values() for vent in override.leeward)
    return None if table.direction is None else next((table.vents[vent].faces for vent in leeward), None)


def angle_deg(one: float, other: float) -> float:
    """Return the angle between two directions, 0 to 180 degrees."""
    return abs((one - other + 180) % 360 - 180)


def lee_sides(table: OverrideTable, weather: Weather, powered: UncertainState) -> dict[str, UncertainState]:
    """Return of each vent group when it faces away from the wind.

    A unit without a vane takes every vent to face the wind, one with a vane goes by whatever that shows: before the
    first direction, either may be.

    Args:
        table: the table.
        weather: with the directions that the wind comes from.
        powered: when the unit runs; a vent faces the wind again after each start, until the vane says otherwise.
    """
    return {
        name: UncertainState(NEVER, NEVER)
        if vent.faces is None
        else _lee(table, vent.faces, weather, powered)
        for name, vent in table.vents.items()
    }


def _lee(table: OverrideTable, faces_deg: float, weather: Weather, powered: UncertainState) -> UncertainState:
    turns = of(weather, "direction", "")
    if not turns:
        return UncertainState(ALWAYS, NEVER)
    angles = [replace(turn, value=angle_deg(turn.value, faces_deg)) for turn in turns]
    low, high = stepped(angles, 0.0)[0], stepped(angles, _HALF_TURN_DEG)[1]
    sides = table.sides
    by_s, off_by = (sides.delay_tolerance if sides.settles_after else 0.0), sides.accuracy.value
    on_at, off_at = _ABEAM_DEG + sides.dead_band.value + _PAST_DEG, _ABEAM_DEG - sides.dead_band.value
    early_s, late_s = max(0.0, sides.settles_after - by_s), sides.settles_after + by_s
    may = beyond(high, on_at - off_by, off_at - off_by, powered=powered.may)
    must = beyond(low, on_at + off_by, off_at + off_by, powered=powered.must)
    return UncertainState(
        settled(may, early_s, late_s, powered.may), settled(must, late_s, early_s, powered.must)
    )
