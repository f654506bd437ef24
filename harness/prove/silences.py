"""The stories of what is told by silence: a bus on which nobody asks, and cups that stand still (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor
from typing import TYPE_CHECKING, Final

from bench.overridetable.model import BusSilentCondition, FailedCondition, WindCondition
from harness.prove.scenario import Phase, Scenario
from harness.prove.scenes import LONGEST_WAIT_S, Scenes
from harness.prove.strokes import READ_BEFORE_S, asked, begun, ended, idle, none, number, plain, played

if TYPE_CHECKING:
    from bench.overridetable.model import OverrideTable, TableOverride
    from bench.units import Quantity

_LONGEST_SILENCE_S: Final = 3000.0  # in idle time the bus is asked once an hour
_LONGEST_STILL_S: Final = 7 * 86_400.0
_SHORT_BY_S: Final = 10.0
_SPARE_S: Final = 10.0
_LEAST_S: Final = 2.0


def silences(scenes: Scenes) -> Iterator[Scenario]:
    """Yield a story for each override that waits for a silent bus, or for cups that stand still for hours."""
    if scenes.margins.bench.interlock is not None:
        return  # it must be read all the time
    for name, override in scenes.table.overrides.items():
        if override.flag is None or override.latched:
            continue
        for condition in override.when:
            if isinstance(condition, BusSilentCondition):
                yield from _bus(scenes, name, override, condition.bus_silent)
            elif isinstance(condition, FailedCondition):
                yield from _still(scenes, name, override, condition)


def _bus(scenes: Scenes, name: str, override: TableOverride, silent_s: float) -> Iterator[Scenario]:
    flag, table = str(override.flag), scenes.table
    late_s = scenes.margins.late_s(flag)
    lasts_s = floor(override.release_delay - override.delays_within - READ_BEFORE_S - late_s - 1)
    if not 2 * _SHORT_BY_S <= silent_s <= _LONGEST_SILENCE_S or lasts_s < _LEAST_S:
        return
    closes_s = max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    takes_s = silent_s + override.entry_delay + override.delays_within + closes_s + READ_BEFORE_S + _SPARE_S
    stands = tuple(
        (
            table.vents[vent].signal,
            f"stays: {_stands(table, vent, position)}, tolerance: ${vent}_tolerance, for: {number(lasts_s)} s",
        )
        for vent, position in override.positions.items()
    )
    short_s = 60.0 * floor((silent_s + READ_BEFORE_S - _SHORT_BY_S) / 60)
    phases = []
    if short_s > READ_BEFORE_S:
        phases.append(
            _unasked(scenes, short_s, (_says(flag, late_s, on=False),), why="the silence was too short")
        )
    phases.append(_unasked(scenes, _minutes_s(takes_s), (_says(flag, late_s, on=True), *stands)))
    about = (
        f"Nobody asks the unit anything. Once that lasts for {number(silent_s)} s it must take it for {plain(name)}"
        f" and be found closed when it is asked again; a silence that is too short may mean nothing. Nothing can be"
        f" read meanwhile, and reading begins again ten seconds before the time is over."
    )
    yield scenes.story(
        f"{name}-bus-silent",
        title=f"{plain(name)} when the bus falls silent",
        about=about,
        overrides=(name,),
        phases=tuple(phases),
        proves=(f"{name}.bus_silent", *scenes.positions(name)),
    )


def _still(
    scenes: Scenes, name: str, override: TableOverride, condition: FailedCondition
) -> Iterator[Scenario]:
    """Yield cups that fail; only in virtual time where that takes hours."""
    table, sensor = scenes.table, scenes.table.sensors[condition.failed]
    wind = next(
        (
            c
            for its in table.overrides.values()
            for c in its.when
            if isinstance(c, WindCondition) and c.wind == condition.failed
        ),
        None,
    )
    hours = LONGEST_WAIT_S < sensor.fails_after <= _LONGEST_STILL_S
    if wind is None or sensor.flag is None or not (hours and scenes.margins.bench.virtual):
        return
    breeze = played(wind, none(table, wind))
    fails, mends = begun(table, condition), ended(table, condition)
    told = (sensor.flag, str(override.flag))
    late_s = max(scenes.margins.late_s(flag) for flag in told)
    takes_s = sensor.fails_after + sensor.delays_within + override.entry_delay + override.delays_within
    longer_s = _minutes_s(takes_s + max(v.full_travel[1] for v in table.vents.values()) + _SPARE_S)
    still = idle(longer_s)
    phases = (
        scenes.phase(breeze),
        Phase(
            f"{fails.about}, and {still.about}",
            ((0.0, fails), (1.0, still), (1.0 + longer_s, asked(table))),
            override.release_delay + override.delays_within + _SPARE_S,
            f"no pulse came for {number(sensor.fails_after)} s",
            tuple(_says(flag, late_s, on=True) for flag in told),
        ),
        scenes.phase(mends),
    )
    about = (
        f"{plain(condition.failed).capitalize()} that send no pulse for longer than any calm are broken: the unit must"
        f" take that for {plain(name)}, and must let go when they turn again."
    )
    line = f"sensors.{condition.failed}"
    yield scenes.story(
        f"{name}-{condition.failed}-stand-still",
        title=f"{plain(condition.failed)} stand still for too long",
        about=about,
        overrides=(name,),
        phases=phases,
        proves=(f"{name}.{condition.failed}.failed", f"{line}.open", f"{line}.mends_after"),
    )


def _stands(table: OverrideTable, vent: str, position: Quantity) -> str:
    """Return where a vent that stood open is found, as a profile writes it."""
    return f"{number(min(position.value, table.vents[vent].open.value))} %"


def _unasked(scenes: Scenes, for_s: float, also: tuple[tuple[str, str], ...], why: str = "") -> Phase:
    """Return a phase in which nobody asks, and what must be found then."""
    strokes = ((0.0, idle(for_s)), (for_s, asked(scenes.table)))
    return Phase(strokes[0][1].about, strokes, why=why, also=also)


def _says(flag: str, late_s: float, *, on: bool) -> tuple[str, str]:
    return flag, f"equals: {'on' if on else 'off'}, within: {number(1 + late_s)} s"


def _minutes_s(span_s: float) -> float:
    return 60.0 * ceil(span_s / 60)
