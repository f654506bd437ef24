"""The scenarios of sensors that fail and of a supply that goes, and of how they come back (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from ventproof.draft.assembly import equals
from ventproof.draft.stimuli import FailureMode, begun, close, ended, lag_s, open_, plain
from ventproof.draft.story import Phase, Scenario, ScenarioBuilder
from ventproof.table.lines import condition_name
from ventproof.table.model import ContactCondition, FailedCondition

if TYPE_CHECKING:
    from ventproof.profile.model import Response
    from ventproof.table.model import Condition, TableOverride


def mishaps(builder: ScenarioBuilder) -> Iterator[Scenario]:
    """Yield a scenario for every failure of every sensor that an override waits for, and one for the supply."""
    for name, override in builder.table.overrides.items():
        for condition in builder.conditions(name):
            if isinstance(condition, FailedCondition):
                for mode in builder.table.sensors[condition.failed].modes:
                    yield _failure(builder, name, override, condition, mode)
    yield from _supply_lost(builder)


def _failure(
    builder: ScenarioBuilder,
    name: str,
    override: TableOverride,
    condition: FailedCondition,
    mode: FailureMode,
) -> Scenario:
    sensor = condition.failed
    fails, restores = begun(condition, mode=mode), ended(builder.table, condition)
    about = (
        f"What {plain(sensor)} shows while {fails.about} is not weather. The unit must detect it in time and treat it"
        f" as {plain(name)}. Once the sensor works again, the unit must accept it again, but not immediately, and the"
        f" vents open after the release delay."
    )
    proves = (
        f"{name}.{condition_name(override, condition)}",
        *builder.joint(name, condition),
        f"sensors.{sensor}.{mode}",
        *builder.flag_lines(name),
        *_times(builder, sensor, override),
        *builder.positions(name),
    )
    # A loop is stated once, so that the start puts it right: what a mended wire shows must be known.
    loop = builder.table.sensors[sensor].loop
    works = close(sensor) if loop == "closed" else open_(sensor)
    whole = () if loop is None else (Phase(f"the {plain(sensor)} works", ((0.0, works),)),)
    phases = (
        *builder.given(name, condition),
        *whole,
        builder.phase(fails),
        *builder.ending(name, override, restores),
    )
    return builder.scenario(
        f"{name}-{sensor}-fails-{mode}",
        title=f"{builder.failing(name, sensor)}: {mode}",
        about=about,
        overrides=(name,),
        phases=phases,
        proves=proves,
    )


def _supply_lost(builder: ScenarioBuilder) -> Iterator[Scenario]:
    supply = builder.table.supply
    moving = [name for name, its in builder.table.overrides.items() if not its.is_alarm]
    playable = [(name, its) for name in moving for its in builder.conditions(name)]
    if supply is None or not playable:
        return
    # What calls alone, and is seen at once, shows best when the unit is back.
    name, condition = max(playable, key=lambda its: _plainness(builder, *its))
    override = builder.table.overrides[name]
    away_s = 10.0 + supply.rides_through
    lost = ((0.0, open_(supply.contact)), (away_s, close(supply.contact)))
    boots_s = away_s + supply.boots_for + supply.delay_tolerance
    flags: tuple[Response, ...] = ()
    if override.flag:
        begins_s = override.entry_delay + override.delay_tolerance + lag_s(condition)
        late_s = builder.margins.late_s(override.flag)
        # It is on before, too: what shows that it was found again is that it was seen off.
        seen_off = override.entry_delay - override.delay_tolerance > late_s
        within_s = round(boots_s + begins_s + late_s, 1)
        flags = (equals(override.flag, within_s, on=override.flag_while_active == "on", anyhow=not seen_off),)
    begins, ends = begun(condition), ended(builder.table, condition)
    about = (
        f"The unit loses its supply while {begins.about}, and gets it back. It must find the weather again by"
        f" itself before it opens a vent."
    )
    phases = (
        *builder.given(name, condition),
        builder.phase(begins),
        Phase("the supply goes for ten seconds and comes back", lost, also=flags),
        *builder.ending(name, override, ends),
    )
    proves = ("supply.boots_for", "supply.restart")
    yield builder.scenario(
        f"supply-lost-in-{name}",
        title=f"the supply is lost in {plain(name)}",
        about=about,
        overrides=(name,),
        phases=phases,
        proves=proves,
    )


def _plainness(builder: ScenarioBuilder, name: str, condition: Condition) -> tuple[bool, bool]:
    """Return whether a condition calls for its override alone, and is a contact."""
    alone = not builder.table.overrides[name].together_with(condition)
    return alone, isinstance(condition, ContactCondition)


def _times(builder: ScenarioBuilder, sensor: str, override: TableOverride) -> tuple[str, ...]:
    """Return the sensor's times that the override's flag shows, together with its delays, from both sides."""
    if override.flag is None or not builder.margins.watches(override.flag):
        return ()
    return f"sensors.{sensor}.fails_after", f"sensors.{sensor}.recovers_after"
