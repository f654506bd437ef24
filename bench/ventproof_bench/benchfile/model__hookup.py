"""What an output's wires should bring about: the part of the bench file that a hook-up check tries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal, Self, final

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema, model_validator

from bench.errors import Refusal
from bench.fields import AnyQuantity, FileModel, Name, PositiveSeconds
from bench.units import Quantity, parse

_WAYS = ("on", "off", "up", "down")


@final
@dataclass(frozen=True, slots=True)
class Answer:
    """How a signal answers: a way (`on`, `off`, `up`, `down`), or from one value to another."""

    text: str
    way: Literal["on", "off", "up", "down"] | None = None
    values: tuple[Quantity, Quantity] | None = None

    def __str__(self) -> str:
        """Return the author's own spelling."""
        return self.text


def answer(raw: object) -> Answer:
    """Read `on`, `off`, `up`, `down`, or `99 % to 5 %`.

    Raises:
        ValueError: it is none of these; the message says what would be right.
    """
    if isinstance(raw, Answer):
        return raw
    text = str(raw).strip()
    for way in _WAYS:
        if text == way:
            return Answer(text, way=way)  # type: ignore[arg-type]
    before, to, after = text.partition(" to ")
    if not to:
        raise Refusal(f"{text!r} is not an answer", "write on, off, up, down, or two values: '99 % to 5 %'")
    values = parse(before), parse(after)
    if values[0].dimension is not values[1].dimension or values[0].value == values[1].value:
        raise Refusal(f"{text!r} is not a change", "write two different values of one unit, as '99 % to 5 %'")
    return Answer(text, values=values)


AnswerWord = Annotated[
    Answer,
    BeforeValidator(answer),
    PlainSerializer(str, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "examples": ["on", "down", "99 % to 5 %"]}),
]
"""How a signal answers."""


class HookUp(FileModel):
    """What the unit shows when this output is exercised; `ventproof selfcheck` tries it."""

    answers: Annotated[dict[Name, AnswerWord], Field(min_length=1)]
    """What each signal does when a contact closes, or a value goes from the first of `values` to the second: `on`,
    `off`, `up`, `down`, or the value before and after it, which also proves scale and sense: `99 % to 5 %`."""
    first: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """The known state before it: values to be written into other outputs."""
    values: tuple[AnyQuantity, AnyQuantity] | None = None
    """For an output that takes a number: the value at the beginning, and the one that is then written."""
    settles: PositiveSeconds = 60.0
    """How long the unit needs to come to rest in the known state: its longest release delay and a full travel."""
    within: PositiveSeconds = 30.0
    """How long the answers may take to arrive, a full travel included."""

    @model_validator(mode="after")
    def _values_differ(self) -> Self:
        if self.values is not None and self.values[0].value == self.values[1].value:
            raise Refusal(
                "values must differ", "write [value at the beginning, value written then]", key="values"
            )
        return self
