"""Entered, asked for."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar, final

from sqlalchemy import Connection, Select, delete, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session, selectinload

from ventproof.history.database import Database, Place
from ventproof.history.tables import (
    FindingRow,
    PlanRow,
    RunRow,
    faults_column,
    finding_rows,
    plan_row,
    record_of,
    run_row,
)
from ventproof.log.decode import LineError
from ventproof.log.read import check_log, read_log
from ventproof.log.run import RunRecord
from ventproof.rejudge.again import run_told
from ventproof.runset.completeness import absent_of
from ventproof_bench.base.clock import utc_now
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which runs, by what must be true of all of them. In patterns `*` stands for anything; case does not matter.

    Attributes:
        unit: pattern of the unit's serial number; None: any.
        firmware: pattern of its firmware version.
        profile: pattern of the profile's name.
        verdicts: the verdicts that are wanted; empty: any.
        since: the first moment that is wanted.
        until: the first moment that is not wanted any more.
        limit: only the newest so many.
        forgotten: whether runs are wanted, too, that were forgotten, which have no findings.
    """

    unit: str | None = None
    firmware: str | None = None
    profile: str | None = None
    verdicts: tuple[str, ...] = ()
    since: dt.datetime | None = None
    until: dt.datetime | None = None
    limit: int | None = None
    forgotten: bool = False

    def conditions(self) -> list[ColumnElement[bool]]:
        """Return them for a query."""
        from ventproof.history.tables import RunRow  # noqa: PLC0415 - slow: only where a database is asked

        columns = ((RunRow.unit, self.unit), (RunRow.firmware, self.firmware), (RunRow.profile, self.profile))
        found: list[ColumnElement[bool]] = [
            column.ilike(_like(pattern), escape="\\") for column, pattern in columns if pattern is not None
        ]
        if not self.forgotten:
            found.append(RunRow.forgotten.is_(None))
        if self.verdicts:
            found.append(RunRow.verdict.in_(self.verdicts))
        if self.since is not None:
            found.append(RunRow.at >= self.since)
        if self.until is not None:
            found.append(RunRow.at < self.until)
        return found


def _like(pattern: str) -> str:
    escaped = pattern.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return escaped.replace("*", "%")


def since_of(text: str) -> dt.datetime:
    """Read `--since`: a day, or a moment.

    Raises:
        FileError: it is neither.
    """
    moment, _ = _moment(text, "--since")
    return moment


def until_of(text: str) -> dt.datetime:
    """Read `--until`: a day, which is included, or a moment, which is not.

    Raises:
        FileError: it is neither.
    """
    moment, whole_day = _moment(text, "--until")
    return moment + dt.timedelta(days=1) if whole_day else moment


def _moment(text: str, option: str) -> tuple[dt.datetime, bool]:
    """Return the moment, and whether a whole day was named; UTC unless a time zone stands with it."""
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        pass
    else:
        return dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC), True
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        reason, hint = f"{text!r} is not a date", "write 2026-03-31, or 2026-03-31T14:00"
        raise FileError([Problem(option, None, None, reason, hint)]) from None
    return moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC), False


Entered = Literal["new", "known", "continued", "no run"]
"""What entering a log did: a new run, nothing, or the whole of a run of which only the beginning was known.

A self-check's log holds no run and does not belong here.
"""

_Rows = TypeVar("_Rows")

_AT_ONCE: Final = 200  # runs that are fetched together

ALL: Final = Wanted()


