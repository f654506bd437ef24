"""The history's tables as typed models."""

from __future__ import annotations

import datetime as dt
from typing import final

from sqlalchemy import DateTime, Dialect, Double, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator


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
    findings: Mapped[list[FindingRow]] = relationship(
        order_by="FindingRow.place", cascade="all, delete-orphan", passive_deletes=True
    )


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
