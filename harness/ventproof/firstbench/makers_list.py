"""A maker's list of registers, from CSV or pasted text: names, addresses, types, scales (pure)."""

from __future__ import annotations

import csv
import re
import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.errors import FileError, Problem, Refusal
from ventproof_bench.base.quantities import PLAIN_UNITS
from ventproof_bench.modbus.register_map import parse_reference
from ventproof_bench.yamlfile.fields import own_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.benchfile.signals import ValueType, WordOrder

Column = Literal["name", "address", "table", "type", "scale", "unit", "access"]

_HEADINGS: Final[dict[str, Column]] = {
    **dict.fromkeys(("name", "signal", "description", "value", "point", "parameter", "item"), "name"),
    **dict.fromkeys(("address", "register", "reg", "reference", "ref", "no", "number"), "address"),
    **dict.fromkeys(("table", "function", "area"), "table"),
    **dict.fromkeys(("type", "format", "data type", "datatype", "coding"), "type"),
    **dict.fromkeys(("scale", "factor", "scaling", "multiplier", "resolution"), "scale"),
    **dict.fromkeys(("unit", "units"), "unit"),
    **dict.fromkeys(("access", "rw", "r/w", "read/write"), "access"),
}
_PLAIN_ORDER: Final[tuple[Column, ...]] = ("name", "address", "type", "scale", "unit", "access")
"""The columns of a list without headings."""
_DELIMITERS: Final = "\t;|,"
_TYPES: Final[dict[str, ValueType]] = {
    **dict.fromkeys(("bit", "bool", "boolean", "flag", "coil", "discrete"), "bit"),
    **dict.fromkeys(("u16", "uint16", "word", "uint", "unsigned", "ushort", "unsigned16"), "u16"),
    **dict.fromkeys(("s16", "int16", "int", "signed", "short", "i16", "signed16", "integer"), "s16"),
    **dict.fromkeys(("u32", "uint32", "dword", "ulong", "udint", "unsigned32"), "u32"),
    **dict.fromkeys(("s32", "int32", "long", "dint", "i32", "signed32"), "s32"),
    **dict.fromkeys(("f32", "float32", "float", "real", "single", "ieee754"), "f32"),
}
_TABLES: Final[dict[str, Table]] = {
    **dict.fromkeys(("coil", "coils", "co", "do"), "coil"),
    **dict.fromkeys(("discrete", "discrete input", "di", "1x"), "discrete"),
    **dict.fromkeys(("input", "input register", "input registers", "ir", "3x"), "input"),
    **dict.fromkeys(("holding", "holding register", "holding registers", "hr", "4x"), "holding"),
}
_ADDRESS: Final = re.compile(
    r"(?P<table>[a-z][a-z ]*?|[134]x)?\s*(?P<number>0x[0-9a-f]+|[0-9]+)(?:[.:/](?P<bit>[0-9]{1,2}))?"
)
_FIRST_REFERENCE: Final = 10001
_HIGHEST: Final = 65535
_BITS: Final = 16
_LONGEST_NAME: Final = 40


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class ListedValue:
    """One value of a maker's list.

    Attributes:
        name: a name for the bench file: lower-case letters, digits, underscores.
        label: its name in the list.
        table: where it stands; None where the list does not tell.
        address: zero-based protocol address; where `table` is None, the number as it stands in the list.
        bit: within a register; None where none is meant.
        type: how it is coded; None where the list does not tell.
        word_order: of a value of two registers; None where the list does not tell.
        scale: unit's value of one count; None where the list does not tell.
        unit: as bench files write it; empty where the list does not tell, or in none that they know.
        writable: whether it can be written.
        line: 1-based line of the list.
    """

    name: str
    label: str
    table: Table | None
    address: int
    bit: int | None = None
    type: ValueType | None = None
    word_order: WordOrder | None = None
    scale: float | None = None
    unit: str = ""
    writable: bool = False
    line: int = 1


def read_list(text: str, file: str) -> tuple[ListedValue, ...]:
    """Read a maker's list.

    The first line may name its columns; otherwise they are name, address, type, scale, unit, access. They are
    separated by tabs, semicolons, bars or commas. An address is a reference number (30121), a number with its table
    (`input 120`), or a bare number; `.3` behind it names a bit.

    Args:
        text: the list.
        file: what it is called in messages.

    Raises:
        FileError: something in it cannot be read; every fault found, with its line.
    """
    delimiter = _delimiter_of(text)
    rows = [
        (number, cells)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip()
        for cells in [[cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))]]
    ]
    if not rows:
        raise FileError(
            [Problem(file, 1, None, "the list is empty", "a line a value: name, address, type, scale")]
        )
    columns = _columns_of(rows[0][1])
    problems, values = list[Problem](), list[ListedValue]()
    taken: dict[str, int] = {}
    for number, cells in rows[1:] if columns else rows:
        try:
            value = _value(dict(zip(columns or _PLAIN_ORDER, cells, strict=False)), number, taken)
        except ValueError as error:
            wrong = Refusal.of(error)
            problems.append(Problem(file, number, None, wrong.reason, wrong.hint))
            continue
        values.append(value)
    if not values and not problems:
        problems.append(
            Problem(file, 1, None, "the list names no value", "a line a value: name, address, type, scale")
        )
    if problems:
        raise FileError(problems)
    return tuple(values)


def _delimiter_of(text: str) -> str:
    first = next((line for line in text.splitlines() if line.strip()), "")
    return max(_DELIMITERS, key=lambda one: (first.count(one), -_DELIMITERS.index(one)))


