"""The mock unit's settings, as a bench file states them: vent groups, overrides, house, faults (model only)."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from bench.fields import AnyQuantity, FileModel, Name, PositiveSeconds, Seconds


class VentGroup(FileModel):
    """Vents that move together."""

    full_travel: PositiveSeconds
    """Time from fully closed to fully open."""
    dead_time: Seconds = 0.3
    """Time from the drive's command to the first movement."""
    coast: Seconds = 0.0
    """Time that the vent runs on after the drive is told to stop."""
    stages: Annotated[list[AnyQuantity], Field(min_length=1)]
    """Position at ventilation stage 1, 2, …; stage 0 is closed."""


class RainOverride(FileModel):
    """The rule: while the rain contact is closed, these vents go to these positions."""

    debounce: Seconds = 0.05
    """The contact must keep a new state this long before the unit believes it."""
    entry_delay: Seconds = 2.0
    """The contact must be closed this long before the override begins."""
    release_delay: Seconds = 30.0
    """The contact must be open this long before the override ends."""
    positions: dict[Name, AnyQuantity]
    """Override position of each vent group; groups not named keep to their stage."""
    only_close: bool = True
    """A vent that stands below its override position stays there rather than open up to it."""


class House(FileModel):
    """Staged ventilation by house temperature."""

    temperature: AnyQuantity
    """House temperature at power-up; a holding register takes another."""
    stage_at: Annotated[list[AnyQuantity], Field(min_length=1)]
    """Temperature at which stage 1, 2, … begins, rising."""
    hysteresis: AnyQuantity
    """A stage ends this much below the temperature at which it began."""


class MockSettings(FileModel):
    """The mock unit."""

    vents: Annotated[dict[Name, VentGroup], Field(min_length=1)]
    house: House
    rain: RainOverride
    refresh_every: Seconds = 0.2
    """Input registers are copied from the process this often."""
    faults: dict[Name, float] = Field(default_factory=dict)
    """Faults to give the unit, by name, each with its severity (1 is the catalogue's usual one)."""
