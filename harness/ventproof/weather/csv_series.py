"""Measured rain as CSV text: read into a hyetograph, every fault found with its line (pure)."""

from __future__ import annotations

import datetime as dt  # parses what is written; nothing here asks what time it is
import re
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Final, final

from bench.errors import FileError, Problem, Refusal
from bench.units import UNITS, Dimension, canonical_spelling
from harness.weather.exact import exact, factor_of, shown
from harness.weather.hyetograph import Hyetograph, Shape, from_depths, from_intensities, from_totals

_COLUMNS: Final = {
    "time": Dimension.TIME,
    "intensity": Dimension.RAIN_INTENSITY,
    "depth": Dimension.DEPTH,
    "total": Dimension.DEPTH,
}
_VALUES: Final = ("intensity", "depth", "total")
_HEADER: Final = re.compile(r"(?P<name>[^\[\]()]*?)\s*(?:[\[(]\s*(?P<unit>[^\[\]()]+?)\s*[\])])?", re.DOTALL)
_NUMBER: Final = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?")
_DECIMAL_COMMA: Final = re.compile(r"[-+]?\d*,\d+")
_THOUSANDS: Final = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")
_NEWLINE: Final = re.compile(r"\r\n|\r|\n")
_EXAMPLE: Final = (
    "write 'time [s]' and one of 'intensity [mm/h]', 'depth [mm]' (since the row before), 'total [mm]'"
)


