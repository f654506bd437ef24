"""Where a history is kept: an SQLite file, or a PostgreSQL server by its URL."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError, Problem

if TYPE_CHECKING:
    from sqlalchemy import URL

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
        """Return the path of a log as it was kept."""
        return Path(stored) if self.path is None else self.path.parent / stored


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
        if not text or path.is_dir():
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
