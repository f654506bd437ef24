"""What every drafted story of an override table shares: what can be brought about, how it begins and ends (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.overridetable.model import (
    LevelCondition,
)
from bench.units import canonical_symbol
from harness.prove.changes import Change
from harness.prove.scenario import Phase, Scenario
from harness.prove.strokes import (
    Stroke,
    close,
    none,
    number,
    open_,
    plain,
    playable,
)
from harness.prove.targets import ahead_deg

if TYPE_CHECKING:
    from bench.overridetable.model import Condition, OverrideTable, TableOverride
    from harness.prove.margins import Margins

LONGEST_WAIT_S: Final = 1800.0
"""A condition that takes longer to come about is left to a person."""


@final
@dataclass(frozen=True, slots=True)
class Scenes:
    """Writes the stories of one table for one bench."""

    table: OverrideTable
    margins: Margins

    def conditions(self, name: str) -> list[Condition]:
        """Return the conditions of an override that the bench can bring about."""
        override = self.table.overrides[name]
        return [c for c in override.when if playable(self.table, c, LONGEST_WAIT_S)]

    def story(
        self,
        file: str,
        *,
        title: str,
        about: str,
        overrides: tuple[str, ...],
        phases: tuple[Phase, ...],
        proves: tuple[str, ...],
    ) -> Scenario:
        """Return a story with what it needs to begin with: levels at which no override is active, wind from ahead."""
        strokes = [stroke for phase in phases for _, stroke in phase.strokes]
        writes: dict[str, str] = {}
        for stroke in strokes:
            if stroke.need not in {"", "contact", "°"} and stroke.output not in self.table.opened_by:
                writes[stroke.output] = self._calm(stroke.output)
        before: tuple[Change, ...] = ()
        ahead = ahead_deg(self.table)
        if (
            self.table.direction
            and ahead is not None
            and any(self.table.overrides[n].leeward for n in overrides)
        ):
            writes[self.table.direction] = f"{number(ahead)} °"
            before = (Change(0.0, "direction", "", ahead),)
        failing = {c.name for stroke in strokes for c in stroke.changes if c.kind == "failed"}
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

    def _calm(self, output: str) -> str:
        sensor = self.table.sensors.get(output)
        if sensor is not None and sensor.good is not None:
            return f"{number(sensor.good.value)} {canonical_symbol(sensor.good.dimension)}"
        conditions = (c for override in self.table.overrides.values() for c in override.when)
        condition = next(c for c in conditions if isinstance(c, LevelCondition) and c.level == output)
        return f"{number(none(self.table, condition))} {canonical_symbol(condition.begins_at.dimension)}"

    def ending(self, name: str, override: TableOverride, ends: Stroke) -> tuple[Phase, ...]:
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

    def phase(self, stroke: Stroke, watch_s: float = 10.0, why: str = "") -> Phase:
        """Return a phase of one stimulus, named after it."""
        return Phase(stroke.about, ((0.0, stroke),), watch_s, why)


def by(name: str, output: str) -> str:
    """Return an override with what brings it about, in words."""
    return plain(name) if name == output else f"{plain(name)} by {plain(output)}"