def read_series(text: str, *, name: str, shape: Shape = "steps") -> Hyetograph:
    """Read a series of rain.

    The first row that is neither empty nor a comment (`#`) is the header. It names a column `time` and exactly one
    of `intensity`, `depth` (fallen since the row before) and `total` (fallen since the beginning), each with its
    unit in brackets: `time [min], intensity [mm/h]`. A `time` without unit holds ISO 8601 dates and times. Other
    columns are passed over. Commas, semicolons or tabs part the cells; where commas do not, a decimal comma may be
    written.

    Args:
        text: the file's text.
        name: the file's name for messages.
        shape: how intensity runs between two rows; depths and totals are even between two.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    reader = _Reader(name)
    rows = [
        (number, line)
        for number, line in enumerate(_NEWLINE.split(text.removeprefix("\ufeff")), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise FileError([Problem(name, None, None, "the file holds no rain", _EXAMPLE)])
    columns = reader.header(*rows[0])
    if columns is None:
        raise FileError(reader.problems)
    points = [p for number, line in rows[1:] if (p := reader.row(number, line, columns)) is not None]
    reader.check_times(points)
    if columns.value == "total":
        reader.check_totals(points)
    if reader.problems:
        raise FileError(sorted(reader.problems, key=lambda p: p.line or 0))
    return _made(name, columns, points, shape)


@final
@dataclass(frozen=True, slots=True)
class _Columns:
    """Where the two columns stand and how they are read; `time_factor` is None for dates and times."""

    separator: str
    cells: int
    time_at: int
    value_at: int
    value: str
    time_factor: Fraction | None
    value_factor: Fraction


@final
@dataclass(frozen=True, slots=True)
class _Point:
    line: int
    at: Fraction | dt.datetime
    value: Fraction


@final
@dataclass(slots=True)
class _Reader:
    name: str
    problems: list[Problem] = field(default_factory=list)

    def _wrong(self, line: int, reason: str, hint: str = "", *, column: int | None = None) -> None:
        self.problems.append(Problem(self.name, line, column, reason, hint))

    def header(self, line: int, text: str) -> _Columns | None:
        separator = next((mark for mark in (";", "\t") if mark in text), ",")
        cells = [_HEADER.fullmatch(cell) for cell in _cells(text, separator)]
        found: dict[str, list[tuple[int, str | None]]] = {name: [] for name in _COLUMNS}
        for at, match in enumerate(cells):
            if match is not None and match["name"].lower() in found:
                found[match["name"].lower()].append((at, match["unit"]))
        values = [name for name in _VALUES for _ in found[name]]
        if len(found["time"]) != 1 or len(values) != 1:
            times = len(found["time"])
            reason = (
                f"the header has {times} time column(s) and {len(values)} column(s) of rain: {text.strip()!r}"
            )
            self._wrong(line, reason, _EXAMPLE)
            return None
        (time_at, time_unit), (value_at, value_unit) = found["time"][0], found[values[0]][0]
        time_factor = None if time_unit is None else self._factor(line, "time", time_unit)
        value_factor = self._factor(line, values[0], value_unit)
        if value_factor is None or (time_unit is not None and time_factor is None):
            return None
        return _Columns(separator, len(cells), time_at, value_at, values[0], time_factor, value_factor)

    def _factor(self, line: int, column: str, symbol: str | None) -> Fraction | None:
        unit = UNITS.get(canonical_spelling(symbol)) if symbol else None
        if symbol and unit is not None and unit.dimension is _COLUMNS[column]:
            return factor_of(symbol)
        wanted = [u.symbol for u in UNITS.values() if u.dimension is _COLUMNS[column]]
        reason = f"{symbol!r} is not a unit of {column}" if symbol else f"the column {column} names no unit"
        self._wrong(line, reason, f"write '{column} [{wanted[0]}]'; units: {', '.join(wanted)}")
        return None

    def row(self, line: int, text: str, columns: _Columns) -> _Point | None:
        cells = _cells(text, columns.separator)
        if len(cells) != columns.cells:
            reason = f"{len(cells)} cell(s) where the header has {columns.cells}"
            other = ";" if columns.separator == "," else ","
            hint = f"part them with {columns.separator!r} as the header does" if other in text else ""
            self._wrong(line, reason, hint)
            return None
        place = columns.time_at
        try:
            at = _instant(cells[place], columns)
            place = columns.value_at
            value = _number(cells[place], columns) * columns.value_factor
        except ValueError as error:
            self._wrong(line, str(error), column=_column(text, columns.separator, place))
            return None
        if value < 0:
            reason = f"{columns.value} {cells[place]!r} is below zero"
            column = _column(text, columns.separator, place)
            self._wrong(line, reason, "rain is 0 or more", column=column)
            return None
        return _Point(line, at, value)

    def check_times(self, points: list[_Point]) -> None:
        zoned = [isinstance(p.at, dt.datetime) and p.at.tzinfo is not None for p in points]
        if any(zoned) and not all(zoned):
            odd = points[zoned.index(not zoned[0])]
            hint = "give every row a UTC offset, or none"
            self._wrong(odd.line, "some times have a UTC offset and some have none", hint)
            return
        last: _Point | None = None
        for point in points:
            if last is not None and _seconds_between(last.at, point.at) <= 0:
                hint = "times must rise from row to row"
                self._wrong(point.line, f"this time does not come after the one in line {last.line}", hint)
            else:
                last = point

    def check_totals(self, points: list[_Point]) -> None:
        for before, point in pairwise(points):
            if point.value < before.value:
                reason = f"the total falls from {shown(before.value)} to {shown(point.value)} mm"
                self._wrong(point.line, reason, "a total only grows; where it began anew, part the series")


def _cells(text: str, separator: str) -> list[str]:
    return [cell.strip().removeprefix('"').removesuffix('"').strip() for cell in text.split(separator)]


def _column(text: str, separator: str, place: int) -> int:
    """Return where a cell begins in its line, from 1."""
    cells = text.split(separator)
    before = sum(len(cell) + 1 for cell in cells[:place])
    return before + len(cells[place]) - len(cells[place].lstrip()) + 1


def _instant(cell: str, columns: _Columns) -> Fraction | dt.datetime:
    if columns.time_factor is not None:
        return _number(cell, columns) * columns.time_factor
    try:
        return dt.datetime.fromisoformat(cell)
    except ValueError:
        raise Refusal(
            f"{cell!r} is not a date and time",
            "write one such as 2024-05-01 14:10, or give the time column a unit, as in 'time [s]'",
        ) from None


def _number(cell: str, columns: _Columns) -> Fraction:
    if not cell:
        raise Refusal("a cell is empty", "an unknown value is not zero: write a number, or leave out the row")
    if columns.separator != "," and _DECIMAL_COMMA.fullmatch(cell):
        if _THOUSANDS.fullmatch(cell):
            whole, point = cell.replace(",", ""), cell.replace(",", ".")
            raise Refusal(f"{cell!r} may mean {whole} or {point}", "write one of them")
        cell = cell.replace(",", ".")
    if not _NUMBER.fullmatch(cell):
        raise Refusal(f"{cell!r} is not a number", "write one such as 2.5")
    return exact(float(cell))


def _seconds_between(before: Fraction | dt.datetime, after: Fraction | dt.datetime) -> Fraction:
    if isinstance(before, dt.datetime):
        assert isinstance(after, dt.datetime), "one file has one kind of time"
        return Fraction((after - before) // dt.timedelta(microseconds=1), 1_000_000)
    assert isinstance(after, Fraction), "one file has one kind of time"
    return after - before


def _made(name: str, columns: _Columns, points: list[_Point], shape: Shape) -> Hyetograph:
    if len(points) < 2:  # noqa: PLR2004 - a span has two ends
        hint = "the first row says when the rain begins and the last one when it ends"
        raise FileError([Problem(name, None, None, f"{len(points)} row(s) make no span of rain", hint)])
    timed = [(_seconds_between(points[0].at, p.at), p.value) for p in points]
    try:
        if columns.value == "intensity":
            return from_intensities(timed, shape=shape)
        return from_depths(timed) if columns.value == "depth" else from_totals(timed)
    except ValueError as error:
        # What is left to refuse: steps without an end, and a first depth without a beginning.
        line = points[-1 if columns.value == "intensity" else 0].line
        raise FileError([Problem(name, line, None, str(error))]) from None
