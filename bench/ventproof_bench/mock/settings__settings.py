"""The mock unit's settings, as a bench file states them: vents, overrides, house, faults (model only)."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from bench.errors import Refusal
from bench.fields import AnyQuantity, FileModel, Name, PositiveSeconds, Seconds
from bench.mock.faults import check_names
from bench.mock.weather_settings import (
    BusLoss,
    Count,
    Frost,
    OverrideName,
    Positions,
    Sensors,
    Supply,
    TipRate,
    Wind,
    check_difference,
    check_percent,
    check_temperature,
)
from bench.units import Dimension, Quantity


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
        check_percent("stage position", stages)
        return stages


class RainOverride(Positions):
    """The rule: while the rain contact is closed, these vents go to these positions."""

    debounce: Seconds = 0.05
    """The contact must keep a new state this long before the unit believes it."""
    entry_delay: Seconds = 2.0
    """The debounced contact must be closed this long before the override begins."""
    release_delay: Seconds = 30.0
    """The debounced contact must be open this long before the override ends."""
    counted: Count = 0
    """Closures that the unit has counted before it is powered up."""


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
            check_temperature(quantity)
        low, high = _TEMPERATURES_C
        if not low <= self.temperature.value <= high:
            raise Refusal(
                f"temperature {str(self.temperature)!r} must be from {low:g} °C to {high:g} °C",
                key="temperature",
            )
        at = [q.value for q in self.stage_at]
        if at != sorted(set(at)):
            raise Refusal(
                f"stage_at {', '.join(str(q) for q in self.stage_at)} must rise from stage to stage",
                key="stage_at",
            )
        check_difference("hysteresis", self.hysteresis, Dimension.TEMPERATURE, "1 °C")
        return self


class MockSettings(FileModel):
    """The mock unit."""

    vents: Annotated[dict[Name, VentGroup], Field(min_length=1)]
    """The vent groups, by name; their order is that of the position registers."""
    house: House
    """The house whose temperature opens the vents."""
    rain: RainOverride
    """The unit's rain override."""
    wind: Wind | None = None
    """The unit's cups and gale override, input `cups`."""
    tip_rate: TipRate | None = None
    """The unit's tipping bucket, input `bucket`."""
    frost: Frost | None = None
    """The unit's frost override; it needs `sensors: outside`."""
    sensors: Sensors = Sensors()
    """The unit's analogue sensors."""
    precedence: list[OverrideName] | None = None
    """Overrides in the order in which they decide: the first active one that names a vent moves it. Unless stated,
    of all that are active the one that closes the vent most."""
    supply: Supply = Supply()
    """What a loss of supply does to the unit."""
    bus_loss: BusLoss | None = None
    """What the unit does when nobody asks it anything over its bus; unless stated, nothing."""
    refresh_every: Seconds = 0.2
    """Input registers are copied from the process this often."""
    faults: dict[Name, float] = Field(default_factory=dict)
    """Faults to give the unit, by name, each with its severity (1 is the catalogue's usual one)."""

    @field_validator("faults")
    @classmethod
    def _faults_are_known(cls, faults: dict[str, float]) -> dict[str, float]:
        check_names(faults)
        return faults

    @property
    def overrides(self) -> dict[OverrideName, Positions]:
        """Every override that the unit has, by name."""
        found: dict[OverrideName, Positions | None] = {
            "rain": self.rain,
            "gale": self.wind,
            "frost": self.frost,
            "failure": self.sensors.failure,
        }
        return {name: override for name, override in found.items() if override is not None}

    @property
    def more_weather(self) -> bool:
        """Whether the unit has more weather than a rain contact, and so the longer register map."""
        return any((self.wind, self.tip_rate, self.frost, self.sensors != Sensors()))

    @property
    def latched(self) -> frozenset[OverrideName]:
        """The overrides that stay until they are reset."""
        return frozenset(name for name, override in self.overrides.items() if override.latched)

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        for override, rule in self.overrides.items():
            faces = rule.faces if isinstance(rule, Wind) else {}
            for name in (*rule.positions, *faces):
                if name not in self.vents:
                    raise Refusal(
                        (
                            f"{override} position for {name!r}, which is not among the vents: "
                            f"{', '.join(self.vents)}"
                        ),
                        key=override,
                    )
        for name, group in self.vents.items():
            if len(group.stages) != len(self.house.stage_at):
                raise Refusal(
                    (
                        f"vent {name!r} has {len(group.stages)} stage positions where house.stage_at "
                        f"has {len(self.house.stage_at)} stages"
                    ),
                    "give as many",
                    key="vent",
                )
        return self

    @model_validator(mode="after")
    def _sensors_serve(self) -> Self:
        sensors = self.sensors
        if self.frost is not None and sensors.outside is None:
            raise Refusal(
                "frost needs an outside thermometer", "add `outside:` below `sensors:`", key="frost"
            )
        if self.wind is not None and self.wind.leeward and sensors.direction is None:
            raise Refusal("wind.leeward needs a wind vane", "add `direction:` below `sensors:`")
        if sensors.cups is not None and self.wind is None:
            raise Refusal("sensors.cups watches cups that the unit does not have", "add `wind:`")
        if sensors.house is not None:
            low, high = sensors.house.range
            if not low.value <= self.house.temperature.value <= high.value:
                raise Refusal(
                    (
                        f"house temperature {str(self.house.temperature)!r} must lie within the sensor's "
                        f"range, {low.text} to {high.text}"
                    ),
                    key="house",
                )
        watches = {
            f"sensors.{name}": getattr(sensors, name) for name in ("outside", "house", "direction", "cups")
        }
        for name, watched in {**watches, "bus_loss": self.bus_loss}.items():
            if watched is not None and watched.treat_as not in ("nothing", *self.overrides):
                raise Refusal(
                    f"{name} is treated as {watched.treat_as!r}, an override that the unit does not have",
                    f"it has {', '.join(self.overrides)}",
                    key=name,
                )
        return self

    @property
    def parts(self) -> frozenset[str]:
        """What this unit has of what not every unit has, in the words that a fault's `needs` uses."""
        sensors = self.sensors
        has = {
            "wind": self.wind,
            "wind.leeward": self.wind and self.wind.leeward,
            "tip_rate": self.tip_rate,
            "frost": self.frost,
            "sensors": sensors != Sensors(),
            "sensors.outside": sensors.outside,
            "sensors.cups": sensors.cups,
            "a second override": len(self.overrides) > 1,
            "bus_loss": self.bus_loss,
            "supply.restart: reference": self.supply.restart == "reference",
        }
        return frozenset(part for part, there in has.items() if there)

    @model_validator(mode="after")
    def _faults_fit(self) -> Self:
        check_names(self.faults, self.parts)
        return self

    @model_validator(mode="after")
    def _precedence_is_whole(self) -> Self:
        listed = self.precedence
        if listed is not None and sorted(listed) != sorted(self.overrides):
            raise Refusal(
                (
                    f"precedence [{', '.join(listed)}] must name each override of the unit once: "
                    f"{', '.join(self.overrides)}"
                ),
                key="precedence",
            )
        return self
