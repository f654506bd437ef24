"""The columns of an export: one row a response, the run's own columns repeated in each (pure)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from harness.judge.verdict import Finding

if TYPE_CHECKING:
    from harness.record.history.store import Entry
    from harness.record.results import RunRecord

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
    "step": int,
    "step_name": str,
    "number": int,
    "signal": str,
    "signal_unit": str,
    "kind": str,
    "demand": str,
    "finding": str,
    "why": str,
    "response_earliest_s": float,
    "response_latest_s": float,
    "slack_worst_s": float,
    "slack_best_s": float,
    "margin_worst": float,
    "margin_best": float,
    "seen_low": float,
    "seen_high": float,
    "stood": float,
    "conformance": float,
    "proves": str,
}
"""Names and types, in order. `verdict` is the run's, `finding` the response's; times are UTC."""

_OF_FINDING: Final = list(COLUMNS)[list(COLUMNS).index("step") :]


def rows_of(entry: Entry) -> Iterator[dict[str, Cell]]:
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
    return cells | {"seed": str(record.seed)}


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
        "demand": finding.demand,
        "finding": str(finding.verdict),
        "why": finding.why,
        "response_earliest_s": response and response.earliest_s,
        "response_latest_s": response and response.latest_s,
        "slack_worst_s": slack and slack.low,
        "slack_best_s": slack and slack.high,
        "margin_worst": margin and margin.low,
        "margin_best": margin and margin.high,
        "seen_low": seen and seen.low,
        "seen_high": seen and seen.high,
        "stood": finding.stood,
        "conformance": finding.conformance,
        "proves": finding.proves,
    }
