"""What a rule of the mock unit waits for, as a bench file states it."""

from __future__ import annotations

from typing import Annotated, Self, TypeAlias

from pydantic import Field, Tag, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import FAHRENHEIT, Dimension, Quantity
from ventproof_bench.yamlfile.fields import (
    AnyQuantity,
    ContactState,
    FileModel,
    Name,
    PositiveSeconds,
    Seconds,
    by_key,
)


class ContactTerm(FileModel):
    """A contact input is closed, or open."""

    contact: Name
    """Name of the input."""
    state: ContactState = "closed"
    """State in which it counts; `open` for a normally closed loop."""
    debounce: Seconds = 0.0
    """The contact must keep a new state this long before the unit believes it."""


class WindTerm(FileModel):
    """The mean wind over some time."""

    wind_over: PositiveSeconds
    """The mean is taken over this window."""
    at: AnyQuantity
    """Mean wind from which it counts, rising."""
    hysteresis: AnyQuantity
    """It counts no longer this much below that."""

    @model_validator(mode="after")
    def _is_a_speed(self) -> Self:
        _check(self.at, self.hysteresis, Dimension.SPEED, "8 m/s")
        return self


class ColdTerm(FileModel):
    """The outside temperature is low."""

    outside_below: AnyQuantity
    """Outside temperature at which it counts, falling; it needs `sensors: outside`."""
    hysteresis: AnyQuantity
    """It counts no longer this much above that."""

    @model_validator(mode="after")
    def _is_a_temperature(self) -> Self:
        _check(self.outside_below, self.hysteresis, Dimension.TEMPERATURE, "1 °C")
        return self


class FailedTerm(FileModel):
    """A sensor has failed."""

    failed: Name
    """The sensor, as `sensors` names it."""


class RainTerm(FileModel):
    """The bucket shows rain of so much."""

    rain_from: AnyQuantity
    """Intensity of the last tips from which it counts, rising; it needs `tip_rate`."""
    hysteresis: AnyQuantity
    """It counts no longer this much below that; earlier tips are then forgotten."""

    @model_validator(mode="after")
    def _is_an_intensity(self) -> Self:
        _check(self.rain_from, self.hysteresis, Dimension.RAIN_INTENSITY, "2 mm/h")
        if self.hysteresis.value >= self.rain_from.value:
            raise Refusal("the hysteresis leaves no rain", "write less than `rain_from`", key="hysteresis")
        return self


class SilentTerm(FileModel):
    """Nobody asks the unit anything over its bus."""

    bus_silent: PositiveSeconds
    """It counts once no request came for this long; the next one ends that."""


class ActiveTerm(FileModel):
    """Another override is active."""

    active: Name
    """The override."""


_TERM_KEYS = ("contact", "wind_over", "outside_below", "failed", "rain_from", "bus_silent", "active")

_Single: TypeAlias = (
    Annotated[ContactTerm, Tag("contact")]
    | Annotated[WindTerm, Tag("wind_over")]
    | Annotated[ColdTerm, Tag("outside_below")]
    | Annotated[FailedTerm, Tag("failed")]
    | Annotated[RainTerm, Tag("rain_from")]
    | Annotated[SilentTerm, Tag("bus_silent")]
    | Annotated[ActiveTerm, Tag("active")]
)
Term = Annotated[_Single, by_key(*_TERM_KEYS)]


class TogetherTerm(FileModel):
    """Several at the same time."""

    all: Annotated[list[Term], Field(min_length=2)]
    """They count while all of them do."""


RuleTerm = Annotated[_Single | Annotated[TogetherTerm, Tag("all")], by_key(*_TERM_KEYS, "all")]
"""What alone calls for a rule."""


def terms_of(when: list[RuleTerm]) -> list[list[Term]]:
    """Return the terms of each alternative; those of one count together."""
    return [term.all if isinstance(term, TogetherTerm) else [term] for term in when]


def place_of(term: Term) -> str:
    """Return the input that a term is about; the name of the override for one about another override."""
    match term:
        case ContactTerm(contact=name) | FailedTerm(failed=name) | ActiveTerm(active=name):
            return name
        case RainTerm():
            return "bucket"
        case SilentTerm():
            return "bus"
        case WindTerm():
            return "cups"
        case ColdTerm():
            return "outside"


def _check(at: Quantity, hysteresis: Quantity, dimension: Dimension, example: str) -> None:
    if at.dimension is not dimension:
        raise Refusal(f"{str(at)!r} is not a {dimension}", f"write it as {example!r}")
    if hysteresis.dimension is not dimension or hysteresis.symbol == FAHRENHEIT or hysteresis.value < 0:
        reason = f"hysteresis {str(hysteresis)!r} is not a difference of two values of {dimension}"
        raise Refusal(reason, f"write it as {example!r}", key="hysteresis")