def _columns_of(cells: Sequence[str]) -> tuple[Column | None, ...]:
    """Return what each column holds if these cells are headings, or nothing."""
    found = tuple(_HEADINGS.get(cell.lower()) for cell in cells)
    return found if {"name", "address"} <= set(found) else ()


def _value(cells: dict[Column | None, str], line: int, taken: dict[str, int]) -> ListedValue:
    label = cells.get("name", "")
    if not label:
        raise Refusal("there is no name", "write name, address, type, scale")
    table, address, bit = _place(cells.get("address", ""), cells.get("table", ""))
    kind, order, of_type = _coding(cells.get("type", ""))
    bit = of_type if bit is None else bit
    if table in {"coil", "discrete"} or bit is not None:
        kind = "bit"
    return ListedValue(
        name=_named(label, taken),
        label=label,
        table=table,
        address=address,
        bit=bit,
        type=kind,
        word_order=order,
        scale=_scale(cells.get("scale", "")),
        unit=_unit(cells.get("unit", "")),
        writable="w" in cells.get("access", "").lower(),
        line=line,
    )


def slug(label: str) -> str:
    """Return a label as a name for files: `Ridge vent 1 (%)` is `ridge_vent_1`."""
    plain = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
    name = words if words[:1].isalpha() else f"value_{words}".rstrip("_")
    return name[:_LONGEST_NAME].rstrip("_")


def _named(label: str, taken: dict[str, int]) -> str:
    name = slug(label)
    taken[name] = taken.get(name, 0) + 1
    return name if taken[name] == 1 else f"{name[: _LONGEST_NAME - 3]}_{taken[name]}"


def _place(text: str, table_text: str) -> tuple[Table | None, int, int | None]:
    found = _ADDRESS.fullmatch(text.lower())
    if found is None:
        raise Refusal(f"{text!r} is not an address", "write 30121, input 120, or 120")
    said = (table_text or found["table"] or "").strip().lower()
    table = _TABLES.get(said)
    if said and table is None:
        raise Refusal(f"{said!r} is not a table", "write coil, discrete, input or holding")
    bit = None if found["bit"] is None else int(found["bit"])
    if bit is not None and bit >= _BITS:
        raise Refusal(f"bit {bit} is not in a register", "bits are 0 to 15")
    digits = found["number"]
    number = int(digits, 0 if digits.startswith("0x") else 10)
    if table is None and not digits.startswith("0x") and (number >= _FIRST_REFERENCE or _is_coil(digits)):
        referred, number = parse_reference(digits)
        return referred, number, bit
    if number > _HIGHEST:
        raise Refusal(f"address {number} does not exist", f"addresses are 0 to {_HIGHEST}")
    return table, number, bit


def _is_coil(digits: str) -> bool:
    """Whether digits are the reference number of a coil: five of them, the first a zero."""
    return len(digits) == 5 and digits[0] == "0"  # noqa: PLR2004 - five digits


def _coding(text: str) -> tuple[ValueType | None, WordOrder | None, int | None]:
    """Return the type, the word order and the bit that a cell such as `f32 low word first` or `bit 3` tells."""
    words = text.lower().replace("-", " ").replace("_", " ").split()
    if not words:
        return None, None, None
    kind = _TYPES.get(words[0])
    if kind is None:
        raise Refusal(f"{text!r} is not a type", "write bit, u16, s16, u32, s32 or f32, or leave it empty")
    order: WordOrder | None = None
    if "low" in words or "swapped" in words:
        order = "low-first"
    elif "high" in words:
        order = "high-first"
    number = next((int(word) for word in words[1:] if word.isdigit()), None) if kind == "bit" else None
    return kind, order, number


def _scale(text: str) -> float | None:
    plain = text.lower().replace(",", ".").lstrip("x*").strip()
    if not plain:
        return None
    above, divided, below = plain.partition("/")
    try:
        value = float(above or 1) / (float(below) if divided else 1)
    except (ValueError, ZeroDivisionError):
        raise Refusal(f"{text!r} is not a scale", "write 0.1, or 1/10, or leave it empty") from None
    if not value > 0:
        raise Refusal(f"{text!r} is not a scale", "it must be more than zero")
    return value


def _unit(text: str) -> str:
    known = {"c": "°C", "degc": "°C", "deg c": "°C", "deg": "°", "percent": "%", "bool": "flag", "": ""}
    plain = known.get(text.lower(), text)
    if not plain or plain in PLAIN_UNITS:
        return plain
    try:
        return own_unit(plain)
    except ValueError:
        return ""  # the list's own business: the bench is asked for a unit that it knows


def placed(values: Sequence[ListedValue], table: Table, counted_from: int) -> Iterator[ListedValue]:
    """Yield a list whose bare addresses stand in one table, counted from 0 or 1.

    Args:
        values: the list.
        table: the table of each value that has none yet.
        counted_from: the list's number of the first register there, 0 or 1.

    Raises:
        ValueError: an address would lie before the first one.
    """
    for value in values:
        if value.table is not None:
            yield value
        elif value.address < counted_from:
            raise Refusal(f"{value.label} has address 0", "then the list counts from 0")
        else:
            yield _at(value, table, value.address - counted_from)


def _at(value: ListedValue, table: Table, address: int) -> ListedValue:
    return replace(
        value, table=table, address=address, type="bit" if table in {"coil", "discrete"} else value.type
    )
