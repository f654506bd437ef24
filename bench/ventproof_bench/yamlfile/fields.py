"""Field types that bench files, profiles and tables share: names, quantities, contact states."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated, Any, Literal, final

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    WithJsonSchema,
)
from pydantic_core import core_schema

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import (
    PLAIN_UNITS,
    UNITS,
    Dimension,
    Quantity,
    canonical_spelling,
    canonical_symbol,
    parse,
    parse_as,
    span_text,
    spellings,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pydantic_core import CoreSchema


class FileModel(BaseModel):
    """Base of everything written in a file: unknown keys are refused and nothing changes after loading."""

    model_config = ConfigDict(
        defer_build=True,
        extra="forbid",
        frozen=True,
        populate_by_name=True,
        arbitrary_types_allowed=True,
    )


class _ByKey(Discriminator):
    """A discriminator that can be hashed, as an optional union asks of what it is annotated with."""

    __hash__ = object.__hash__


def by_key(*keys: str) -> Discriminator:
    """Return what tells the kinds of a part apart: the one of these keys that it has."""

    def pick(raw: Any) -> str | None:  # noqa: ANN401 - whatever the file holds
        names = raw if isinstance(raw, dict) else getattr(type(raw), "model_fields", ())
        return next((key for key in keys if key in names), None)

    return _ByKey(
        pick,
        custom_error_type="no_kind",
        custom_error_message=f"say what it is: one of {', '.join(keys)}",
        custom_error_context={"kinds": ", ".join(keys)},
    )


@final
class Written:
    """How a value is written in a file, as a mark of its type.

    It stands for three or four marks of pydantic's, which it takes much longer to build into hundreds of fields.

    Args:
        read: makes the value of what the file holds. Raises ValueError for what is none.
        write: makes what a file holds of the value; the value as it is, unless stated.
        schema: the JSON Schema of what is written.

    Attributes:
        dimension: of a quantity that is kept as a number, in its canonical unit; None for every other value.
    """

    def __init__(
        self,
        read: Callable[[Any], Any],
        schema: Mapping[str, object],
        *,
        write: Callable[[Any], str | int | float] | None = None,
        dimension: Dimension | None = None,
    ) -> None:
        self.dimension = dimension
        self._read = read
        self._schema = schema
        self._write = write

    def __get_pydantic_core_schema__(self, source: object, handler: object) -> CoreSchema:
        """Return how pydantic reads and writes it."""
        write = self._write and core_schema.plain_serializer_function_ser_schema(
            self._write, return_schema=core_schema.any_schema(), when_used="json"
        )
        return core_schema.no_info_plain_validator_function(self._read, serialization=write)

    def __get_pydantic_json_schema__(self, schema: object, handler: object) -> dict[str, Any]:
        """Return what an editor is told."""
        return dict(self._schema)


def _quantity_schema(dimension: Dimension | None, example: str) -> dict[str, object]:
    known = {u.symbol for u in UNITS.values() if dimension is None or u.dimension is dimension}
    units = "|".join(spellings(known)) + ("|" if dimension is None else "")
    number = r"[-+]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?"
    term = rf"(\$\w+|{number}\s*({units}))"
    return {
        "type": ["string", "number"] if dimension is None else "string",
        "pattern": rf"^\s*({term}|(?=.*\$){term}(\s+[+-]\s+{term})+)\s*$",
        "examples": [example],
    }


def _span(text: Any) -> float:  # noqa: ANN401 - whatever the file holds
    span_s = parse_as(text, Dimension.TIME)
    if span_s < 0:
        raise Refusal("must not be negative", bare=True)
    return span_s


def _positive_span(text: Any) -> float:  # noqa: ANN401 - whatever the file holds
    span_s = _span(text)
    if span_s <= 0:
        raise Refusal("must be more than zero", bare=True)
    return span_s


def _written_span(read: Callable[[Any], float]) -> Written:
    schema = _quantity_schema(Dimension.TIME, "90 s")
    return Written(read, schema, write=span_text, dimension=Dimension.TIME)


Seconds = Annotated[float, _written_span(_span)]
"""A span of time, not negative, kept in seconds."""

PositiveSeconds = Annotated[float, _written_span(_positive_span)]
"""A span of time longer than zero, kept in seconds."""


def _as_quantity(value: object) -> Quantity:
    if isinstance(value, Quantity):
        return value
    if isinstance(value, str | int | float):
        return parse(value)
    raise Refusal("is not a quantity", "write a number and a unit, such as '8 %'", bare=True)


def _as_written(quantity: Quantity) -> str | int | float:
    """Return a quantity as a file states it: a bare number as one, everything else as a text."""
    for number in (int, float):
        with suppress(ValueError):
            if str(number(quantity.text)) == quantity.text:
                return number(quantity.text)
    return quantity.text


AnyQuantity = Annotated[Quantity, Written(_as_quantity, _quantity_schema(None, "8 %"), write=_as_written)]
"""A quantity whose dimension follows from the signal or output that it is said of."""


def own_unit(symbol: str, *also: str) -> str:
    """Return the unit of a value that is read or written, in the table's spelling.

    Files may state quantities in any unit; what is read or written is judged in one only.

    Args:
        symbol: the unit as written.
        also: other words that the author may have meant, for the message.

    Raises:
        ValueError: unknown, or not the unit that values of its dimension are kept in.
    """
    if symbol in PLAIN_UNITS:
        return symbol
    known = [*also, *PLAIN_UNITS, *filter(None, map(canonical_symbol, Dimension))]
    try:
        unit = UNITS[canonical_spelling(symbol)]
    except KeyError:
        raise Refusal(
            f"{symbol!r} is not a unit that a value can have", f"use one of {', '.join(known)}"
        ) from None
    own = canonical_symbol(unit.dimension)
    if own != unit.symbol:
        raise Refusal(
            f"values in {symbol!r} are judged in {own}",
            (
                f"write {own}, and let the bench file scale it (1 {unit.symbol} more is "
                f"{unit.factor:.6g} {own} more, 0 {unit.symbol} is {unit.offset:.6g} "
                f"{own})"
            ),
        )
    return own


OWN_UNITS = (*PLAIN_UNITS, *spellings({canonical_symbol(d) for d in Dimension}))
"""Every way to write the unit of a value that is read or written."""

OwnUnit = Annotated[
    str, AfterValidator(own_unit), WithJsonSchema({"type": "string", "enum": list(OWN_UNITS)})
]
"""Unit of a value that is read or written: %, °C, m/s, mm/h, mm, %/s, °, V, mA, ohm, W/m², %RH, ppm, kPa, s,
`flag`, `count` or `state`."""

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=40, examples=["roof_vent"])]
"""A name inside files: lower-case letters, digits and underscores."""


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise Refusal("is not one line", "write one line that a person can read at a glance", bare=True)
    return text


Line = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_one_line)]
"""One line that a person reads."""


def _bare(value: str) -> str:
    if value != value.strip():
        raise Refusal(f"{value!r} begins or ends with a blank", f"write {value.strip()!r}", bare=False)
    return value


BareLine = Annotated[Line, AfterValidator(_bare)]
"""What something is called; another name with a blank before or after it would look the same."""


def _as_day(value: object) -> dt.date:
    if type(value) is dt.date:
        return value
    try:
        if isinstance(value, str) and len(value) == len("2027-03-31"):
            return dt.date.fromisoformat(value)
    except ValueError:
        pass
    raise Refusal("is not a date", "write year, month and day, such as 2027-03-31", bare=True)


Day = Annotated[
    dt.date,
    BeforeValidator(_as_day),
    WithJsonSchema({"type": "string", "format": "date", "examples": ["2027-03-31"]}),
]
"""A day of the calendar, as ISO 8601 writes it."""

NETWORK_PORTS = ("socket://", "rfc2217://")
"""How the names of ports begin that are reached over a network."""


def _port(name: str) -> str:
    if "://" in name and not name.startswith(NETWORK_PORTS):
        raise Refusal(
            "is not a port that a bench can open",
            "write a device path, socket://HOST:PORT or rfc2217://HOST:PORT",
            bare=True,
        )
    return name


PortName = Annotated[str, AfterValidator(_port)]
"""A serial port: a device path, or a URL of `NETWORK_PORTS`. Other URLs that pyserial knows can write files."""

ContactState = Literal["open", "closed"]
"""What a contact's two wires see of each other; says nothing of the relay coil."""

