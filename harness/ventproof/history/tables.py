"""Typed rows."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Collection, Iterable, Mapping
from functools import cache, lru_cache
from types import NoneType
from typing import Any, Final, final

from sqlalchemy import DateTime, Dialect, Double, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator

from ventproof.log.decode import LineError, LineFields, plan_of
from ventproof.log.encode import plan_fields
from ventproof.log.plan import Plan, PlannedRun
from ventproof.log.read import VERDICTS
from ventproof.log.run import ABORTED, RunRecord
from ventproof.verdict.finding import Bounds, Finding, NotRun, Status
from ventproof.verdict.old_names import kind_now
from ventproof_bench.base.evidence import Window
from ventproof_bench.mock.faults.fault import GivenFault, faults_in


@final
class UtcTime(TypeDecorator[dt.datetime]):
    """A moment in UTC; SQLite keeps no time zone, so none is written there."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Turn it into UTC."""
        if value is None:
            return None
        utc = value.astimezone(dt.UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(
        self,
        value: dt.datetime | None,
        dialect: Dialect,  # noqa: ARG002 - SQLAlchemy's signature
    ) -> dt.datetime | None:
        """Say that it is UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


@final
class Told(TypeDecorator[str]):
    """Text that a file, an operator or a unit chose; characters that a database refuses are replaced."""

    impl = Text
    cache_ok = True

    def process_bind_param(
        self,
        value: str | None,
        dialect: Dialect,  # noqa: ARG002 - SQLAlchemy's signature
    ) -> str | None:
        """Replace NUL, which PostgreSQL refuses, and halves of surrogate pairs, which nobody can encode."""
        if value is None:
            return None
        return value.replace("\0", "\ufffd").encode("utf-16", "surrogatepass").decode("utf-16", "replace")


class Base(DeclarativeBase):
    """Base of the models."""

    type_annotation_map = {str: Told, dt.datetime: UtcTime, float: Double}  # noqa: RUF012 - SQLAlchemy's way


@final
class RunRow(Base):
    """One run; the columns are those of `RunRecord`, and where and when it was entered."""

    __tablename__ = "runs"

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    file: Mapped[str]
    """Its log: relative to the SQLite file where that is possible, else absolute."""
    at: Mapped[dt.datetime] = mapped_column(index=True)
    """When it was run; of a run in virtual time, when it was entered."""
    entered: Mapped[dt.datetime]
    started: Mapped[dt.datetime | None]
    clock: Mapped[str]
    duration_s: Mapped[float]
    unit: Mapped[str] = mapped_column(index=True)
    firmware: Mapped[str] = mapped_column(index=True)
    operator: Mapped[str]
    profile: Mapped[str] = mapped_column(index=True)
    profile_sha256: Mapped[str]
    bench: Mapped[str]
    bench_sha256: Mapped[str]
    selfcheck_sha256: Mapped[str]
    decision: Mapped[str]
    repeat: Mapped[int]
    seed: Mapped[str]
    """As text: a seed may be longer than a database's integers."""
    version: Mapped[str]
    verdict: Mapped[str] = mapped_column(index=True)
    reason: Mapped[str]
    closed: Mapped[bool]
    lines: Mapped[int]
    plan_sha256: Mapped[str | None] = mapped_column(String(64), index=True)
    run_of_plan: Mapped[int | None]
    faults: Mapped[str | None]
    """Of the mock, by name with their severity, as JSON; null for a run that an older ventproof entered."""
    forgotten: Mapped[dt.datetime | None]
    """When its findings were dropped on request; its verdict still counts."""
    plan: Mapped[PlanRow | None] = relationship(
        primaryjoin="foreign(RunRow.plan_sha256) == PlanRow.sha256", viewonly=True
    )


@final
class PlanRow(Base):
    """What a command was to run; its runs name it by its digest."""

    __tablename__ = "plans"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    text: Mapped[str]
    """Its JSON, in ASCII."""


@final
class FindingRow(Base):
    """One response of a run; the columns are those of `Finding`."""

    __tablename__ = "findings"
    __table_args__ = (UniqueConstraint("run_id", "place"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id", ondelete="CASCADE"))
    place: Mapped[int]
    """Its place among the run's findings, from 0."""
    step: Mapped[int | None]
    step_name: Mapped[str]
    number: Mapped[int]
    signal: Mapped[str]
    signal_unit: Mapped[str]
    kind: Mapped[str]
    demand: Mapped[str]
    verdict: Mapped[str]
    status: Mapped[str] = mapped_column(server_default="")
    not_run: Mapped[str | None]
    why: Mapped[str]
    margin_low: Mapped[float | None]
    margin_high: Mapped[float | None]
    slack_low: Mapped[float | None]
    slack_high: Mapped[float | None]
    response_low: Mapped[float | None]
    response_high: Mapped[float | None]
    seen_low: Mapped[float | None]
    seen_high: Mapped[float | None]
    stood: Mapped[float | None]
    conformance: Mapped[float | None]
    proves: Mapped[str]
    hollow: Mapped[bool]


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
        "plan_sha256": record.place and record.place.plan.sha256,
        "run_of_plan": record.place and record.place.run,
        "faults": faults_column(record),
        "started": started,
        "at": started or entered,
        "entered": entered,
        "file": file,
    }


def faults_column(record: RunRecord) -> str | None:
    """Return what the column of a run's faults holds."""
    return None if record.faults is None else json.dumps(dict(record.faults))


def plan_row(plan: Plan) -> dict[str, Any]:
    """Return the columns of a plan."""
    return {"sha256": plan.sha256, "text": json.dumps(plan_fields(plan))}


@lru_cache(maxsize=32)
def plan_in(text: str) -> Plan:
    """Return the plan that a row's text was made from; the runs of a set share it.

    Raises:
        LineError: it is none.
    """
    return plan_of(LineFields(_object_in(text, "its plan is")))


def _object_in(text: str, what: str) -> dict[str, Any]:
    try:
        parsed = json.loads(text)
    except (ValueError, RecursionError):
        parsed = None
    if not isinstance(parsed, dict):
        raise LineError(f"{what} not a JSON object")
    return parsed


def _faults_in(text: str | None) -> tuple[GivenFault, ...] | None:
    if text is None:
        return None
    given = faults_in(_object_in(text, "its faults are"))
    if given is None:
        raise LineError(f"its faults are {text!r}")
    return given


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


def record_of(run: RunRow, findings: Iterable[Mapping[str, Any]]) -> RunRecord:
    """Return the record that a row was made from, and the columns of its findings.

    Raises:
        LineError: a row is not as ventproof writes it.
    """
    _require_types(RunRow, vars(run))
    _require_word(vars(run), "verdict", (*VERDICTS, ABORTED))
    if not re.fullmatch(r"-?\d{1,400}", run.seed, re.ASCII):
        raise LineError(f"its seed is {run.seed!r}")
    place = None
    if run.plan and run.run_of_plan:
        plan = plan_in(run.plan.text)
        if not 1 <= run.run_of_plan <= plan.runs:
            raise LineError(f"it is run {run.run_of_plan} of a plan of {plan.runs}")
        place = PlannedRun(plan, run.run_of_plan)
    return RunRecord(
        **{name: getattr(run, name) for name in _SAME_IN_RUN},
        seed=int(run.seed),
        place=place,
        faults=_faults_in(run.faults),
        started=None if run.started is None else run.started.isoformat(),
        findings=tuple(_finding_record(finding) for finding in findings),
    )


@cache
def _kinds(table: type[Base]) -> tuple[tuple[str, tuple[type, ...]], ...]:
    """Return of which types the value of each column may be."""
    return tuple(
        (
            column.name,
            (
                column.type.python_type,
                *([int] if column.type.python_type is float else []),
                *([NoneType] if column.nullable else []),
            ),
        )
        for column in table.__table__.columns
    )


def _require_types(table: type[Base], values: Mapping[str, Any]) -> None:
    """Refuse what the columns of an SQLite file can hold all the same, since it keeps to no types."""
    for name, kinds in _kinds(table):
        if not isinstance(values[name], kinds):
            raise LineError(f"its {name} is {values[name]!r}")


def _require_word(values: Mapping[str, Any], name: str, known: Collection[str]) -> None:
    if values[name] not in known:
        raise LineError(f"its {name} is {values[name]!r}")


_STATUSES: Final = frozenset(map(str, Status))
_NOT_RUN: Final = frozenset(map(str, NotRun))


def _finding_record(finding: Mapping[str, Any]) -> Finding:
    _require_types(FindingRow, finding)
    _require_word(finding, "status", _STATUSES)
    not_run = finding["not_run"]
    if not_run is not None:
        _require_word(finding, "not_run", _NOT_RUN)
    response = _pair(finding, "response")
    if response is not None and not response.low <= response.high:
        raise LineError(f"its response_low is {response.low!r}, its response_high {response.high!r}")
    same = {name: finding[name] for name in _SAME_IN_FINDING}
    return Finding(
        **{**same, "kind": kind_now(finding["kind"])},
        unit=finding["signal_unit"],
        status=Status(finding["status"]),
        not_run=None if not_run is None else NotRun(not_run),
        margin=_pair(finding, "margin"),
        slack_s=_pair(finding, "slack"),
        response_s=None if response is None else Window(*response),
        seen=_pair(finding, "seen"),
    )


def _window(window: Window) -> tuple[float, float]:
    return window.earliest_s, window.latest_s


def _ends(name: str, pair: Bounds | None) -> dict[str, float | None]:
    return {
        f"{name}_low": None if pair is None else pair.low,
        f"{name}_high": None if pair is None else pair.high,
    }


def _pair(finding: Mapping[str, Any], name: str) -> Bounds | None:
    low, high = finding[f"{name}_low"], finding[f"{name}_high"]
    return None if low is None or high is None else Bounds(low, high)
