"""Which runs are wanted of a history."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError, Problem
from harness.record.results import ABORTED

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement

VERDICTS: Final = ("pass", "fail", "inconclusive", ABORTED)


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
    """

    unit: str | None = None
    firmware: str | None = None
    profile: str | None = None
    verdicts: tuple[str, ...] = ()
    since: dt.datetime | None = None
    until: dt.datetime | None = None
    limit: int | None = None

    def conditions(self) -> list[ColumnElement[bool]]:
        """Return them for a query."""
        from harness.record.history.tables import RunRow  # noqa: PLC0415 - slow: only where a database is asked

        columns = ((RunRow.unit, self.unit), (RunRow.firmware, self.firmware), (RunRow.profile, self.profile))
        found: list[ColumnElement[bool]] = [
            column.ilike(_like(pattern), escape="\\") for column, pattern in columns if pattern is not None
        ]
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