FLAG_UNIT = "flag"
STATE_UNIT = "state"
COUNT_UNIT = "count"


Ident = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/-]*$", max_length=60, examples=["RAIN-03"])]
"""A short name that documents refer to: letters, digits, points, dashes, underscores, slashes."""


def _one_condition(said: object) -> object:
    """Refuse what is not one name with one value."""
    example = "write one name and one value, such as {rain_override: on}"
    if isinstance(said, dict) and len(said) > 1:
        raise Refusal(f"{len(said)} conditions together", example)
    if not isinstance(said, dict) or not said:
        raise Refusal("expected the name of what it depends on, and its value", example)
    ((name, value),) = said.items()
    if value is None and str(name).isidentifier():
        raise Refusal(f"{name!r} stands without a value", f"write {{{name}: on}}, or its other value")
    return said


Condition = Annotated[
    dict[Name, str | int | bool], Field(min_length=1, max_length=1), BeforeValidator(_one_condition)
]
"""A contact, a flag or a state by its name, and what it is then."""


def _some(least: object) -> object:
    """Refuse a requirement of nothing: whatever happens meets it."""
    if least == 0 and not isinstance(least, bool):
        hint = "write 1 or more; where there must be none, 0 of the kind `…_at_most`"
        raise Refusal("0 at least is always so", hint)
    return least


AtLeastOne = Annotated[int, Field(ge=1), BeforeValidator(_some)]
"""So many at least."""