@final
@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One run of the history.

    Attributes:
        record: the run; without its findings where they were not asked for.
        at: when it was run; of a run in virtual time, when it was first entered.
        file: its log, where it lay when it was entered.
    """

    record: RunRecord
    at: dt.datetime
    file: Path


@final
class History:
    """An open history.

    Args:
        place: where it is kept.
        create: make it when there is none.
        now: tells date and time.

    Raises:
        FileError: there is none, it cannot be opened, or it is a newer ventproof's.
    """

    def __init__(
        self, place: Place, *, create: bool = False, now: Callable[[], dt.datetime] = utc_now
    ) -> None:
        self.place = place
        self._database = Database(place, create=create)
        self._now = now

    def enter_log(self, log: Path) -> Entered:
        """Enter the run of a log as it is told of; for a run that has just been judged.

        Raises:
            FileError: it is no log, or the database refuses.
        """
        state = read_log(log)
        if state.is_check:
            return "no run"
        return self.enter(log, run_told(state, str(log)))

    def enter(self, log: Path, record: RunRecord) -> Entered:
        """Enter a log's run; one that is known changes only where its log lies now, and faults that were not known.

        One that was forgotten is entered again.

        Raises:
            FileError: the log cannot be read, or the database refuses.
        """
        with self._database.writing() as connection:
            return self._enter(connection, log, record)

    def enter_all(self, entries: Iterable[tuple[Path, RunRecord]]) -> None:
        """Enter the runs of several logs, all of them or none; as `enter` does it, and sooner than one by one.

        Raises:
            FileError: a log cannot be read, or the database refuses.
        """
        with self._database.writing() as connection:
            for log, record in entries:
                self._enter(connection, log, record)

    def _enter(self, connection: Connection, log: Path, record: RunRecord) -> Entered:
        row = run_row(record, self.place.stored(log), self._now())
        continued = [
            run_id
            for run_id, lines, digest, file in connection.execute(_beginnings(record))
            if self._grew(file, log) and check_log(log, mark=lines).marked == digest
        ]
        if continued:
            connection.execute(delete(RunRow).where(RunRow.id.in_(continued)))
        if record.place is not None:
            _insert_plan(connection, plan_row(record.place.plan))
        run_id = _insert_new(connection, row)
        if run_id is None:
            self._mend_path(connection, record.digest, log)
            self._add_faults(connection, record)
            run_id = _recalled(connection, record.digest)
        if run_id is None:
            return "known"
        findings = finding_rows(record, run_id)
        if findings:
            connection.execute(insert(FindingRow), findings)
        return "continued" if continued else "new"

    def _grew(self, file: str, log: Path) -> bool:
        """Return whether what was entered as `file` may be `log` now: a beginning that still lies apart stays."""
        return file == self.place.stored(log) or not self.place.found(file).exists()

    def _mend_path(self, connection: Connection, digest: str, log: Path) -> None:
        """Remember where a known log lies now, if it is not where it was."""
        kept = connection.scalar(select(RunRow.file).where(RunRow.digest == digest))
        if kept is not None and not self.place.found(kept).exists():
            connection.execute(
                update(RunRow).where(RunRow.digest == digest).values(file=self.place.stored(log))
            )

    def _add_faults(self, connection: Connection, record: RunRecord) -> None:
        """Enter the faults of a known run that an older ventproof entered without them."""
        unknown = RunRow.digest == record.digest, RunRow.faults.is_(None)
        connection.execute(update(RunRow).where(*unknown).values(faults=faults_column(record)))

    def forget(self, digests: Sequence[str]) -> None:
        """Drop the findings of runs: they still count, and are not listed, compared or exported any more.

        Raises:
            FileError: the database refuses.
        """
        with self._database.writing() as connection:
            for first in range(0, len(digests), _AT_ONCE):
                those = RunRow.digest.in_(digests[first : first + _AT_ONCE])
                runs = select(RunRow.id).where(those)
                connection.execute(delete(FindingRow).where(FindingRow.run_id.in_(runs)))
                connection.execute(update(RunRow).where(those).values(forgotten=self._now()))

    def count(self, wanted: Wanted = ALL) -> int:
        """Return how many runs there are, whatever the limit.

        Raises:
            FileError: the database refuses.
        """
        with self._database.reading() as connection:
            return (
                connection.scalar(select(func.count()).select_from(RunRow).where(*wanted.conditions())) or 0
            )

    def entries(self, wanted: Wanted = ALL, *, findings: bool = True) -> Iterator[HistoryEntry]:
        """Yield runs, the newest first; only a few at a time are held in memory.

        Raises:
            FileError: the database refuses.
        """
        query: Select[RunRow] = (
            select(RunRow)
            .where(*wanted.conditions())
            .order_by(RunRow.at.desc(), RunRow.id.desc())
            .limit(wanted.limit)
        )
        query = query.options(selectinload(RunRow.plan))
        with self._database.reading() as connection, Session(connection) as session:
            partitions = session.scalars(query.execution_options(yield_per=_AT_ONCE)).partitions()
            while runs := self._fetched(lambda: next(partitions, ())):
                found = self._fetched(partial(_findings_of, session, runs)) if findings else {}
                for run in runs:
                    try:
                        record = record_of(run, found.get(run.id, ()))
                    except LineError as error:
                        raise self._database.foreign(error) from None
                    yield HistoryEntry(record, run.at, self.place.found(run.file))

    def _fetched(self, fetch: Callable[[], _Rows]) -> _Rows:
        """Return rows; what no row can be is the database's fault."""
        try:
            return fetch()
        except (TypeError, ValueError) as error:  # SQLAlchemy's, where it reads dates and truth
            raise self._database.foreign(error) from None

    def gaps(self, records: Iterable[RunRecord]) -> dict[str, str]:
        """Return what is not here of the plans of some runs, in a sentence each, by the plan's digest.

        Whole plans have none, and neither have those whose repeats may have ended early.

        Raises:
            FileError: the database refuses.
        """
        plans = {one.place.plan.sha256: one.place.plan for one in records if one.place}
        several = [sha256 for sha256, plan in plans.items() if plan.runs > 1 and plan.claim is None]
        here: dict[str, set[int]] = {sha256: set() for sha256 in several}
        query = select(RunRow.plan_sha256, RunRow.run_of_plan).where(RunRow.plan_sha256.in_(several))
        with self._database.reading() as connection:
            for sha256, run in connection.execute(query):
                here[str(sha256)].add(run or 0)
        told = ((sha256, absent_of(plans[sha256], runs)) for sha256, runs in here.items())
        return {sha256: sentence for sha256, sentence in told if sentence}

    def last_before(
        self, unit: str, digests: Collection[str], first: dt.datetime | None
    ) -> HistoryEntry | None:
        """Return the last run of a unit before some of its runs, without findings; None where there is none.

        Args:
            unit: its serial number.
            digests: of the logs of these runs.
            first: when the first of them began; None: when they were entered.

        Raises:
            FileError: the database refuses.
        """
        runs = [one for one in self.entries(Wanted(unit=unit), findings=False) if one.record.unit == unit]
        first = first or min((one.at for one in runs if one.record.digest in digests), default=None)
        earlier = (one for one in runs if one.record.digest not in digests)
        return next((one for one in earlier if first is None or one.at < first), None)

    def file_of(self, digest: str) -> Path | None:
        """Return the log of a run, if it still lies there and is still that log.

        Raises:
            FileError: the database refuses.
        """
        with self._database.reading() as connection:
            kept = connection.scalar(select(RunRow.file).where(RunRow.digest == digest))
        if kept is None:
            return None
        path = self.place.found(kept)
        try:
            return path if check_log(path).digest == digest else None
        except FileError:
            return None


