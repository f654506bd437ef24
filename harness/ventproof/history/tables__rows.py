"""Between the records of runs and the rows of the history."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any, Final

from bench.samples import Window
from harness.judge.verdict import Bounds, Finding, NotRun, Status
from harness.record.history.tables import FindingRow, RunRow
from harness.record.results import RunRecord

_SAME_IN_RUN: Final = (
    "digest",
    "clock",
    "duration_s",
    "unit",
    "firmware",
    "operator",
    "profile",
    "profile_sha256",
    "bench",
    "bench_sha256",
    "selfcheck_sha256",
    "decision",
    "repeat",
    "version",
    "verdict",
    "reason",
    "closed",
    "lines",
)  # fmt: skip - a list of names
_SAME_IN_FINDING: Final = (
    "step",
    "step_name",
    "number",
    "signal",
    "kind",
    "demand",
    "why",
    "stood",
    "conformance",
    "proves",
    "hollow",
)  # fmt: skip - as above


def run_row(record: RunRecord, file: str, entered: dt.datetime) -> dict[str, Any]:
    """Return the columns of a run.

    Args:
        record: the run.
        file: its log, as the history keeps paths.
        entered: now.
    """
    started = None if record.started is None else dt.datetime.fromisoformat(record.started)
    return {
        **{name: getattr(record, name) for name in _SAME_IN_RUN},
        "seed": str(record.seed),
        "started": started,
        "at": started or entered,
        "entered": entered,
        "file": file,
    }


def finding_rows(record: RunRecord, run_id: int) -> list[dict[str, Any]]:
    """Return the columns of a run's findings."""
    return [
        {
            **{name: getattr(finding, name) for name in _SAME_IN_FINDING},
            **_ends("margin", finding.margin),
            **_ends("slack", finding.slack_s),
            **_ends("response", finding.response_s and Bounds(*_window(finding.response_s))),
            **_ends("seen", finding.seen),
            "run_id": run_id,
            "place": place,
            "signal_unit": finding.unit,
            "verdict": str(finding.verdict),
            "status": str(finding.status),
            "not_run": finding.not_run and str(finding.not_run),
        }
        for place, finding in enumerate(record.findings)
    ]


def record_of(run: RunRow, findings: Iterable[FindingRow]) -> RunRecord:
    """Return the record that a row was made from."""
    return RunRecord(
        **{name: getattr(run, name) for name in _SAME_IN_RUN},
        seed=int(run.seed),
        started=None if run.started is None else run.started.isoformat(),
        findings=tuple(_finding_record(finding) for finding in findings),
    )


def _finding_record(finding: FindingRow) -> Finding:
    response = _bounds(finding.response_low, finding.response_high)
    return Finding(
        **{name: getattr(finding, name) for name in _SAME_IN_FINDING},
        unit=finding.signal_unit,
        status=Status(finding.status),
        not_run=None if finding.not_run is None else NotRun(finding.not_run),
        margin=_bounds(finding.margin_low, finding.margin_high),
        slack_s=_bounds(finding.slack_low, finding.slack_high),
        response_s=None if response is None else Window(*response),
        seen=_bounds(finding.seen_low, finding.seen_high),
    )


def _window(window: Window) -> tuple[float, float]:
    return window.earliest_s, window.latest_s


def _ends(name: str, pair: Bounds | None) -> dict[str, float | None]:
    return {
        f"{name}_low": None if pair is None else pair.low,
        f"{name}_high": None if pair is None else pair.high,
    }


def _bounds(low: float | None, high: float | None) -> Bounds | None:
    return None if low is None or high is None else Bounds(low, high)
