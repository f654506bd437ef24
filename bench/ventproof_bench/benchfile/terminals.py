"""Wires and terminals by name: for the wiring sheet, which leaves a blank line for whatever is not said here."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.text import printable
from ventproof_bench.yamlfile.fields import FileModel

_LONGEST: Final = 16


def _as_written(raw: object) -> object:
    whole = isinstance(raw, int) and not isinstance(raw, bool)
    return str(raw) if whole else raw


Marking = Annotated[
    str,
    BeforeValidator(_as_written),
    Field(min_length=1, max_length=_LONGEST),
    AfterValidator(printable),
    WithJsonSchema(
        {"type": ["string", "integer"], "minLength": 1, "maxLength": _LONGEST, "examples": ["X3-7", 11]}
    ),
]
"""What stands on a terminal or a wire; a whole number needs no quotes."""


class Wire(FileModel):
    """One wire, from the bench's terminal to the unit's."""

    bench: Marking | None = None
    """Terminal at the bench: of the relay, the module, the source, the adapter, or a real sensor; such as `K1-14`."""
    unit: Marking | None = None
    """Terminal at the unit, such as `X3-7`."""
    colour: Marking | None = None
    """Colour or number of the wire."""


class Cable(FileModel):
    """Wires that run together."""

    shield: Literal["bench", "unit", "none"] | None = None
    """The one end at which the cable's shield is connected; `none`: it has no shield."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.model_fields_set:
            wires = [name for name in type(self).model_fields if name != "shield"]
            hint = f"name its wires, such as {{{wires[0]}: {{bench: K1, unit: X1}}}}, or leave it out"
            raise Refusal("no wire is named", hint)
        return self

    @property
    def by_role(self) -> dict[str, Wire]:
        """The wires that are named, by what each of them is."""
        named = {
            field.alias or name: getattr(self, name)
            for name, field in type(self).model_fields.items()
            if name != "shield"
        }
        return {role: wire for role, wire in named.items() if wire is not None}


class ContactWires(Cable):
    """Wires of a contact; those of a sensor that is supplied by the unit are four."""

    contact: Wire | None = None
    """From the relay's normally open or normally closed terminal to the unit's input."""
    common: Wire | None = None
    """From the relay's common to the common of the unit's input."""
    supply: Wire | None = None
    """The unit's supply for the sensor that the contact stands for, such as a heated rain sensor."""
    return_: Annotated[Wire | None, Field(alias="return")] = None
    """The way back of that supply."""


class LevelWires(Cable):
    """Wires of a current or a voltage."""

    signal: Wire | None = None
    """What carries the value: plus of a current or a voltage, or the wiper of a potentiometer."""
    common: Wire | None = None
    """Its way back: minus, or 0 V."""
    supply: Wire | None = None
    """The voltage with which the unit feeds the potentiometer or the transmitter that the output stands for."""


class ResistanceWires(Cable):
    """Wires of a resistance: two, or three or four where the unit takes the wires' own resistance out."""

    high: Wire | None = None
    """To one end of the resistance."""
    low: Wire | None = None
    """To the other end."""
    high_sense: Wire | None = None
    """The further wire at the first end, of a thermometer with four wires."""
    low_sense: Wire | None = None
    """The further wire at the other end, of a thermometer with three or four wires."""


class SupplyWires(Cable):
    """Wires of the unit's own supply."""

    supply: Wire | None = None
    """Plus, through a fuse."""
    return_: Annotated[Wire | None, Field(alias="return")] = None
    """Minus, or 0 V."""


class SignalWires(Cable):
    """Wires from the unit's own output, such as a drive contact, to the input of a module of the bench."""

    signal: Wire | None = None
    """From the unit's contact or plus to the module's input."""
    common: Wire | None = None
    """From the unit's common or minus to that of the module's input."""


class LineWires(Cable):
    """Wires of a serial line, from the adapter to the unit; they go on from there to every other device on it.

    On a line of boards alone, the first of them stands for the unit.
    """

    a: Wire | None = None
    """A, minus, or D0: makers name the two differently."""
    b: Wire | None = None
    """B, plus, or D1."""
    common: Wire | None = None
    """The common of the signal."""
