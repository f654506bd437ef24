"""What every scenario of an override table shares: what can be brought about, how it begins and ends (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.overridetable.model import LevelCondition
from bench.units import Dimension
from bench.wiring import ContactOutput
from harness.prove.changes import WeatherChange
from harness.prove.scenario import Phase, Scenario
from harness.prove.strokes import close, none, open_, plain, playable, quantity
from harness.prove.targets import ahead_deg

if TYPE_CHECKING:
    from bench.overridetable.model import Condition, OverrideTable, TableOverride
    from bench.units import Quantity
    from harness.prove.margins import Margins
    from harness.prove.strokes import PlannedStimulus

LONGEST_WAIT_S: Final = 1800.0
"""A condition that takes longer to come about is left to a person."""


@final
@dataclass(frozen=True, slots=True)
class ScenarioBuilder:
    """Makes the scenarios of one table for one bench."""

    table: OverrideTable
    margins: Margins

    def conditions(self, name: str) -> list[Condition]:
        """Return the conditions of an override that the bench can bring about."""
        override = self.table.overrides[name]
        return [c for c in override.when if playable(self.table, c, LONGEST_WAIT_S)]

    def scenario(
        self,
        file: str,
        *,
        title: str,
        about: str,
        overrides: tuple[str, ...],
        phases: tuple[Phase, ...],
        proves: tuple[str, ...],
    ) -> Scenario:
        """Return a scenario with its begin: levels at which no override is active, wind from ahead."""
        planned = [stimulus for phase in phases for _, stimulus in phase.stimuli]
        begun_anyway = {*self.table.opened_by, self.table.direction}
        writes = {
            output: self._calm(output)
            for output in (stimulus.output for stimulus in planned)
            if output not in begun_anyway and self._has_value(output)
        }
        before: tuple[WeatherChange, ...] = ()
        ahead = ahead_deg(self.table)
        if (
            self.table.direction
            and ahead is not None
            and any(self.table.overrides[n].leeward for n in overrides)
        ):
            writes[self.table.direction] = quantity(ahead, Dimension.DIRECTION)
            before = (WeatherChange(0.0, "direction", "", ahead),)
        failing = {c.name for stimulus in planned for c in stimulus.changes if c.kind == "failed"}
        sensors = tuple(name for name in self.table.sensors if name in failing)
        return Scenario(
            file=file,
            title=title,
            about=about,
            overrides=overrides,
            phases=phases,
            proves=proves,
            sensors=sensors,
            writes=writes,
            before=before,
        )

    def _has_value(self, output: str) -> bool:
        return output != "" and not isinstance(self.margins.bench.outputs[output], ContactOutput)

    def _calm(self, output: str) -> Quantity:
        sensor = self.table.sensors.get(output)
        if sensor is not None and sensor.good is not None:
            return quantity(sensor.good.value, sensor.good.dimension)
        conditions = (c for override in self.table.overrides.values() for c in override.when)
        condition = next(c for c in conditions if isinstance(c, LevelCondition) and c.level == output)
        return quantity(none(self.table, condition), condition.begins_at.dimension)

    def ending(self, name: str, override: TableOverride, ends: PlannedStimulus) -> tuple[Phase, ...]:
        """Return how an override ends: by itself, or by a reset."""
        if not override.latched or self.table.reset is None:
            return (self.phase(ends),)
        watch_s = override.release_delay + override.delays_within + 5
        keeps = Phase(ends.about, ((0.0, ends),), watch_s, f"{plain(name)} is latched")
        return keeps, self.reset()

    def delay_lines(self, name: str) -> tuple[str, ...]:
        """Return the delays that the override's flag shows neither too short nor too long."""
        override = self.table.overrides[name]
        if override.flag is None:
            return ()
        watched = self.margins.watches(override.flag)
        delays = (("entry_delay", override.entry_delay), ("release_delay", override.release_delay))
        return tuple(
            f"{name}.{key}" for key, delay_s in delays if watched or delay_s <= override.delays_within
        )

    def positions(self, name: str) -> tuple[str, ...]:
        """Return the lines that say where an override sends the vents."""
        return tuple(f"{name}.positions.{vent}" for vent in self.table.overrides[name].positions)

    def reset(self) -> Phase:
        """Return the reset of latched overrides."""
        assert self.table.reset is not None, "loading sees to it"
        return Phase("reset", ((0.0, close(self.table.reset)), (1.0, open_(self.table.reset))))

    def phase(self, stimulus: PlannedStimulus) -> Phase:
        """Return a phase of one stimulus, named after it."""
        return Phase(stimulus.about, ((0.0, stimulus),))


def by(name: str, output: str) -> str:
    """Return an override with what brings it about, in words."""
    return plain(name) if name == output else f"{plain(name)} by {plain(output)}"
