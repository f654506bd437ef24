"""An SQLite history opened to be read: nothing in its folder changes, and an older one reads as a new one does.

Source: SQLite's documentation of the write-ahead log (sqlite.org/wal.html, "Read-Only Databases") and of its URIs
(sqlite.org/uri.html): a file in that mode is opened without side files only if it is said to be immutable.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ventproof.history.migrations import KNOWN, NEWEST

if TYPE_CHECKING:
    from sqlalchemy import Connection


PATIENCE_S: Final = 30
"""So long one process waits for another that writes; a run is entered in milliseconds."""

_LOG_MODE_AT: Final = 18  # "file format write version" in the header; 2 is the write-ahead log
_LOG_MODE: Final = 2


def opened_to_read(path: Path) -> sqlite3.Connection:
    """Open a history; one of an older ventproof is copied into memory and brought up there.

    Raises:
        sqlite3.Error: it cannot be opened.
        OSError: it cannot be read.
    """
    here = _as_it_stands(path)
    try:
        older = _revision(here) in KNOWN[:-1]
        if not older:
            return here
        copy = sqlite3.connect(":memory:", check_same_thread=False, isolation_level=None)
        here.backup(copy)
    except BaseException:
        here.close()
        raise
    here.close()
    _bring_up_copy(copy)
    return copy


def _as_it_stands(path: Path) -> sqlite3.Connection:
    with path.open("rb") as file:
        header = file.read(_LOG_MODE_AT + 1)
    logs = header[_LOG_MODE_AT:] == bytes([_LOG_MODE])
    # Where it has no log nobody writes, and SQLite would make one.
    quiet = logs and not path.with_name(f"{path.name}-wal").exists()
    uri = f"{path.as_uri()}?mode=ro{'&immutable=1' if quiet else ''}"
    return sqlite3.connect(uri, uri=True, timeout=PATIENCE_S, check_same_thread=False, isolation_level=None)


def _revision(connection: sqlite3.Connection) -> str | None:
    with suppress(sqlite3.OperationalError):  # there is no such table
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        return str(row[0]) if row else None
    return None


def _bring_up_copy(copy: sqlite3.Connection) -> None:
    from sqlalchemy import StaticPool, create_engine  # noqa: PLC0415 - slow, as below

    engine = create_engine("sqlite://", creator=lambda: copy, poolclass=StaticPool)
    with engine.connect() as connection, connection.begin():
        bring_up(connection)


def bring_up(connection: Connection) -> None:
    """Create or migrate the tables of a history in a transaction of a connection."""
    from alembic import command  # noqa: PLC0415 - slow, and needed once in the life of a history
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    scripts = str(Path(__file__).parent / "migrations")
    config.set_main_option("script_location", scripts.replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, NEWEST)
