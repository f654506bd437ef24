"""Vents that stand outside the unit: how they move, what commands them, and what the bench plays back of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.evidence import SignalTraits
from ventproof_bench.base.quantities import Dimension, Quantity, parse_as, span_text
from ventproof_bench.benchfile.hookup import AnswerWord
from ventproof_bench.plant.contacts import ReckonedTraits
from ventproof_bench.plant.motion import QUICKEST
from ventproof_bench.plant.reckoned import TravelRange
from ventproof_bench.yamlfile.fields import AnyQuantity, ContactState, FileModel, Name

Between = tuple[float, float]
"""The lowest and the highest that a number may be."""

FULL_PERCENT = 100.0


def _between(raw: Any, dimension: Dimension, example: str) -> Between:  # noqa: ANN401 - whatever the file holds
    ends = raw if isinstance(raw, list | tuple) else (raw, raw)
    if len(ends) != 2:  # noqa: PLR2004 - lowest and highest
        raise Refusal(
            f"{len(ends)} values are no range", f"write one, or [lowest, highest] such as {example}"
        )
    low, high = (_one(end, dimension) for end in ends)
    if low > high:
        raise Refusal(
            f"from {ends[0]} to {ends[1]} is not a range", f"write the lowest first, such as {example}"
        )
    return low, high


def _one(raw: Any, dimension: Dimension) -> float:  # noqa: ANN401 - whatever the file holds
    value = raw if isinstance(raw, float) else parse_as(raw, dimension=dimension)
    if not value >= 0:
        raise Refusal("must not be negative", bare=True)
    return value


def _spans(raw: Any) -> Between:  # noqa: ANN401 - whatever the file holds
    return _between(raw, Dimension.TIME, "[58 s, 62 s]")


def _shares(raw: Any) -> Between:  # noqa: ANN401 - whatever the file holds
    return _between(raw, Dimension.PERCENT, "[0 %, 1 %]")


def _written(value: Between, write: Any) -> Any:  # noqa: ANN401 - as JSON takes it
    low, high = map(write, value)
    return low if low == high else [low, high]


def _schema(example: str) -> WithJsonSchema:
    one = {"type": "string"}
    return WithJsonSchema(
        {"anyOf": [one, {"type": "array", "items": one, "minItems": 2, "maxItems": 2}], "examples": [example]}
    )


SecondsBetween = Annotated[
    Between,
    BeforeValidator(_spans),
    PlainSerializer(lambda value: _written(value, span_text), when_used="json"),
    _schema("60 s"),
]
"""A span of time, or the shortest and the longest that it may be: `60 s`, `[58 s, 62 s]`. In seconds."""

PercentBetween = Annotated[
    Between,
    BeforeValidator(_shares),
    PlainSerializer(lambda value: _written(value, lambda share: f"{share:.12g} %"), when_used="json"),
    _schema("1 %"),
]
"""A share of the full travel, or the lowest and the highest that it may be: `1 %`, `[0 %, 1 %]`. In %."""


class FullTravel(FileModel):
    """How long the drive needs from end to end, each way."""

    open: SecondsBetween
    """From closed to open."""
    close: SecondsBetween
    """From open to closed."""


def _both_ways(raw: Any) -> Any:  # noqa: ANN401 - whatever the file holds
    return raw if isinstance(raw, dict | FullTravel) else {"open": raw, "close": raw}


class EndSwitch(FileModel):
    """A switch at the vent that the bench plays with a contact."""

    output: Name
    """The contact that is wired to the unit's input."""
    at: AnyQuantity
    """Position of the vent from which on the end is reached: at or beyond it."""
    reached: ContactState = "open"
    """The contact while the end is reached. `open` at a relay that rests open lets a dead bench stop the drive."""


