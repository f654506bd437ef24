"""A maker's list of registers, from CSV or pasted text: names, addresses, types, scales (pure)."""

from __future__ import annotations

import csv
import re
import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, TypeVar, final

from ventproof.firstbench.codings import CodingHints
from ventproof.firstbench.list_notes import TYPE_NAMES, notes_of
from ventproof_bench.base.errors import FileError, Problem, Refusal
from ventproof_bench.base.quantities import PLAIN_UNITS
from ventproof_bench.modbus.register_map import parse_reference
from ventproof_bench.yamlfile.fields import own_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.benchfile.signals import ValueType, WordOrder

T = TypeVar("T")
Column = Literal["name", "address", "table", "type", "order", "scale", "unit", "access"]

_HEADINGS: Final[dict[str, Column]] = {
    **dict.fromkeys(("name", "signal", "description", "value", "point", "parameter", "item"), "name"),
    **dict.fromkeys(("tag", "label", "variable", "register name", "measurement"), "name"),
    **dict.fromkeys(("address", "register", "reg", "reference", "ref", "no", "number"), "address"),
    **dict.fromkeys(("modbus address", "register address", "register no", "register number"), "address"),
    **dict.fromkeys(("table", "function", "area"), "table"),
    **dict.fromkeys(("type", "format", "data type", "datatype", "coding"), "type"),
    **dict.fromkeys(("word order", "byte order", "order", "endian", "endianness"), "order"),
    **dict.fromkeys(("scale", "factor", "scaling", "multiplier", "resolution"), "scale"),
    **dict.fromkeys(("unit", "units"), "unit"),
    **dict.fromkeys(("access", "rw", "r/w", "read/write"), "access"),
}
_PLAIN_ORDER: Final[tuple[Column, ...]] = ("name", "address", "type", "scale", "unit", "access")
"""The columns of a list without headings."""
_DELIMITERS: Final = "\t;|,"
_TABLES: Final[dict[str, Table]] = {
    **dict.fromkeys(("coil", "coils", "co", "do"), "coil"),
    **dict.fromkeys(("discrete", "discrete input", "di", "1x"), "discrete"),
    **dict.fromkeys(("input", "input register", "input registers", "ir", "3x"), "input"),
    **dict.fromkeys(("holding", "holding register", "holding registers", "hr", "4x"), "holding"),
}
_ADDRESS: Final = re.compile(
    r"(?P<table>[a-z][a-z ]*?|[134]x)?\s*(?P<number>0x[0-9a-f]+|[0-9]+)"
    r"(?:[.:/](?P<bit>[0-9]{1,2})|\s*(?:-|\u2013|\.\.|to)\s*[0-9]+)?"
)
_SCALED_UNIT: Final = re.compile(r"^(?:1/\d+|0[.,]\d+) ?|\s*(?:[x\u00d7*/÷]) ?(?:1/)?\d+(?:[.,]\d+)?$")
"""What stands around a unit such as `1/10 °C`, `0.1 %`, `°C x 0.1`."""
_COLUMNS_APART: Final = re.compile(r"\s{2,}")
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
        noted: whether type, word order or scale stand in a note only: they are proposed, not taken for granted.
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
    noted: bool = False
    line: int = 1

    @property
    def hints(self) -> CodingHints:
        """What the list tells of its coding."""
        return CodingHints(self.type, self.word_order, self.scale)


