"""What the bench file says of the sensors that its outputs stand for: bucket, cups, thermometers, transmitters."""

from __future__ import annotations

from typing import Annotated, Final, Self

from pydantic import Field, Tag, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, PositiveSeconds, Seconds, by_key

_FULL_TURN: Final = 360.0  # degrees


class BucketSensor(FileModel):
    """A tipping-bucket rain gauge, as its data sheet states it."""

    tip: AnyQuantity
    """Rain of one tip."""
    closed_for: PositiveSeconds = 0.1
    """How long the contact is closed at each tip."""
    dead_time: Seconds = 0.0
    """After the beginning of a tip, the time during which rain falls past the buckets."""

    @model_validator(mode="after")
    def _tip_is_rain(self) -> Self:
        if self.tip.dimension is not Dimension.DEPTH or self.tip.value <= 0:
            raise Refusal(f"tip {str(self.tip)!r} must be a depth above zero, such as '0.2 mm'", key="tip")
        return self


class CupsSensor(FileModel):
    """Wind cups with a contact: speed = slope * turns a second + offset."""

    slope: Annotated[float, Field(gt=0, le=100)]
    """Metres of wind that one turn takes."""
    offset: AnyQuantity = Quantity(0.0, Dimension.SPEED, "0 m/s")
    """Speed at which the line of the cups reaches 0 turns a second."""
    pulses_a_turn: Annotated[int, Field(ge=1, le=1000)] = 1
    """Closures of the contact in one turn."""
    starts_at: AnyQuantity = Quantity(0.0, Dimension.SPEED, "0 m/s")
    """Wind below which the cups stand still; at least the offset."""

    @model_validator(mode="after")
    def _speeds_make_sense(self) -> Self:
        for key in ("offset", "starts_at"):
            quantity: Quantity = getattr(self, key)
            if quantity.dimension is not Dimension.SPEED or quantity.value < 0:
                raise Refusal(
                    f"{key} {str(quantity)!r} must be a speed from zero up, such as '0.4 m/s'", key=key
                )
        if "starts_at" in self.model_fields_set and self.starts_at.value < self.offset.value:
            raise Refusal(
                f"starts_at {str(self.starts_at)!r} must be at least the offset, {self.offset}",
                key="starts_at",
            )
        return self


class ContactSensor(FileModel):
    """The sensor that a contact stands for, so that profiles can say the weather rather than its pulses."""

    bucket: BucketSensor | None = None
    """A tipping bucket: the contact closes at each tip."""
    cups: CupsSensor | None = None
    """Wind cups: the contact closes as they turn."""

    @model_validator(mode="after")
    def _one_sensor(self) -> Self:
        if (self.bucket is None) == (self.cups is None):
            raise Refusal("a contact stands for one sensor", "write either `bucket:` or `cups:` below it")
        return self


class BetaThermistor(FileModel):
    """A thermistor whose resistance falls as it warms (NTC), by its beta."""

    ohm: Annotated[float, Field(gt=0, le=1e7)]
    """Resistance at the temperature `at`, ohm."""
    beta: Annotated[float, Field(gt=0, le=20_000)]
    """Beta of the data sheet, kelvin."""
    at: AnyQuantity = Quantity(25.0, Dimension.TEMPERATURE, "25 °C")
    """Temperature at which the resistance is as stated."""

    @model_validator(mode="after")
    def _at_a_temperature(self) -> Self:
        if self.at.dimension is not Dimension.TEMPERATURE:
            raise Refusal(f"at {str(self.at)!r} must be a temperature, such as '25 °C'", key="at")
        return self


class SteinhartHartThermistor(FileModel):
    """A thermistor (NTC) by its coefficients: 1/T = a + b ln R + c (ln R)^3, with T in kelvin and R in ohm.

    The ranges hold every common thermistor and refuse its coefficients in another order (common practice, no source).
    """

    a: Annotated[float, Field(ge=-0.01, le=0.01)]
    """Coefficient a of the data sheet, 1/K."""
    b: Annotated[float, Field(gt=0, le=0.001)]
    """Coefficient b, 1/K."""
    c: Annotated[float, Field(ge=0, le=1e-5)]
    """Coefficient c, 1/K."""


Thermistor = Annotated[
    Annotated[BetaThermistor, Tag("ohm")] | Annotated[SteinhartHartThermistor, Tag("a")], by_key("ohm", "a")
]
"""A thermistor, by whichever of two laws its data sheet states."""


class VaneTrack(FileModel):
    """A wind vane that turns a potentiometer: 0 ohm at one end of its track, all of it at the other."""

    ohm: Annotated[float, Field(gt=0, le=1e7)]
    """Resistance of the whole track, ohm."""
    range: tuple[AnyQuantity, AnyQuantity]
    """Directions at the two ends of the track, clockwise; in the gap between them the wiper touches nothing."""

    @model_validator(mode="after")
    def _range_is_a_track(self) -> Self:
        check_track(self.range)
        return self


class PotentiometerTrack(FileModel):
    """A potentiometer at a vent: what its terminals show of the position."""

    ohm: tuple[Annotated[float, Field(ge=0, le=1e7)], Annotated[float, Field(ge=0, le=1e7)]]
    """Resistance at 0 % and at 100 %, ohm; a falling one is allowed."""

    @model_validator(mode="after")
    def _ohm_has_a_span(self) -> Self:
        if self.ohm[0] == self.ohm[1]:
            raise Refusal("ohm: both ends show the same", "write [ohm at 0 %, ohm at 100 %]", key="ohm")
        return self


def check_track(ends: tuple[Quantity, Quantity]) -> None:
    """Refuse a range of directions that no vane has.

    Raises:
        ValueError: it is none, or wider than a full turn.
    """
    low, high = ends
    if (
        any(end.dimension is not Dimension.DIRECTION for end in ends)
        or not 0 < high.value - low.value <= _FULL_TURN
    ):
        raise Refusal(
            f"range from {low.text!r} to {high.text!r} must run clockwise, over a full turn at most",
            "write [0 °, 360 °], or [3 °, 357 °] for a gap about north",
            key="range",
        )
