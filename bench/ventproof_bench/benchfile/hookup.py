"""What answers an output that is exercised, as a bench file says it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import Annotated, Literal, Self, final

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, Quantity, parse, parse_as
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, Name, PositiveSeconds

_WAYS = ("on", "off", "up", "down", "stays")


@final
@dataclass(frozen=True, slots=True)
class Answer:
    """How a signal answers: a way, from one value or state to another, or a counter by how many.

    Attributes:
        text: as the author wrote it.
        way: `on`, `off`, `up`, `down`, or `stays` for no answer at all.
        values: before and after.
        states: names of a state's values, likewise.
        more: closures that a counter counts; of `counted_by` only.
        after_s: it answers no sooner than this, seconds; 0 where nothing is said.
        within_s: it begins to answer by then, seconds; infinite where nothing is said.
    """

    text: str
    way: Literal["on", "off", "up", "down", "stays"] | None = None
    values: tuple[Quantity, Quantity] | None = None
    states: tuple[str, str] | None = None
    more: int | None = None
    after_s: float = 0.0
    within_s: float = inf

    def __str__(self) -> str:
        """Return the author's own spelling."""
        return self.text


def answer(raw: object) -> Answer:
    """Read `on`, `off`, `up`, `down`, `stays`, `92 % to 8 %`, `closed to third`; `after 1 s`, `within 1 s` may follow.

    Raises:
        ValueError: it is none of these; the message says what would be right.
    """
    if isinstance(raw, Answer):
        return raw
    text = str(raw).strip()
    for word in (" after ", " within "):
        what, found, span = text.partition(word)
        if found and what != "stays":
            timed, span_s = _answer(what.strip()), parse_as(span, Dimension.TIME)
            if word == " after ":
                return replace(timed, text=text, after_s=span_s)
            return replace(timed, text=text, within_s=span_s)
    return _answer(text)


def _answer(text: str) -> Answer:
    for way in _WAYS:
        if text == way:
            return Answer(text, way=way)  # type: ignore[arg-type]
    before, to, after = text.partition(" to ")
    if not to:
        hint = "write on, off, up, down, stays, or two values: '92 % to 8 %'"
        raise Refusal(f"{text!r} is not an answer", hint)
    if before.isidentifier() and after.isidentifier() and before != after:
        return Answer(text, states=(before, after))
    values = parse(before), parse(after)
    if values[0].dimension is not values[1].dimension or values[0].value == values[1].value:
        raise Refusal(f"{text!r} is not a change", "write two different values of one unit, as '92 % to 8 %'")
    return Answer(text, values=values)


AnswerWord = Annotated[
    Answer,
    BeforeValidator(answer),
    PlainSerializer(str, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "examples": ["on", "stays", "92 % to 8 %"]}),
]
"""How a signal answers."""


class HookUp(FileModel):
    """What the unit shows when this output is exercised; `ventproof selfcheck` tries it."""

    answers: Annotated[dict[Name, AnswerWord], Field(min_length=1)]
    """What each signal does when a contact closes, or a value goes from the first of `values` to the second: `on`,
    `off`, `up`, `down`; the value or state before and after it, which also proves scale, type and sense (`92 % to 8 %`,
    `closed to third`); or `stays`, which tells it apart from another that answers. `on after 1 s` and `on within 1 s`
    tell two apart that answer one after the other. A position of a vent (`position_of`) is named like a register."""
    broken: dict[Name, AnswerWord] = Field(default_factory=dict)
    """What each signal does when then the wire of the sensor breaks that this output stands for: of a level or a
    resistance only."""
    first: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """The known state before it: values to be written into other outputs."""
    values: tuple[AnyQuantity, AnyQuantity] | None = None
    """For an output that takes a number: the value at the beginning, and the one that is then written. For a contact
    that stands for a sensor: `[0 m/s, 14 m/s]` plays its pulses."""
    settles: PositiveSeconds = 60.0
    """Time that the unit needs to stop in the known state: its longest release delay and a full travel."""
    within: PositiveSeconds = 30.0
    """How long the answers may take to arrive, a full travel included."""

    @model_validator(mode="after")
    def _values_differ(self) -> Self:
        if self.values is not None and self.values[0].value == self.values[1].value:
            raise Refusal(
                "values must differ", "write [value at the beginning, value written then]", key="values"
            )
        return self