def read_list(text: str, file: str) -> tuple[ListedValue, ...]:
    """Read a maker's list.

    The first line may name its columns; otherwise they are name, address, type, scale, unit, access. They are
    separated by tabs, semicolons, bars, commas or wide space. What cells beside them, or lines that are a sentence, say
    of type, word order and scale is read as well. An address is a reference number (30121), a number with its table
    (`input 120`), or a bare number; `.3` behind it names a bit.

    Args:
        text: the list.
        file: what it is called in messages.

    Raises:
        FileError: something in it cannot be read; every fault found, with its line.
    """
    rows = [row for row in _rows(text) if not _is_note(row[1])]
    notes = [cell for _, cells in _rows(text) if _is_note(cells) for cell in cells if cell]
    problems, values = list[Problem](), list[ListedValue]()
    columns = _columns_of(rows[0][1]) if rows else ()
    taken: dict[str, int] = {}
    for number, cells in rows[1:] if columns else rows:
        slips = list[Refusal]()
        value = _value(columns or _PLAIN_ORDER, cells, number, taken, slips)
        if slips:
            problems += [Problem(file, number, None, slip.reason, slip.hint) for slip in slips]
            continue
        values.append(_with_notes(value, notes_of(notes).word_order))
    if not values and not problems:
        said = "the list names no value" if rows or notes else "the list is empty"
        problems.append(Problem(file, 1, None, said, "a line a value: name, address, type, scale"))
    if problems:
        raise FileError(problems)
    return tuple(values)


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield each line with its number, as cells without the space around them."""
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1) if line.strip()]
    delimiter = _delimiter_of([line for _, line in lines])
    for number, line in lines:
        cells = (
            next(csv.reader([line], delimiter=delimiter)) if delimiter else _COLUMNS_APART.split(line.strip())
        )
        yield number, [cell.strip() for cell in cells]


def _delimiter_of(lines: Sequence[str]) -> str:
    """Return what separates the cells: what most lines have; empty where that is wide space, as in a text pasted."""
    on = {one: sum(one in line for line in lines) for one in _DELIMITERS}
    best = max(_DELIMITERS, key=lambda one: (on[one], -_DELIMITERS.index(one)))
    apart = sum(bool(_COLUMNS_APART.search(line.strip())) for line in lines)
    return "" if apart > on[best] else best


def _is_note(cells: Sequence[str]) -> bool:
    """Whether a line is a sentence, such as a title or a remark on all values, and no value."""
    filled = [cell for cell in cells if cell]
    return len(filled) == 1 and " " in filled[0] and _ADDRESS.fullmatch(filled[0].lower()) is None


def _with_notes(value: ListedValue, word_order: WordOrder | None) -> ListedValue:
    """Return a value with the word order that is noted for all values, if its own line tells none."""
    if word_order is None or value.word_order is not None or value.type in {"bit", "u16", "s16"}:
        return value
    return replace(value, word_order=word_order, noted=True)


def _columns_of(cells: Sequence[str]) -> tuple[Column | None, ...]:
    """Return what each column holds if these cells are headings, or nothing."""
    found = tuple(_HEADINGS.get(cell.lower()) for cell in cells)
    return found if {"name", "address"} <= set(found) else ()


def _value(
    columns: Sequence[Column | None],
    texts: Sequence[str],
    line: int,
    taken: dict[str, int],
    slips: list[Refusal],
) -> ListedValue:
    """Return the value of a line; what is wrong with it is added to `slips`, and it then counts for nothing."""
    cells = {column: text for column, text in zip(columns, texts, strict=False) if column is not None}
    label = cells.get("name", "")
    if not label:
        slips.append(Refusal("there is no name", "write name, address, type, scale"))
    place = _or_slip(slips, lambda: _place(cells.get("address", ""), cells.get("table", "")))
    table, address, bit = place or (None, 0, None)
    kind, of_type = _or_slip(slips, lambda: _coding(cells.get("type", ""))) or (None, None)
    scale = _or_slip(slips, lambda: _scale(cells.get("scale", "")))
    stated = {"name", "address", "table", "access"}
    notes = notes_of(
        [label, *(text for n, text in enumerate(texts) if n >= len(columns) or columns[n] not in stated)]
    )
    order = notes_of([cells.get("type", ""), cells.get("order", "")]).word_order
    bit = of_type if bit is None else bit
    if table in {"coil", "discrete"} or bit is not None:
        kind, notes = "bit", CodingHints()
    return ListedValue(
        name=_named(label, taken),
        label=label,
        table=table,
        address=address,
        bit=bit,
        type=kind or notes.type,
        word_order=order or notes.word_order,
        scale=scale or notes.scale,
        unit=_unit(cells.get("unit", "")),
        writable="w" in cells.get("access", "").lower(),
        noted=(kind or notes.type, order or notes.word_order, scale or notes.scale) != (kind, order, scale),
        line=line,
    )


def _or_slip(slips: list[Refusal], read: Callable[[], T]) -> T | None:
    """Return what a cell reads, or else note why it cannot be read."""
    try:
        return read()
    except ValueError as error:
        slips.append(Refusal.of(error))
        return None


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


def _coding(text: str) -> tuple[ValueType | None, int | None]:
    """Return the type and the bit that a cell such as `f32 low word first`, `16 bit unsigned` or `bit 3` tells."""
    words = re.sub(r"[-_(),;]", " ", text.lower()).split()
    if not words:
        return None, None
    kind = notes_of([text]).type or TYPE_NAMES.get(words[0])
    if kind is None:
        raise Refusal(f"{text!r} is not a type", "write bit, u16, s16, u32, s32 or f32, or leave it empty")
    number = next((int(word) for word in words[1:] if word.isdigit()), None) if kind == "bit" else None
    return kind, number


def _scale(text: str) -> float | None:
    plain = text.lower().replace(",", ".").lstrip("x*").strip()
    if not plain:
        return None
    above, divided, below = plain.partition("/")
    try:
        value = float(above or 1) / (float(below) if divided else 1)
    except (ValueError, ZeroDivisionError):
        noted = notes_of([text]).scale
        if noted is not None:
            return noted
        raise Refusal(f"{text!r} is not a scale", "write 0.1, or 1/10, or leave it empty") from None
    if not value > 0:
        raise Refusal(f"{text!r} is not a scale", "it must be more than zero")
    return value


def _unit(text: str) -> str:
    known = {"c": "°C", "degc": "°C", "deg c": "°C", "deg": "°", "percent": "%", "bool": "flag", "": ""}
    known |= {"celsius": "°C", "degrees": "°", "counts": "count"}
    bare = _SCALED_UNIT.sub("", text.lower()).strip()
    plain = known.get(bare, text if bare == text.lower() else bare.replace("°c", "°C"))
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
