"""Opened, migrated, placed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, final

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import NullPool

from ventproof.history.migrations import KNOWN, NEWEST
from ventproof.history.reading import PATIENCE_S, bring_up, opened_to_read
from ventproof.log.names import log_at
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from sqlalchemy import URL
    from sqlalchemy.engine.interfaces import DBAPIConnection


FILE: Final = "history.sqlite"
"""What the history is called in a folder of logs, unless stated."""

_HINT: Final = "write the path of an SQLite file, or postgresql://user@host/database"


@final
@dataclass(frozen=True, slots=True)
class Place:
    """Where a history is kept.

    Attributes:
        url: of the database.
        shown: how errors name it; without a password.
        path: the SQLite file, absolute; None on a server.
    """

    url: URL
    shown: str
    path: Path | None

    def stored(self, log: Path) -> str:
        """Return how the path of a log is kept: relative to the SQLite file where it lies below its folder."""
        absolute = Path(os.path.abspath(log))  # noqa: PTH100 - resolving links would lose what the user named
        if self.path is not None and absolute.is_relative_to(self.path.parent):
            return absolute.relative_to(self.path.parent).as_posix()
        return str(absolute)

    def found(self, stored: str) -> Path:
        """Return where a log lies now whose path was kept."""
        return log_at(Path(stored) if self.path is None else self.path.parent / stored)


def place_of(text: str, option: str = "--history") -> Place:
    """Read where a history is kept.

    Args:
        text: a path, or a URL of SQLite or PostgreSQL.
        option: what the text was given as.

    Raises:
        FileError: it is neither.
    """
    from sqlalchemy import URL, make_url  # noqa: PLC0415 - slow, and only who keeps a history needs it
    from sqlalchemy.exc import ArgumentError  # noqa: PLC0415

    if "://" not in text:
        path = Path(os.path.abspath(text))  # noqa: PTH100 - as above
        if not text or (path.exists() and not path.is_file()):
            raise FileError([Problem(option, None, None, f"{text!r} is not a file", _HINT)])
        return Place(URL.create("sqlite", database=str(path)), text, path)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):  # the text may hold a password: it is not repeated
        raise FileError([Problem(option, None, None, "the URL cannot be read", _HINT)]) from None
    backend = url.get_backend_name()
    if backend == "sqlite" and url.database and url.database != ":memory:":
        return place_of(url.database, option)
    if backend not in {"postgresql", "postgres"}:
        raise FileError([Problem(option, None, None, f"no history is kept in {url.drivername!r}", _HINT)])
    url = url.set(drivername="postgresql+psycopg")
    return Place(url, url.set(drivername="postgresql").render_as_string(hide_password=True), None)


def _empty(path: Path) -> bool:
    """Return whether there is nothing at a path, or a file without content, which reading must not fill."""
    return not path.exists() or (path.is_file() and path.stat().st_size == 0)


_SERVER_PATIENCE_S: Final = 10

_LOCK: Final = 7_036_874_417  # of our own choice: whoever migrates on a PostgreSQL server holds it


@final
class Database:
    """An open history. Several processes may hold the same one open and write to it.

    Args:
        place: where it is kept.
        create: make it when there is none, and bring up an older one, to write to it; otherwise it is only read.

    Raises:
        FileError: there is none, it cannot be opened, or it is a newer ventproof's.
    """

    def __init__(self, place: Place, *, create: bool) -> None:
        self.place = place
        self._writes = create
        if place.path is not None and _empty(place.path):
            if not create:
                raise self._none_here()
            self._make_folder(place.path.parent)
        self._engine = self._new_engine()
        with self._telling():
            self._bring_up()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a transaction that reads.

        Raises:
            FileError: the database refuses.
        """
        with self._telling(), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a transaction that writes; it is committed whole or not at all.

        Raises:
            FileError: the database refuses.
        """
        assert self._writes, "who opens it to write says so"
        with self._telling(), self._engine.connect() as connection:
            connection.execution_options(ventproof_writes=True)
            with connection.begin():
                yield connection

    def foreign(self, reason: object) -> FileError:
        """Return that the database holds a run as ventproof does not write it."""
        hint = (
            "somebody changed it; create a new one from the logs: ventproof history import --history NEW LOGS"
        )
        return self._problem(f"a run in it is not as ventproof writes it: {reason}", hint)

    def _new_engine(self) -> Engine:
        if self.place.path is None:
            try:
                patience = {"connect_timeout": _SERVER_PATIENCE_S}
                return create_engine(self.place.url, poolclass=NullPool, connect_args=patience)
            except ModuleNotFoundError:
                hint = "pip install -e '.[postgresql]'"
                raise self._problem("the driver for PostgreSQL is not installed", hint) from None
        if self._writes:
            engine = create_engine(self.place.url, poolclass=NullPool, connect_args={"timeout": PATIENCE_S})
            event.listen(engine, "connect", _set_up_sqlite)
        else:
            path = self.place.path
            engine = create_engine(self.place.url, poolclass=NullPool, creator=lambda: opened_to_read(path))
        event.listen(engine, "begin", _begin_sqlite)
        return engine

    def _bring_up(self) -> None:
        """Create or migrate the tables, unless they are what this ventproof knows."""
        with self._engine.connect() as connection:
            revision = _revision(connection)
        if revision == NEWEST:
            return
        if revision not in {None, *KNOWN}:
            said = f"this history is of a newer ventproof (revision {revision})"
            raise self._problem(said, "update ventproof")
        if not self._writes:
            if revision is None:
                raise self._none_here()
            said = f"this history is of an older ventproof (revision {revision})"
            hint = "enter a log, which brings it up: ventproof history import --history URL LOG"
            raise self._problem(said, hint)
        with self.writing() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
            bring_up(connection)

    def _none_here(self) -> FileError:
        hint = "`ventproof run` makes one as runs end, `ventproof history import` makes one from logs"
        return self._problem("there is no history here", hint)

    def _make_folder(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._problem(f"its folder cannot be made: {error.strerror}") from error

    @contextmanager
    def _telling(self) -> Iterator[None]:
        """Turn what the database says into one clear error."""
        try:
            yield
        except OSError as error:
            raise self._problem(f"the history cannot be read: {error.strerror}") from error
        except (SQLAlchemyError, UnicodeError) as error:  # SQLite names what it misses by bytes of the file
            raise self._problem(f"the history cannot be used: {_said(error)}") from error

    def _problem(self, reason: str, hint: str = "") -> FileError:
        return FileError([Problem(self.place.shown, None, None, reason, hint)])


def _revision(connection: Connection) -> str | None:
    """Return which revision a database is of; None where it is new."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = [*connection.scalars(text("SELECT version_num FROM alembic_version"))]
    return ", ".join(map(str, found)) if found else None


def _said(error: SQLAlchemyError | UnicodeError) -> str:
    """Return the database's own words, without the statement and its values."""
    cause = getattr(error, "orig", None) or error
    return " ".join(str(cause).split())


def _set_up_sqlite(connection: DBAPIConnection, _record: Any) -> None:  # noqa: ANN401 - SQLAlchemy's signature
    """Leave transactions to us, let readers read while somebody writes, and hold references."""
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA journal_mode")
    if cursor.fetchone() != ("wal",):
        _try_wal(cursor)
    cursor.close()


def _try_wal(cursor: Any) -> None:  # noqa: ANN401 - as the driver gives it
    """Ask for the write-ahead log; where another process holds the file it stays as it is, which is as safe."""
    import sqlite3  # noqa: PLC0415 - SQLite's own errors, before SQLAlchemy wraps them

    try:
        cursor.execute("PRAGMA journal_mode = WAL")
    except sqlite3.OperationalError as error:
        primary = error.sqlite_errorcode & 0xFF  # the rest says more closely why
        if primary not in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
            raise


def _begin_sqlite(connection: Connection) -> None:
    """Begin: who will write waits for its turn at once, for one who read first would be refused."""
    writes = connection.get_execution_options().get("ventproof_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
