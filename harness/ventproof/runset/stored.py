"""Logs archived and unpacked: none is removed before what takes its place was read back and is the same log."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import final

from ventproof.log.archive import frames_of, lines_of
from ventproof.log.names import ARCHIVED, PLAIN, archive_path, is_being_written, plain_path
from ventproof.log.read import LogCheck, check_log
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import open_regular, whole_file


@final
@dataclass(frozen=True, slots=True)
class StoredLog:
    """A log that was archived or unpacked.

    Attributes:
        path: where it lies now.
        before_bytes: what it took.
        after_bytes: what it takes now.
    """

    path: Path
    before_bytes: int
    after_bytes: int


def archive_log(log: Path) -> StoredLog:
    """Put an archive in the place of a log.

    Raises:
        FileError: it is no log, its chain is broken, a run still writes it, or it cannot be replaced; it stays.
    """
    _require_ending(log, PLAIN)
    if is_being_written(log):
        raise _refused(log, "a run still writes this log", "let it finish")
    return _replaced(log, archive_path(log), frames_of)


def unpack_log(archive: Path) -> StoredLog:
    """Put the original log in the place of its archive.

    Raises:
        FileError: it is no archive of a log, or cannot be replaced; it stays.
    """
    _require_ending(archive, f"{PLAIN}{ARCHIVED}")
    return _replaced(archive, plain_path(archive), lambda lines: lines)


def _require_ending(path: Path, ending: str) -> None:
    if not path.name.endswith(ending):
        raise _refused(path, f"its name does not end in {ending}", "name another file")


def _replaced(log: Path, target: Path, packed: Callable[[Iterator[bytes]], Iterator[bytes]]) -> StoredLog:
    """Put what `packed` makes of a log's lines in its place."""
    for path in (log, target):
        if path.is_symlink():
            raise _refused(path, "this is a link", "name the file that it leads to")
    check = check_log(log)
    if check.broken_at is not None:
        reason = f"its chain is broken ({check.reason}): it is left as it is"
        raise FileError([Problem(str(log), check.broken_at, None, reason)])
    before = log.stat()
    if os.path.lexists(target):
        if not _gives(target, check):
            raise _refused(
                log, f"{target.name} is there, and another log: both stay", f"move {target.name} away"
            )
    else:
        with open_regular(log) as file, whole_file(target, replaces=False) as new:
            new.writelines(packed(lines_of(file)))
        if not _gives(target, check) or _stamp(log.stat()) != _stamp(before):
            target.unlink()
            raise _refused(log, "it changed while it was read: it stays as it is", "let its run finish")
    log.unlink()
    return StoredLog(target, before.st_size, target.stat().st_size)


def _gives(path: Path, check: LogCheck) -> bool:
    """Return whether a file gives the bytes of a log that was checked."""
    try:
        return check_log(path).sha256 == check.sha256
    except FileError:
        return False


def _stamp(stat: os.stat_result) -> tuple[int, int, int]:
    return stat.st_ino, stat.st_size, stat.st_mtime_ns


def _refused(path: Path, reason: str, hint: str) -> FileError:
    return FileError([Problem(str(path), None, None, reason, hint)])
