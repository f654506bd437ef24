"""Files read, none but regular ones, and written, as a whole or not at all: a full disk leaves no half."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.resources import files
from pathlib import Path
from typing import BinaryIO, Final

from ventproof_bench.base.errors import FileError, Problem

_NO_FILE: Final = "not a file"


class NotRegularError(OSError):
    """What stands there is neither a file nor a folder."""


def open_regular(path: Path) -> BinaryIO:
    """Open a regular file to read it. A pipe or a device, which might never come to its end, is not even waited for.

    Raises:
        IsADirectoryError: it is a folder.
        NotRegularError: it is something else than a file.
        OSError: it cannot be opened.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        if error.errno == errno.ENXIO:  # a socket
            raise NotRegularError(errno.EINVAL, _NO_FILE) from None
        raise
    mode = os.fstat(descriptor).st_mode
    if not stat.S_ISREG(mode):
        os.close(descriptor)
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, "this is a folder")
        raise NotRegularError(errno.EINVAL, _NO_FILE)
    return os.fdopen(descriptor, "rb")


@contextmanager
def whole_file(path: Path, *, replaces: bool = True) -> Iterator[BinaryIO]:
    """Give a file to write that takes its name only when all of it was written, and is synced.

    Args:
        path: the file.
        replaces: it takes the place of one that has the name; otherwise such a one is an error.

    Raises:
        FileError: it cannot be written.
    """
    part = path.with_name(f".{path.name}.part-{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path) if replaces else _name(part, path)
        _sync_folder(path.parent)
    except OSError as error:
        raise FileError([Problem(str(path), None, None, f"cannot be written: {error.strerror}")]) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _name(part: Path, path: Path) -> None:
    """Give a file its name unless another has it."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:  # not every file system has two names for a file; there two writers may meet
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        part.replace(path)


def _sync_folder(folder: Path) -> None:
    """Let a new name in a folder outlast a loss of power, where the system can."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def create_file(path: Path, content: bytes, mode: int = 0o666) -> None:
    """Write a new file; what cannot be written whole is taken away again.

    Args:
        path: the file; one that exists is never replaced.
        content: what it shall hold.
        mode: who may read and write it, before the process's mask.

    Raises:
        OSError: it exists already, or cannot be written.
    """
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        path.unlink(missing_ok=True)
        raise


def shipped_folder(package: str, name: str, *, checkout: str) -> Path:
    """Return a folder that comes with a package.

    Args:
        package: the import package.
        name: the folder's place below the package once it is installed.
        checkout: its place from the package's folder in a checkout, where the installed one is not.
    """
    folder = Path(str(files(package)))
    installed = folder / name
    return installed if installed.is_dir() else (folder / checkout).resolve()