def _findings_of(session: Session, runs: Sequence[RunRow]) -> Mapping[int, Sequence[Mapping[str, Any]]]:
    """Return the columns of the findings of some runs, by run; as objects they would take twice as long."""
    query = (
        select(FindingRow.__table__)
        .where(FindingRow.run_id.in_([run.id for run in runs]))
        .order_by(FindingRow.run_id, FindingRow.place)
    )
    result = session.execute(query)
    names = list(result.keys())
    found: dict[int, list[Mapping[str, Any]]] = defaultdict(list)
    for row in result:
        columns = dict(zip(names, row, strict=True))
        found[columns["run_id"]].append(columns)
    return found


def _recalled(connection: Connection, digest: str) -> int | None:
    """Let a run be listed again that was forgotten, and return its id; None where it was not."""
    recall = (
        update(RunRow).where(RunRow.digest == digest, RunRow.forgotten.is_not(None)).values(forgotten=None)
    )
    run_id: int | None = connection.scalar(recall.returning(RunRow.id))
    return run_id


def _beginnings(record: RunRecord) -> Select[int, int, str, str]:
    """Ask for runs without a closing line that a longer log may go on from."""
    return select(RunRow.id, RunRow.lines, RunRow.digest, RunRow.file).where(
        RunRow.closed.is_(False),
        RunRow.lines < record.lines,
        RunRow.profile_sha256 == record.profile_sha256,
        RunRow.bench_sha256 == record.bench_sha256,
        RunRow.unit == record.unit,
        RunRow.firmware == record.firmware,
        RunRow.seed == str(record.seed),
    )


def _dialect_insert(connection: Connection, table: type[RunRow | PlanRow]) -> Any:  # noqa: ANN401 - one of two
    return (sqlite if connection.dialect.name == "sqlite" else postgresql).insert(table)


def _insert_plan(connection: Connection, row: dict[str, Any]) -> None:
    insertion = _dialect_insert(connection, PlanRow).values(row)
    connection.execute(insertion.on_conflict_do_nothing(index_elements=["sha256"]))


def _insert_new(connection: Connection, row: dict[str, object]) -> int | None:
    """Insert a run unless its digest is known, and return its id; two processes may do so at once."""
    insertion = (
        _dialect_insert(connection, RunRow).values(row).on_conflict_do_nothing(index_elements=["digest"])
    )
    run_id: int | None = connection.scalar(insertion.returning(RunRow.id))
    return run_id
