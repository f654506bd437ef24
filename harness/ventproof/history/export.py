"""CSV, Parquet."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from ventproof.verdict.finding import Finding
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import whole_file

if TYPE_CHECKING:
    from ventproof.history.store import HistoryEntry
    from ventproof.log.run import RunRecord


Cell = str | int | float | bool | dt.datetime | None

COLUMNS: Final[dict[str, type]] = {
    "digest": str,
    "at": dt.datetime,
    "clock": str,
    "duration_s": float,
    "unit": str,
    "firmware": str,
    "operator": str,
    "profile": str,
    "profile_sha256": str,
    "bench": str,
    "bench_sha256": str,
    "selfcheck_sha256": str,
    "decision": str,
    "repeat": int,
    "seed": str,
    "version": str,
    "verdict": str,
    "reason": str,
    "file": str,
    "faults": str,
    "step": int,
    "step_name": str,
    "number": int,
    "signal": str,
    "signal_unit": str,
    "kind": str,
    "requirement": str,
    "response_verdict": str,
    "response_reason": str,
    "response_time_earliest_s": float,
    "response_time_latest_s": float,
    "time_margin_worst_s": float,
    "time_margin_best_s": float,
    "margin_worst": float,
    "margin_best": float,
    "lowest_possible_value": float,
    "highest_possible_value": float,
    "last_reading": float,
    "conformance": float,
    "purpose": str,
    "proves_nothing": bool,
}
"""Names and types, in order. `verdict` is the run's, `response_verdict` the response's; times are UTC."""

_OF_FINDING: Final = list(COLUMNS)[list(COLUMNS).index("step") :]


def rows_of(entry: HistoryEntry) -> Iterator[dict[str, Cell]]:
    """Yield the rows of a run; of one without findings a single row, empty where they would stand."""
    run = _run_cells(entry.record) | {"at": entry.at, "file": str(entry.file)}
    nothing: dict[str, Cell] = dict.fromkeys(_OF_FINDING)
    for cells in [_finding_cells(finding) for finding in entry.record.findings] or [nothing]:
        whole = run | cells
        yield {name: whole[name] for name in COLUMNS}


def _run_cells(record: RunRecord) -> dict[str, Cell]:
    cells: dict[str, Cell] = {
        name: getattr(record, name, None) for name in COLUMNS if name not in _OF_FINDING
    }
    faults = None if record.faults is None else ", ".join(fault.text for fault in record.faults)
    return cells | {"seed": str(record.seed), "faults": faults}


def _finding_cells(finding: Finding) -> dict[str, Cell]:
    response = finding.response_s
    slack, margin, seen = finding.slack_s, finding.margin, finding.seen
    return {
        "step": finding.step,
        "step_name": finding.step_name,
        "number": finding.number,
        "signal": finding.signal,
        "signal_unit": finding.unit,
        "kind": finding.kind,
        "requirement": finding.demand,
        "response_verdict": str(finding.verdict),
        "response_reason": finding.why,
        "response_time_earliest_s": response and response.earliest_s,
        "response_time_latest_s": response and response.latest_s,
        "time_margin_worst_s": slack and slack.low,
        "time_margin_best_s": slack and slack.high,
        "margin_worst": margin and margin.low,
        "margin_best": margin and margin.high,
        "lowest_possible_value": seen and seen.low,
        "highest_possible_value": seen and seen.high,
        "last_reading": finding.stood,
        "conformance": finding.conformance,
        "purpose": finding.proves,
        "proves_nothing": finding.hollow,
    }


ENDINGS: Final = (".csv", ".parquet")

_AT_ONCE: Final = 10_000  # rows of a Parquet row group
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def export(path: Path, entries: Iterable[HistoryEntry]) -> int:
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
        bool: pa.bool_(),
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
