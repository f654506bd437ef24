"""Measured series from CSV text: what a logger recorded becomes a trace that can be played again."""

from __future__ import annotations

import datetime as dt  # parses what is written; nothing here asks what time it is
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from bench.errors import FileError, Problem, Refusal
from bench.units import UNITS, Dimension, Unit, canonical_spelling, canonical_symbol
from harness.weather.trace import MOST_POINTS, Trace

if TYPE_CHECKING:
    from collections.abc import Iterator

Between = Literal["linear", "steps"]
"""What the quantity does between two rows: goes straight from one to the other, or keeps the first until the second."""

_SEPARATORS: Final = (";", "\t", ",")  # a decimal comma never meets a comma as separator
_HEADER: Final = re.compile(r"(?P<name>.*?)[\s\[(]*(?P<unit>[^\s\[\]()]+)[\s\])]*")
_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,2})?")
_AMBIGUOUS: Final = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")  # a decimal comma, or one that parts thousands
_EPOCH: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_EXAMPLE: Final = "'time s, wind m/s'"


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
        raise FileError([Problem(file, None, None, "the file has no header", f"begin it with {_EXAMPLE}")])
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
            match = _HEADER.fullmatch(cell)
            unit = UNITS.get(canonical_spelling(match["unit"])) if match else None
            if match and unit and unit.dimension is dimension:
                found[match["name"].strip()] = _Place(index, unit)
        names = ", ".join(repr(name) for name in found)
        if column is not None and column not in found:
            hint = (
                f"columns that do: {names}" if found else f"write the unit into the header, as in {_EXAMPLE}"
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
            raise _RowError(_column(cells, times.index), reason, "let times rise from row to row")
        return time_s, value

    def _date_s(self, cells: list[str], place: _Place) -> float:
        text = cells[place.index].strip().strip('"')
        column = _column(cells, place.index)
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
        column = _column(cells, place.index)
        if _AMBIGUOUS.fullmatch(text) and self._separator != ",":
            whole, point = text.replace(",", ""), text.replace(",", ".")
            raise _RowError(column, f"{text!r} may mean {whole} or {point}", "write one of them")
        decimal = text.replace(",", ".") if self._separator != "," else text
        if not _NUMBER.fullmatch(decimal):
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


def _column(cells: list[str], index: int) -> int:
    return sum(len(cell) + 1 for cell in cells[:index]) + 1
