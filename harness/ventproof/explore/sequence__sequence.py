"""A sequence of weather: what is done to the unit and when, and what the override table says to it (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, final

from harness.prove.changes import WeatherChange
from harness.prove.oracle import ExpectedBehaviour, expected
from harness.prove.targets import ahead_deg

if TYPE_CHECKING:
    from bench.overridetable.model import OverrideTable
    from harness.prove.explore.moves import Move

_REST_S: Final = 5.0
"""A sequence ends so long after the last thing that it brings about."""

_STILL_PERCENT: Final = 0.01

SHORTEST_S: Final = 1.0
"""Between two things that are done."""


@final
@dataclass(frozen=True, slots=True)
class Action:
    """Something that is done, so many seconds after the sequence begins."""

    at_s: float
    move: Move


Sequence = tuple[Action, ...]


def weather_of(table: OverrideTable, sequence: Sequence) -> list[WeatherChange]:
    """Return the weather that a sequence makes; where the wind comes from is known from the begin."""
    ahead = ahead_deg(table)
    weather = [] if ahead is None else [WeatherChange(0.0, "direction", "", ahead)]
    return weather + [change for action in sequence for change in action.move.planned.at(action.at_s)]


def foreseen(table: OverrideTable, sequence: Sequence) -> ExpectedBehaviour:
    """Return what the unit owes in a sequence, followed until nothing that it brings about is still to come."""
    end_s = sequence[-1].at_s if sequence else 0.0
    known = expected(table, weather_of(table, sequence), end_s + longest_tail_s(table))
    changes_s = [end_s]
    for bounds in (known.activity.powered, *known.activity.active.values()):
        changes_s += [t_s for line in (bounds.may, bounds.must) for t_s in line.switches_s]
    for travel in known.vents.values():
        for course in (travel.low, travel.high):
            moving = (b for a, b in pairwise(course) if abs(a[1] - b[1]) > _STILL_PERCENT)
            changes_s += [t_s for t_s, _ in moving]
    # What comes later comes of nothing that was done: cups that stand still for half a day.
    last_s = max(t_s for t_s in changes_s if t_s < known.until_s)
    return expected(table, weather_of(table, sequence), last_s + _REST_S)


def longest_tail_s(table: OverrideTable) -> float:
    """Return how long after the last action something may still come of it, seconds."""
    supply = table.supply
    boots_s = supply.boots_for + supply.delays_within if supply is not None else 0.0
    delays_s = max(o.entry_delay + o.release_delay + 2 * o.delays_within for o in table.overrides.values())
    runs_s = max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    return boots_s + delays_s + 2 * runs_s + _SENSING_S


_SENSING_S: Final = 60.0
"""Allowed for averaging, for tips of a bucket and for sensors that fail."""


def gaps_s(table: OverrideTable) -> tuple[float, ...]:
    """Return the spans to leave between two actions: about each delay of the table, on the way, and at rest."""
    delays = {override.entry_delay for override in table.overrides.values()}
    delays |= {override.release_delay for override in table.overrides.values()}
    delays |= {sensor.fails_after for sensor in table.sensors.values()}
    within_s = max(override.delays_within for override in table.overrides.values()) + SHORTEST_S
    travel_s = max(vent.full_travel[1] for vent in table.vents.values())
    spans = {SHORTEST_S, travel_s / 2, travel_s + within_s}
    for delay in delays:
        if delay <= longest_tail_s(table):
            spans |= {delay - within_s, delay / 2, delay + within_s}
    spans.add(max(spans) + travel_s)
    return tuple(sorted({round(span, 1) for span in spans if span >= SHORTEST_S}))
