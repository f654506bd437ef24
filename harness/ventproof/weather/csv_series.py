"""Measured rain and traces."""

from __future__ import annotations

import datetime as dt  # parses what is written; nothing here asks what time it is
import re
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.weather.course import MOST_POINTS, Trace
from ventproof.weather.exact import exact, factor_of, shown
from ventproof.weather.hyetograph import Hyetograph, Shape, from_depths, from_intensities, from_totals
from ventproof_bench.base.errors import FileError, Problem, Refusal
from ventproof_bench.base.quantities import UNITS, Dimension, Unit, canonical_spelling, canonical_symbol
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterator


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
            columns_of_rain = f"{number_of(len(values), 'column')} of rain"
            reason = (
                f"the header has {number_of(times, 'time column')} and {columns_of_rain}: {text.strip()!r}"
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
            reason = f"{number_of(len(cells), 'cell')} where the header has {columns.cells}"
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
                self._wrong(point.line, reason, "a total only grows; split the series where it restarted")


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
        raise FileError(
            [Problem(name, None, None, f"{number_of(len(points), 'row')}: no span of rain", hint)]
        )
    timed = [(_seconds_between(points[0].at, p.at), p.value) for p in points]
    try:
        if columns.value == "intensity":
            return from_intensities(timed, shape=shape)
        return from_depths(timed) if columns.value == "depth" else from_totals(timed)
    except ValueError as error:
        # What is left to refuse: steps without an end, and a first depth without a beginning.
        line = points[-1 if columns.value == "intensity" else 0].line
        raise FileError([Problem(name, line, None, str(error))]) from None


Between = Literal["linear", "steps"]
"""What the quantity does between two rows: goes straight from one to the other, or keeps the first until the second."""

_SEPARATORS: Final = (";", "\t", ",")  # a decimal comma never meets a comma as separator
_TRACE_HEADER: Final = re.compile(r"(?P<name>.*?)[\s\[(]*(?P<unit>[^\s\[\]()]+)[\s\])]*")
_TRACE_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,2})?")
_AMBIGUOUS: Final = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")  # a decimal comma, or one that parts thousands
_EPOCH: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_TRACE_EXAMPLE: Final = "'time s, wind m/s'"


def trace_from_csv(
    text: str,
    *,
    file: str,
    dimension: Dimension,
    column: str | None = None,
    between: Between = "linear",
    faster: float = 1.0,
) -> Trace:
    """Return one column of a CSV text as a trace in the canonical unit of its dimension (m/s, °C, …).

    The first line that is not empty or a comment (`#`) is the header. Each of its cells is a name and a unit,
    such as `wind km/h` or `wind [km/h]`; just one column must hold times. A column `time` without a unit holds
    ISO 8601 dates and times. Cells are separated by commas, semicolons or tabs; with the last two, numbers may
    have a decimal comma. Time counts from the first row.

    Args:
        text: the CSV text.
        file: its name, for messages.
        dimension: what the column measures; a speed must not be negative.
        column: the column's name, where several measure that.
        between: `linear`, or `steps`: each row's value lasts until the next row, and the last row only ends the trace.
        faster: 2 plays the series in half the time, 0.5 in twice; every value and mean stays as it is.

    Raises:
        FileError: the text is no such table; every fault is named with its line and column.
        ValueError: `faster` is not above 0.
    """
    if not 0 < faster < float("inf"):
        raise Refusal(f"faster={faster!r} must be more than 0", "2 plays the series twice as fast")
    rows = _rows(text)
    header = next(rows, None)
    if header is None:
        raise FileError(
            [Problem(file, None, None, "the file has no header", f"begin it with {_TRACE_EXAMPLE}")]
        )
    separator = next((s for s in _SEPARATORS if s in header[1]), ",")
    table = _Table(file, separator, *header)
    times, values = table.times(), table.place(dimension, column)
    points = table.points(rows, times, values)
    start_s = points[0][0]
    points = [((t - start_s) / faster, v) for t, v in points]
    if between == "steps":
        ends = [(t, points[k][1]) for k, (t, _) in enumerate(points[1:])]
        points = [p for pair in zip(points, ends, strict=False) for p in pair]
    return Trace.through(points)


@final
@dataclass(frozen=True, slots=True)
class _Place:
    """Where a column stands and its unit; None for dates and times."""

    index: int
    unit: Unit | None


