"""People on a bench: who they are, what they read, and what their answers stand for."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from ventproof_bench.base.asking import PersonAnswer, Prompt
from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.evidence import SignalTraits
from ventproof_bench.base.quantities import Dimension, dimension_of
from ventproof_bench.yamlfile.fields import (
    FLAG_UNIT,
    STATE_UNIT,
    AnyQuantity,
    FileModel,
    Line,
    Name,
    OwnUnit,
    PositiveSeconds,
    Seconds,
)


class PlayedPerson(FileModel):
    """A person who is played, in virtual time: one who does what is asked of the mock, and reads its truth."""

    answers_after: tuple[Seconds, Seconds] = (2.0, 5.0)
    """Shortest and longest time from a prompt to the answer."""
    unsure: Annotated[float, Field(ge=0, le=1)] = 0.0
    """Share of the readings that are answered with "not sure"."""


class PersonSpec(FileModel):
    """A person who does what is asked, and reads what is asked."""

    where: str = ""
    """Where this person is, for the readers of the record: on the roof, at the cabinet."""
    reaction: Seconds = 1.0
    """Largest time between the look and the prompt, and between the answer and the act. Every window is wider by it."""
    answers_in: PositiveSeconds = 6.0
    """Usual time for a look and its answer. Readings are requested this much in advance, and `ventproof check` uses it
    to decide what this person can show. No verdict depends on it."""
    safe_within: PositiveSeconds = 120.0
    """How long the bench waits at the end for the word that an output was left safe."""
    played: PlayedPerson | None = None
    """Of a bench with the mock unit in this process only: how this person is played."""


class PersonSignal(FileModel):
    """Something that a person reads: a display, a protractor, a lamp."""

    read_by: Name
    """The person who reads it, as `people:` names them."""
    asks: Line
    """What this person is asked; an answer is a number in the signal's unit, a state, or on or off."""
    unit: OwnUnit
    """Unit of the value: %, °C, m/s, °, `flag`, `count`, `state` and others."""
    states: dict[Name, int] | None = None
    """Names of a state's values, which are the words to answer, each with a number of its own."""
    resolution: AnyQuantity | None = None
    """The step in which a number is read, such as 5 % on a protractor: the true value is up to half a step away."""
    accuracy: AnyQuantity | None = None
    """Largest error of a reading in addition to half the resolution."""
    full_travel: PositiveSeconds | None = None
    """Shortest time that the actuator needs across its whole range: it bounds what can happen between two readings."""
    range: tuple[AnyQuantity, AnyQuantity] | None = None
    """Lowest and highest value; 0 % to 100 % for a signal in %."""
    keeps_for: PositiveSeconds | None = None
    """A flag or state keeps each value at least this long, so two equal readings closer than that prove no change."""
    mock: Name | None = None
    """What of the mock unit a played person reads: a vent, or an override that a lamp shows."""

    @model_validator(mode="after")
    def _can_be_answered(self) -> Self:
        number = self.unit not in {FLAG_UNIT, STATE_UNIT}
        if self.unit == STATE_UNIT and not self.states:
            raise Refusal("a state that a person reads needs its words", "write `states: {shut: 0, open: 1}`")
        if self.states is not None and self.unit != STATE_UNIT:
            raise Refusal(f"state names for a signal in {self.unit}", "write `unit: state`", key="states")
        if number and self.unit != "count" and self.resolution is None:
            hint = "write `resolution: 5 %`, in the signal's unit"
            raise Refusal("nothing says in which steps the person reads it", hint)
        if number and self.keeps_for is not None:
            raise Refusal(
                "keeps_for is for flags and states", "use `full_travel` for a position", key="keeps_for"
            )
        for key in ("resolution", "accuracy", "full_travel", "range"):
            if not number and getattr(self, key) is not None:
                raise Refusal(f"a {self.unit} has no {key}", f"leave `{key}` out", key=key)
        self._quantities_fit()
        return self

    def _quantities_fit(self) -> None:
        dimension = dimension_of(self.unit)
        for key in ("resolution", "accuracy"):
            quantity = getattr(self, key)
            if quantity is not None and (quantity.dimension is not dimension or quantity.value <= 0):
                raise Refusal(f"{key} {str(quantity)!r} must be in the signal's unit, {self.unit}", key=key)
        if self.range is not None:
            low, high = self.range
            if {low.dimension, high.dimension} != {dimension} or low.value >= high.value:
                said = f"range from {low.text!r} to {high.text!r} is none in the signal's unit, {self.unit}"
                raise Refusal(said, "write [lowest, highest]", key="range")
        elif self.full_travel is not None and dimension is not Dimension.PERCENT:
            raise Refusal("full_travel needs a range when the unit is not %", key="full_travel")

    @property
    def choices(self) -> tuple[str, ...]:
        """The words that may be answered; empty where a number is wanted."""
        return ("on", "off") if self.unit == FLAG_UNIT else tuple(self.states or ())

    def prompt(self, name: str) -> Prompt:
        """Return the question for this signal."""
        return Prompt(
            who=self.read_by,
            text=self.asks,
            kind="read",
            of=name,
            unit="" if self.choices else self.unit,
            resolution=self.resolution.value if self.resolution else 0.0,
            choices=self.choices,
        )

    def value(self, answer: PersonAnswer) -> float | None:
        """Return what an answer to that stands for; None when the person was not sure."""
        if not answer.sure:
            return None
        if self.unit == FLAG_UNIT:
            return float(answer.choice == "on")
        return float((self.states or {})[answer.choice]) if self.states else answer.number

    def traits(self, name: str) -> SignalTraits:
        """Return what the judge needs to know of this signal."""
        low, high = (q.value for q in self.range) if self.range else (0.0, 100.0)
        step = self.resolution.value if self.resolution else 0.0
        return SignalTraits(
            name=name,
            unit=self.unit,
            error=step / 2 + (self.accuracy.value if self.accuracy else 0.0),
            step=step,
            rate_per_s=abs(high - low) / self.full_travel if self.full_travel else None,
            keeps_for_s=self.keeps_for,
        )