class Potentiometer(FileModel):
    """A position that the bench plays with a level or a resistance."""

    output: Name
    """The output at the unit's feedback input; its range is in %, 0 % closed."""
    seen_from: Literal["drive", "vent"] = "drive"
    """Where it sits: in the `drive`, ahead of the play, or at the `vent` itself."""
    accuracy: AnyQuantity = Quantity(0.0, Dimension.PERCENT, "0 %")
    """How far what arrives may be from what is played: half the output's step, and its own accuracy."""
    unit_deadband: AnyQuantity | None = None
    """The unit's own deadband; with it `check` tells whether the loop is quick enough for the unit not to hunt."""


class Plays(FileModel):
    """What the bench plays back to the unit of a vent; without any, the unit has no feedback."""

    closed_switch: EndSwitch | None = None
    """The switch at the closed end."""
    open_switch: EndSwitch | None = None
    """The switch at the open end."""
    position: Potentiometer | None = None
    """The position itself."""
    both_ends: dict[Name, AnswerWord] = Field(default_factory=dict)
    """What the unit shows while both switches tell their ends at once, which cannot be; `ventproof selfcheck` tries it,
    and so finds switches that are wired to another vent's inputs: `{roof_disbelieved: on, side_disbelieved: stays}`."""

    wire_open: dict[Name, AnswerWord] = Field(default_factory=dict)
    """What the unit shows while the wire of the potentiometer is open; tried likewise, and so finds one that is wired
    to another vent's input."""

    @model_validator(mode="after")
    def _what_is_spoiled_is_there(self) -> Self:
        if self.both_ends and (self.closed_switch is None or self.open_switch is None):
            hint = "leave it out, or describe the other switch"
            raise Refusal("both_ends is for a vent with two switches", hint, key="both_ends")
        if self.wire_open and self.position is None:
            hint = "leave it out, or describe the potentiometer below `position:`"
            raise Refusal("wire_open is for a vent with a potentiometer", hint, key="wire_open")
        return self

    @property
    def spoiled(self) -> dict[str, AnswerWord]:
        """What the unit shows while the feedback of the vent is spoiled; empty where nothing is said."""
        return {**self.both_ends, **self.wire_open}

    @property
    def outputs(self) -> tuple[str, ...]:
        """The outputs that it takes."""
        parts = (self.closed_switch, self.open_switch, self.position)
        return tuple(part.output for part in parts if part is not None)


