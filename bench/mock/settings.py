"""The mock unit's settings, as a bench file states them: vents, override, house, faults (model only)."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from bench.fields import AnyQuantity, FileModel, Name, PositiveSeconds, Seconds
from bench.mock.faults import check_names
from bench.units import Dimension, Quantity


def _check_percent(what: str, quantities: list[Quantity]) -> None:
    for quantity in quantities:
        if quantity.dimension is not Dimension.PERCENT or not 0 <= quantity.value <= 100:  # noqa: PLR2004 - per cent
            raise ValueError(f"{what} {str(quantity)!r} must be from 0 % to 100 %")


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

    @field_validator("stages")
    @classmethod
    def _stages_are_positions(cls, stages: list[Quantity]) -> list[Quantity]:
        _check_percent("stage position", stages)
        return stages


class RainOverride(FileModel):
    """The rule: while the rain contact is closed, these vents go to these positions."""

    debounce: Seconds = 0.05
    """The contact must keep a new state this long before the unit believes it."""
    entry_delay: Seconds = 2.0
    """The debounced contact must be closed this long before the override begins."""
    release_delay: Seconds = 30.0
    """The debounced contact must be open this long before the override ends."""
    positions: dict[Name, AnyQuantity]
    """Override position of each vent group; groups not named keep to their stage."""
    only_close: bool = True
    """A vent that stands below its override position stays there rather than open up to it."""

    @field_validator("positions")
    @classmethod
    def _positions_are_positions(cls, positions: dict[str, Quantity]) -> dict[str, Quantity]:
        _check_percent("override position", list(positions.values()))
        return positions


_TEMPERATURES_C = (-3276.8, 3276.7)  # what a signed register of tenths can hold


class House(FileModel):
    """Staged ventilation by house temperature."""

    temperature: AnyQuantity
    """House temperature at power-up; a holding register takes another."""
    stage_at: Annotated[list[AnyQuantity], Field(min_length=1)]
    """Temperature at which stage 1, 2, … begins, rising."""
    hysteresis: AnyQuantity
    """A stage ends this much below the temperature at which it began."""

    @model_validator(mode="after")
    def _stages_rise(self) -> Self:
        for quantity in (self.temperature, *self.stage_at):
            if quantity.dimension is not Dimension.TEMPERATURE:
                raise ValueError(f"{str(quantity)!r} is no temperature; write it in °C, such as '22 °C'")
        low, high = _TEMPERATURES_C
        if not low <= self.temperature.value <= high:
            raise ValueError(f"temperature {str(self.temperature)!r} must be from {low:g} °C to {high:g} °C")
        at = [q.value for q in self.stage_at]
        if at != sorted(set(at)):
            raise ValueError(
                f"stage_at {', '.join(str(q) for q in self.stage_at)} must rise from stage to stage"
            )
        if self.hysteresis.dimension is not Dimension.TEMPERATURE or "F" in self.hysteresis.text:
            raise ValueError(
                f"hysteresis {str(self.hysteresis)!r} is a difference: write it in °C, such as '1 °C'"
            )
        if self.hysteresis.value < 0:
            raise ValueError(f"hysteresis {str(self.hysteresis)!r} must not be negative")
        return self


class MockSettings(FileModel):
    """The mock unit."""

    vents: Annotated[dict[Name, VentGroup], Field(min_length=1)]
    """The vent groups, by name; their order is that of the position registers."""
    house: House
    """The house whose temperature opens the vents."""
    rain: RainOverride
    """The unit's rain override."""
    refresh_every: Seconds = 0.2
    """Input registers are copied from the process this often."""
    faults: dict[Name, float] = Field(default_factory=dict)
    """Faults to give the unit, by name, each with its severity (1 is the catalogue's usual one)."""

    @field_validator("faults")
    @classmethod
    def _faults_are_known(cls, faults: dict[str, float]) -> dict[str, float]:
        check_names(faults)
        return faults

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        for name in self.rain.positions:
            if name not in self.vents:
                raise ValueError(
                    f"rain position for {name!r}, which is not among the vents: {', '.join(self.vents)}"
                )
        for name, group in self.vents.items():
            if len(group.stages) != len(self.house.stage_at):
                raise ValueError(
                    f"vent {name!r} has {len(group.stages)} stage positions where house.stage_at has"
                    f" {len(self.house.stage_at)} stages; give as many"
                )
        return self