def _rows(text: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, line


@final
class _Table:
    """The header of a series, and how its rows are read."""

    def __init__(self, file: str, separator: str, line: int, header: str) -> None:
        self._file = file
        self._separator = separator
        self._line = line
        self._zoned: bool | None = None  # whether dates have a UTC offset: the first one decides
        self._cells = [cell.strip().strip('"') for cell in header.split(separator)]

    def times(self) -> _Place:
        """Return where the one column of times stands."""
        dated = [k for k, cell in enumerate(self._cells) if cell.lower() == "time"]
        return _Place(dated[0], None) if len(dated) == 1 else self.place(Dimension.TIME, None)

    def place(self, dimension: Dimension, column: str | None) -> _Place:
        """Return where the one column of this dimension (and name) stands."""
        unit_name = canonical_symbol(dimension)
        found: dict[str, _Place] = {}
        for index, cell in enumerate(self._cells):
            match = _TRACE_HEADER.fullmatch(cell)
            unit = UNITS.get(canonical_spelling(match["unit"])) if match else None
            if match and unit and unit.dimension is dimension:
                found[match["name"].strip()] = _Place(index, unit)
        names = ", ".join(repr(name) for name in found)
        if column is not None and column not in found:
            hint = (
                f"columns that do: {names}"
                if found
                else f"write the unit into the header, as in {_TRACE_EXAMPLE}"
            )
            raise self._wrong(f"no column {column!r} measures a {dimension}", hint)
        if not found:
            raise self._wrong(
                f"no column of {self._separator.join(self._cells)!r} measures a {dimension}",
                f"write its unit into the header, such as '{dimension.name.lower()} {unit_name}'",
            )
        if column is None and len(found) > 1:
            raise self._wrong(f"the columns {names} all measure a {dimension}", "say which one is meant")
        return found[column] if column is not None else next(iter(found.values()))

    def points(
        self, rows: Iterator[tuple[int, str]], times: _Place, values: _Place
    ) -> list[tuple[float, float]]:
        """Return (instant, value) of every row, in canonical units; all faults are raised together."""
        points: list[tuple[float, float]] = []
        problems: list[Problem] = []
        for line, row in rows:
            try:
                points.append(self._point(row, times, values, points[-1][0] if points else None))
            except _RowError as error:
                problems.append(Problem(self._file, line, error.column, error.reason, error.hint))
        if problems:
            raise FileError(problems)
        if not 2 <= len(points) <= MOST_POINTS // 2:  # noqa: PLR2004 - a trace has two ends
            raise self._wrong(f"{len(points)} rows make no series", f"give 2 to {MOST_POINTS // 2} rows")
        return points

    def _point(self, row: str, times: _Place, values: _Place, last_s: float | None) -> tuple[float, float]:
        cells = row.split(self._separator)
        if len(cells) != len(self._cells):
            reason = f"{len(cells)} cells under a header of {len(self._cells)}"
            raise _RowError(None, reason, "give each column one cell")
        time_s = self._number(cells, times) if times.unit else self._date_s(cells, times)
        value = self._number(cells, values)
        if last_s is not None and time_s <= last_s:
            text = cells[times.index].strip()
            reason = f"the time {text!r} does not come after the row before"
            raise _RowError(_trace_column(cells, times.index), reason, "let times rise from row to row")
        return time_s, value

    def _date_s(self, cells: list[str], place: _Place) -> float:
        text = cells[place.index].strip().strip('"')
        column = _trace_column(cells, place.index)
        try:
            at = dt.datetime.fromisoformat(text)
        except ValueError:
            hint = "write one such as 2024-05-01 14:10, or give the column a unit, as in 'time s'"
            raise _RowError(column, f"{text!r} is not a date and time", hint) from None
        self._zoned = at.tzinfo is not None if self._zoned is None else self._zoned
        if self._zoned != (at.tzinfo is not None):
            reason = "some times have a UTC offset and some have none"
            raise _RowError(column, reason, "give every row a UTC offset, or none")
        since = at - (_EPOCH if self._zoned else _EPOCH.replace(tzinfo=None))
        return since / dt.timedelta(seconds=1)

    def _number(self, cells: list[str], place: _Place) -> float:
        assert place.unit is not None, "only times can be dates"
        text = cells[place.index].strip().strip('"')
        column = _trace_column(cells, place.index)
        if _AMBIGUOUS.fullmatch(text) and self._separator != ",":
            whole, point = text.replace(",", ""), text.replace(",", ".")
            raise _RowError(column, f"{text!r} may mean {whole} or {point}", "write one of them")
        decimal = text.replace(",", ".") if self._separator != "," else text
        if not _TRACE_NUMBER.fullmatch(decimal):
            hint = (
                "leave rows without a reading out" if not text else f"write a number in {place.unit.symbol}"
            )
            raise _RowError(column, f"{text!r} is not a number", hint)
        number = float(decimal)
        if number < 0 and place.unit.dimension is Dimension.SPEED:
            raise _RowError(
                column, f"a wind speed of {text} {place.unit.symbol} is impossible", "give 0 or more"
            )
        return place.unit.canonical(number)

    def _wrong(self, reason: str, hint: str) -> FileError:
        return FileError([Problem(self._file, self._line, None, reason, hint)])


class _RowError(Exception):
    """A row that cannot be used; becomes a problem of the file."""

    def __init__(self, column: int | None, reason: str, hint: str) -> None:
        self.column = column
        self.reason = reason
        self.hint = hint
        super().__init__(reason)


def _trace_column(cells: list[str], index: int) -> int:
    return sum(len(cell) + 1 for cell in cells[:index]) + 1
