"""The stories of sensors that fail and of a supply that goes, and of how they come back (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from bench.overridetable.model import (
    FailedCondition,
)
from harness.prove.scenario import Phase, Scenario
from harness.prove.scenes import Scenes
from harness.prove.strokes import (
    begun,
    close,
    ended,
    lag_s,
    number,
    open_,
    plain,
)

if TYPE_CHECKING:
    from bench.overridetable.model import TableOverride


def mishaps(scenes: Scenes) -> Iterator[Scenario]:
    """Yield a story for every failure of every sensor that an override waits for, and one for the supply."""
    for name, override in scenes.table.overrides.items():
        for condition in scenes.conditions(name):
            if isinstance(condition, FailedCondition):
                for how in scenes.table.sensors[condition.failed].how:
                    yield _failure(scenes, name, override, condition, how)
    yield from _supply_lost(scenes)


def _failure(
    scenes: Scenes, name: str, override: TableOverride, condition: FailedCondition, how: str
) -> Scenario:
    sensor = condition.failed
    fails, mends = begun(scenes.table, condition, how=how), ended(scenes.table, condition)
    about = (
        f"What {plain(sensor)} shows while {fails.about} is no weather. The unit must notice it in time and take it"
        f" for {plain(name)}; once the sensor is mended it must trust it again, but not at once, and the vents open"
        f" after the release delay."
    )
    proves = (
        f"{name}.{sensor}.failed",
        f"sensors.{sensor}.{how}",
        *scenes.delay_lines(name),
        *_times(scenes, sensor, override),
        *scenes.positions(name),
    )
    phases = (scenes.phase(fails), *scenes.ending(name, override, mends))
    return scenes.story(
        f"{name}-{sensor}-fails-{how}",
        title=f"{plain(sensor)} fails: {how}",
        about=about,
        overrides=(name,),
        phases=phases,
        proves=proves,
    )


def _supply_lost(scenes: Scenes) -> Iterator[Scenario]:
    supply = scenes.table.supply
    name = next((n for n in scenes.table.overrides if scenes.conditions(n)), None)
    if supply is None or name is None:
        return
    condition = scenes.conditions(name)[0]
    override = scenes.table.overrides[name]
    away_s = 10.0 + supply.rides_through
    lost = ((0.0, open_(supply.contact)), (away_s, close(supply.contact)))
    boots_s = away_s + supply.boots_for + supply.delays_within
    flags = (
        tuple(
            (override.flag, f"equals: on, within: {number(round(boots_s + condition_s, 1))} s")
            for condition_s in (
                override.entry_delay
                + override.delays_within
                + lag_s(condition)
                + scenes.margins.late_s(override.flag or ""),
            )
        )
        if override.flag
        else ()
    )
    begins, ends = begun(scenes.table, condition), ended(scenes.table, condition)
    about = (
        f"The unit loses its supply while {begins.about}, and gets it back. It must find the weather again by"
        f" itself before it opens a vent."
    )
    phases = (
        scenes.phase(begins),
        Phase("the supply goes for ten seconds and comes back", lost, also=flags),
        *scenes.ending(name, override, ends),
    )
    proves = ("supply.boots_for", "supply.restart")
    yield scenes.story(
        f"supply-lost-in-{name}",
        title=f"the supply is lost in {plain(name)}",
        about=about,
        overrides=(name,),
        phases=phases,
        proves=proves,
    )


def _times(scenes: Scenes, sensor: str, override: TableOverride) -> tuple[str, ...]:
    """Return the sensor's times that the override's flag shows, together with its delays, from both sides."""
    if override.flag is None or not scenes.margins.watches(override.flag):
        return ()
    return f"sensors.{sensor}.fails_after", f"sensors.{sensor}.mends_after"