class VentSpec(FileModel):
    """A vent outside the unit, with its drive."""

    opens_on: Name | None = None
    """The flag that is on while the unit drives it open."""
    closes_on: Name | None = None
    """The flag that is on while the unit drives it closed."""
    follows: Name | None = None
    """Of a drive that takes a position: the signal in % that commands it, instead of the two contacts."""
    deadband: AnyQuantity | None = None
    """With `follows`: a command nearer than this to where the drive stands is not carried out."""
    full_travel: Annotated[FullTravel, BeforeValidator(_both_ways)]
    """How long the drive needs from end to end: `60 s`, or `{open: 60 s, close: 56 s}`."""
    dead_time: SecondsBetween = (0.0, 0.0)
    """From the command to the first movement."""
    coast: SecondsBetween = (0.0, 0.0)
    """How long the drive runs on after its command ends."""
    play: PercentBetween = (0.0, 0.0)
    """How far the drive turns before the vent follows, after each reversal."""
    both: Literal["stands", "opens", "closes"] = "stands"
    """What the drive does while both commands, open and close, are on."""
    starts_at: AnyQuantity | None = None
    """Of a vent that the bench plays: where it stands as the run begins; closed unless stated."""
    known_at: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """Of a vent that is followed only: flags that are on while it stands there, as `{shut: 0 %}`."""
    plays: Plays | None = None
    """What the bench plays back to the unit; without it a real vent is there, followed from its drive outputs."""

    @model_validator(mode="after")
    def _one_way_of_command(self) -> Self:
        contacts = self.opens_on is not None and self.closes_on is not None
        one = self.opens_on is not None or self.closes_on is not None
        if self.follows is not None and one:
            raise Refusal(
                "`follows` and contacts together", "a drive takes a position, or two contacts", key="follows"
            )
        if self.follows is None and not contacts:
            raise Refusal(
                "it is not stated what commands the drive",
                "name the two flags, `opens_on: …` and `closes_on: …`, or `follows: …`",
            )
        if self.deadband is not None and self.follows is None:
            raise Refusal("deadband is for a drive that `follows` a position", "leave it out", key="deadband")
        return self

    @model_validator(mode="after")
    def _played_or_followed(self) -> Self:
        if self.plays is None:
            if self.follows is not None:
                hint = "add `plays: {}` if no vent is there; a real one needs a signal of its own"
                raise Refusal(
                    "a drive that follows a position cannot be followed from its command", hint, key="follows"
                )
            if self.starts_at is not None:
                raise Refusal("starts_at is for a vent that the bench plays", "leave it out", key="starts_at")
            return self
        if self.known_at:
            raise Refusal("known_at is for a vent that is followed only", "leave it out", key="known_at")
        for key, (low, high) in self._ranges():
            if low != high:
                raise Refusal("a vent that the bench plays is one vent", "write one value", key=key)
        return self

    @model_validator(mode="after")
    def _it_moves(self) -> Self:
        if min(*self.full_travel.open, *self.full_travel.close) <= 0:
            raise Refusal("full_travel must be more than zero", key="full_travel")
        percents = [("starts_at", self.starts_at), *(("known_at", at) for at in self.known_at.values())]
        for key, at in percents:
            if at is not None and (
                at.dimension is not Dimension.PERCENT or not 0 <= at.value <= FULL_PERCENT
            ):
                raise Refusal(f"{key} {str(at)!r} must be from 0 % to 100 %", key=key)
        return self

    def _ranges(self) -> tuple[tuple[str, Between], ...]:
        travel = self.full_travel
        return (
            ("full_travel", travel.open),
            ("full_travel", travel.close),
            ("dead_time", self.dead_time),
            ("coast", self.coast),
            ("play", self.play),
        )

    @property
    def commanded_by(self) -> tuple[str, ...]:
        """The signals that command it: that of `follows`, or `opens_on` and `closes_on`."""
        return tuple(name for name in (self.follows, self.opens_on, self.closes_on) if name is not None)

    @property
    def rate_per_s(self) -> float:
        """The fastest that it can move, %/s."""
        return FULL_PERCENT / min(self.full_travel.open[0], self.full_travel.close[0])

    @property
    def flags(self) -> tuple[str, ...]:
        """What is read of a vent that is followed only: its two contacts, and the flags of known places."""
        return (*self.commanded_by, *self.known_at)

    def traits(self, signal: str, flags: Sequence[SignalTraits]) -> SignalTraits:
        """Return what the judge needs to know of the position, as the signal of this name.

        Args:
            signal: its name.
            flags: of a vent that is followed only, what is declared of its `flags`.
        """
        if self.plays is None:
            return ReckonedTraits(
                name=signal,
                unit="%",
                rate_per_s=self.rate_per_s * (1 if self.plays is None else QUICKEST),
                refreshed_every_s=max(flag.refreshed_every_s for flag in flags),
                keeps_for_s=min(contact.keeps_for_s or 0.0 for contact in flags[:2]),
                travel=TravelRange(
                    open_s=self.full_travel.open,
                    close_s=self.full_travel.close,
                    dead_time_s=self.dead_time,
                    coast_s=self.coast,
                    play_percent=self.play,
                    both=self.both,
                ),
                flags=self.flags,
                known_at=tuple(place.value for place in self.known_at.values()),
            )
        position = self.plays.position
        return SignalTraits(
            name=signal,
            unit="%",
            error=position.accuracy.value if position is not None else 0.0,
            rate_per_s=self.rate_per_s * (1 if self.plays is None else QUICKEST),
        )
