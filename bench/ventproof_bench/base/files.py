"""Files read, none but regular ones, and written, as a whole or not at all: a full disk leaves no half."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from secrets import token_hex
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


def require_writable(path: Path) -> None:
    """Look whether a file of this name can be written, before time is spent on what it shall hold; it stays as it is.

    Raises:
        FileError: it cannot.
    """
    there = next(folder for folder in path.absolute().parents if folder.exists())  # what lacks is made later
    try:
        with suppress(_Enough), _part(there / path.name, replaces=True):
            raise _Enough
    except OSError as error:
        raise _unwritable(path, error) from error


def _unwritable(path: Path, error: OSError) -> FileError:
    return FileError([Problem(str(path), None, None, f"cannot be written: {error.strerror}")])


class _Enough(Exception):
    """Enough was seen."""


def stands_below(path: Path, folder: Path) -> bool:
    """Return whether a path leads to a place below a folder, whatever links lie on the way."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):  # links in a circle, or no name of a file
        return False


def write_whole(path: Path, text: str, *, replaces: bool = True) -> None:
    """Write a text file, as `whole_file` does.

    Raises:
        FileError: it cannot be written.
    """
    with whole_file(path, replaces=replaces) as file:
        file.write(text.encode())


@contextmanager
def whole_file(path: Path, *, replaces: bool = True) -> Iterator[BinaryIO]:
    """Give a file to write that takes its name only when all of it was written, and is synced.

    Args:
        path: the file.
        replaces: it takes the place of one that has the name; otherwise such a one is an error.

    Raises:
        FileError: it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _part(path, replaces=replaces) as file:
            yield file
    except OSError as error:
        raise _unwritable(path, error) from error


@contextmanager
def _part(path: Path, *, replaces: bool, mode: int = 0o666) -> Iterator[BinaryIO]:
    """Give a file without the name, which it takes at the end; whatever ends the process before leaves no such name."""
    part = path.with_name(f".{path.name}.part-{os.getpid()}-{token_hex(4)}")
    try:
        with os.fdopen(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode), "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path) if replaces else _name(part, path)
        _sync_folder(path.parent)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


@contextmanager
def whole_folder(path: Path, *, ending: str) -> Iterator[Path]:
    """Give a folder to fill that takes its name at the end, in place of one that holds nothing but such files.

    Args:
        path: the folder.
        ending: of the names of all files in it.

    Raises:
        FileError: it cannot be written, or something else would be lost.
    """
    if path.is_symlink() or (path.exists() and not (path.is_dir() and _all_end(path, ending))):
        hint = "move it away, or choose another name"
        raise FileError(
            [Problem(str(path), None, None, f"holds more than {ending} files, or is a file", hint)]
        )
    from shutil import rmtree  # noqa: PLC0415 - slow: it loads every kind of archive

    mark = f"{os.getpid()}-{token_hex(4)}"
    part, old = (path.with_name(f".{path.name}.{word}-{mark}") for word in ("part", "old"))
    try:
        part.mkdir(parents=True)
        yield part
        if path.exists():
            path.rename(old)
        part.rename(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        if old.exists() and not path.exists():
            old.rename(path)
        for left in (part, old):
            rmtree(left, ignore_errors=True)


def _all_end(folder: Path, ending: str) -> bool:
    return all(
        path.name.endswith(ending) and path.is_file() and not path.is_symlink() for path in folder.iterdir()
    )


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
    """Write a new file: there as a whole or not at all.

    Args:
        path: the file; one that exists is never replaced.
        content: what it shall hold.
        mode: who may read and write it, before the process's mask.

    Raises:
        OSError: it exists already, or cannot be written.
    """
    with _part(path, replaces=False, mode=mode) as file:
        file.write(content)


def shipped_folder(package: str, name: str, *, checkout: str) -> Path:
    """Return a folder that comes with a package.

    Args:
        package: the import package.
        name: the folder's place below the package once it is installed.
        checkout: its place from the package's folder in a checkout, where the installed one is not.
    """
    folder = Path(import_module(package).__path__[0])
    installed = folder / name
    return installed if installed.is_dir() else (folder / checkout).resolve()
