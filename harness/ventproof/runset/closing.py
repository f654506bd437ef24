"""The files that close runs, of which each has one spelling: another one was not written by ventproof."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol, TypeVar

from ventproof.log.decode import LineError, LineFields
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import open_regular

_LARGEST_BYTES: Final = 256 * 2**20


class Closing(Protocol):
    """What such a file says."""

    @property
    def content(self) -> bytes:
        """The file's bytes."""


C = TypeVar("C", bound=Closing)


def fields_of(content: bytes, form: str, version: int) -> LineFields:
    """Return what stands in the bytes of a file of ours, which says what it is and in which version.

    Raises:
        LineError: they are not JSON, or of another form or version.
    """
    try:
        parsed = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError):
        raise LineError("it is not JSON") from None
    if not isinstance(parsed, dict) or parsed.get("format") != form:
        raise LineError(f"it does not say that it is a {form}")
    if parsed.get("version") != version:
        raise LineError(
            f"its version is {parsed.get('version')!r}, and this ventproof reads version {version}"
        )
    return LineFields(parsed)


def closing_of(content: bytes, form: str, version: int, parsed: Callable[[LineFields], C]) -> C:
    """Return what the bytes of such a file say.

    Args:
        content: the bytes.
        form: what the file says that it is.
        version: which version of that is read.
        parsed: makes it of the file's fields; may raise `LineError`.

    Raises:
        LineError: they are none, or not as ventproof writes it.
    """
    closing = parsed(fields_of(content, form, version))
    if closing.content != content:
        raise LineError("it is not as ventproof writes it: somebody changed it")
    return closing


def read_closing(path: Path, made_of: Callable[[bytes], C], what: str) -> C:
    """Read such a file.

    Args:
        path: the file.
        made_of: makes what it says of its bytes; may raise `LineError`.
        what: it is to be, as in "not a manifest".

    Raises:
        FileError: it cannot be read, or is none as ventproof writes it.
    """
    try:
        with open_regular(path) as file:
            return made_of(file.read(_LARGEST_BYTES))
    except OSError as error:
        raise _refused(path, f"cannot read the {what}: {error.strerror}") from error
    except LineError as error:
        raise _refused(path, f"not a {what}: {error}") from None


def _refused(path: Path, reason: str) -> FileError:
    return FileError([Problem(str(path), None, None, reason)])
