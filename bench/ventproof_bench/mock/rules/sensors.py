"""What a bench file sets of the mock's analogue sensors, and of what tells it that a sensor has failed."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import FAHRENHEIT, Dimension, Quantity
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, PositiveSeconds, Seconds

TreatAs = Literal["nothing", "rain", "gale", "frost", "failure"]

Degrees = Annotated[float, Field(ge=0, lt=360)]


def check_temperature(quantity: Quantity) -> None:
    """Refuse what is not a temperature. Raises `ValueError`."""
    if quantity.dimension is not Dimension.TEMPERATURE:
        raise Refusal(f"{str(quantity)!r} is not a temperature", "write it in °C, such as '22 °C'")


def check_difference(what: str, quantity: Quantity, dimension: Dimension, example: str) -> None:
    """Refuse a difference that is negative, of another dimension, or in °F. Raises `ValueError`."""
    if quantity.dimension is not dimension or quantity.symbol == FAHRENHEIT:
        unit = example.partition(" ")[2]
        raise Refusal(
            (f"{what} {str(quantity)!r} is a difference: write it in {unit}, such as {example!r}"), key=what
        )
    if quantity.value < 0:
        raise Refusal(f"{what} {str(quantity)!r} must not be negative", key=what)


class SensorSettings(FileModel):
    """What the unit does when an analogue sensor cannot be right."""

    fails_after: Seconds = 2.0
    """Time with an implausible level after which the sensor has failed; until then its last good value applies."""
    recovers_after: Seconds = 10.0
    """It is trusted again once its level was plausible for this long."""
    treat_as: TreatAs = "nothing"
    """A failed sensor counts as this weather, delays included; `failure` begins the override of that name."""


class Thermometer(SensorSettings):
    """A temperature on an analogue input."""

    type: Literal["current", "pt100", "pt1000"] = "current"
    """4-20 mA over the range, or a platinum resistance."""
    range: tuple[AnyQuantity, AnyQuantity]
    """Temperatures at 4 mA and 20 mA; for a platinum resistance the coldest and hottest that are plausible."""

    @model_validator(mode="after")
    def _range_rises(self) -> Self:
        low, high = self.range
        check_temperature(low)
        check_temperature(high)
        if low.value >= high.value:
            raise Refusal(
                f"range {low.text!r} is not below {high.text!r}", "write [lowest, highest]", key="range"
            )
        if self.type != "current" and not (low.value >= -200 and high.value <= 850):  # noqa: PLR2004 - IEC 60751
            raise Refusal(
                (
                    f"range [{low.text}, {high.text}] of a platinum resistance must lie within -200 "
                    "°C to 850 °C"
                ),
                key="range",
            )
        return self


class OutsideThermometer(Thermometer):
    """The outside thermometer."""

    temperature: AnyQuantity
    """Outside temperature until a level or a holding register says another."""

    @model_validator(mode="after")
    def _temperature_in_range(self) -> Self:
        check_temperature(self.temperature)
        low, high = self.range
        if not low.value <= self.temperature.value <= high.value:
            raise Refusal(
                (
                    f"temperature {str(self.temperature)!r} must lie within the sensor's range, "
                    f"{low.text} to {high.text}"
                ),
                key="temperature",
            )
        return self


class Vane(SensorSettings):
    """A wind vane: 4-20 mA from 0 to 360 degrees. While it has failed every vent counts as windward."""

    wind_from: Degrees = 0.0
    """Compass direction, in degrees, that the wind comes from until a level says another."""


class WindSensor(SensorSettings):
    """A wind sensor instead of cups: 4-20 mA over its range."""

    range: tuple[AnyQuantity, AnyQuantity]
    """Wind speeds at 4 mA and 20 mA."""
    speed: AnyQuantity = Quantity(0.0, Dimension.SPEED, "0 m/s")
    """Wind speed until a level says another."""

    @model_validator(mode="after")
    def _range_rises(self) -> Self:
        low, high = self.range
        if any(its.dimension is not Dimension.SPEED for its in (low, high, self.speed)):
            raise Refusal("a wind sensor shows speeds", "write its range as [0 m/s, 50 m/s]", key="range")
        if not 0 <= low.value < high.value:
            reason = f"range {low.text!r} to {high.text!r} must rise from 0 m/s or more"
            raise Refusal(reason, "write [lowest, highest]", key="range")
        if not low.value <= self.speed.value <= high.value:
            reason = f"speed {str(self.speed)!r} must lie within the sensor's range"
            raise Refusal(reason, f"write {low.text} to {high.text}", key="speed")
        return self


class CupsWatch(FileModel):
    """What the unit does when the cups stand still for longer than any calm."""

    silent_for: PositiveSeconds
    """The cups have failed once no pulse came for this long; the next pulse restores them."""
    treat_as: TreatAs = "nothing"
    """Failed cups count as this weather, delays included; `failure` begins the override of that name."""
