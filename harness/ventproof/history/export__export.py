"""Exports runs to CSV and Parquet, written whole or not at all."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterable
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from bench.errors import FileError, Problem
from harness.record.history.columns import COLUMNS, Cell, rows_of
from harness.record.whole import whole_file

if TYPE_CHECKING:
    from harness.record.history.store import Entry

ENDINGS: Final = (".csv", ".parquet")

_AT_ONCE: Final = 10_000  # rows of a Parquet row group
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def export(path: Path, entries: Iterable[Entry]) -> int:
    """Write runs into a file, one row a response; its ending says which kind. Returns the number of rows.

    A file of that name is replaced once the new one is whole.

    Raises:
        FileError: the ending is neither, what Parquet needs is not installed, or the file cannot be written.
    """
    if path.suffix.lower() not in ENDINGS:
        reason = f"{path.suffix or 'no ending'} is not a kind of export"
        raise FileError([Problem(str(path), None, None, reason, f"end it in {' or '.join(ENDINGS)}")])
    rows = (row for entry in entries for row in rows_of(entry))
    write = _write_csv if path.suffix.lower() == ".csv" else _write_parquet
    with whole_file(path) as file:
        return write(file, rows)


def _write_csv(file: BinaryIO, rows: Iterable[dict[str, Cell]]) -> int:
    """RFC 4180 with a header line, UTF-8."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    count = 0
    for row in rows:
        writer.writerow([_csv_cell(cell) for cell in row.values()])
        count += 1
    text.detach()
    return count


def _csv_cell(cell: Cell) -> object:
    """Return what is written; a text that a spreadsheet would take for a formula gets an apostrophe before it."""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(_FORMULA) else cell
    return cell.isoformat() if isinstance(cell, dt.datetime) else cell


def _write_parquet(file: BinaryIO, rows: Iterable[dict[str, Cell]]) -> int:
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, and slow
        import pyarrow.parquet as pq  # noqa: PLC0415
    except ModuleNotFoundError:
        hint = "pip install -e '.[parquet]', or export CSV"
        raise FileError(
            [Problem(".parquet", None, None, "what writes Parquet is not installed", hint)]
        ) from None
    kinds = {
        str: pa.string(),
        int: pa.int64(),
        float: pa.float64(),
        dt.datetime: pa.timestamp("us", tz="UTC"),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in COLUMNS.items()])
    count = 0
    rows = iter(rows)
    with pq.ParquetWriter(file, schema) as writer:
        while some := list(islice(rows, _AT_ONCE)):
            writer.write_table(pa.Table.from_pylist(some, schema=schema))
            count += len(some)
    return count
