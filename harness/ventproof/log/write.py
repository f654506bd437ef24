"""Chained lines, synced."""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
from collections.abc import Mapping, MutableMapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Any, Final, Self, final

import structlog

from ventproof.log.encode import to_json
from ventproof.log.names import free_path
from ventproof_bench.base.errors import FileError, Problem, RecordError

GENESIS: Final = "0" * 64
"""What stands for the digest before the first line."""

# The digest stands last and is cut off as bytes, never by decoding the line and writing it again: two JSON writers
# need not agree on a number's digits or on the order of keys, so a digest over a second text would prove nothing.
_SEAL = re.compile(rb',"chain":"([0-9a-f]{64})"\}')
_SEALED: Final = 76  # bytes of that


def link(previous: str, body: bytes) -> str:
    """Return the SHA-256 digest over the previous digest (64 hex digits) and a line's text without its own digest."""
    # Invariant: the previous digest has a fixed length, so no other split of the bytes gives the same input.
    return hashlib.sha256(previous.encode("ascii") + body).hexdigest()


def seal(body: bytes, previous: str) -> tuple[bytes, str]:
    """Return a line's JSON object with its digest added as the last member, and that digest.

    Args:
        body: the line as a JSON object, UTF-8, without line end.
        previous: digest of the line before, or `GENESIS`.
    """
    digest = link(previous, body)
    # `body` ends with the brace that closes the object; a body without members would give `{,`, and no line is without.
    return body[:-1] + b',"chain":"' + digest.encode("ascii") + b'"}', digest


def unseal(line: bytes) -> tuple[bytes, str] | None:
    """Return a line's text without its digest, and the digest; None when the line carries none."""
    begin = len(line) - _SEALED
    match = _SEAL.match(line, begin) if begin >= 0 else None
    return match and (line[:begin] + b"}", match[1].decode("ascii"))


@final
class _Chained:
    """The last processor: turns an event into the sealed bytes of its line."""

    def __init__(self) -> None:
        self.seq = 0
        self.digest = GENESIS

    def __call__(self, _logger: object, _method: str, event: MutableMapping[str, Any]) -> bytes:
        return self.sealed(
            to_json({"seq": self.seq, "t": event.pop("t"), "event": event.pop("event"), **event})
        )

    def sealed(self, body: str) -> bytes:
        """Return the line of a JSON object."""
        # Half a surrogate pair, which no UTF-8 holds, is written as JSON's own escape.
        line, self.digest = seal(body.encode("utf-8", "backslashreplace"), self.digest)
        self.seq += 1
        return line + b"\n"


@final
class _Sink:
    """What structlog writes to: an unbuffered file that takes bytes.

    What failed once takes nothing more: after a line that is missing, every other would look like a changed log.

    Attributes:
        lines: whole lines that were written.
        whole: of all bytes that are in the file.
    """

    def __init__(self, path: Path) -> None:
        # "x": a record is never written over. Without a buffer: what a killed run has written is in the system's hands.
        self.file = path.open("xb", buffering=0)
        with suppress(OSError):  # a file system without locks: then nobody is told that it is being written
            fcntl.flock(self.file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        self.whole = hashlib.sha256()
        self.lines = 0
        self._size = 0
        self._failed: OSError | None = None

    def write_line(self, line: bytes) -> None:
        """Write one whole line, or nothing of it; an unbuffered file may take it in parts."""
        if self._failed is not None:
            raise self._failed
        left = line
        try:
            while left:
                left = left[self.file.write(left) :]
        except OSError as error:
            self._failed = error
            self._cut(line[: len(line) - len(left)])
            raise
        self.whole.update(line)
        self._size += len(line)
        self.lines += 1

    def _cut(self, part: bytes) -> None:
        """Take away the part of a line that was written."""
        try:
            self.file.truncate(self._size)
        except OSError:
            self.whole.update(part)


class _Lines(structlog.BoundLoggerBase):
    """A structlog logger whose only level is "a line of the log"."""

    def line(self, event: str, t_s: float, fields: Mapping[str, Any]) -> None:
        """Pass one event through the processors to the file."""
        self._proxy_to_logger("write_line", event, t=t_s, **fields)


@final
class RecordLog:
    """A log being written. It never replaces a file that exists.

    Args:
        path: the file to create.

    Raises:
        FileError: the file exists already or cannot be created.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._chained = _Chained()
        # One thread, so that syncs stay in order and at most one is under way.
        self._disk = ThreadPoolExecutor(max_workers=1, thread_name_prefix="log")
        self._syncing: Future[None] | None = None
        self._digest, self._synced = GENESIS, 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._sink = _Sink(path)
        except OSError as error:
            raise FileError(
                [Problem(str(path), None, None, f"cannot create the log: {error.strerror}")]
            ) from error
        self._logger = structlog.wrap_logger(self._sink, processors=[self._chained], wrapper_class=_Lines)

    def write(self, event: str, t_s: float, fields: Mapping[str, Any]) -> None:
        """Write one event at `t_s` seconds since the run began; it has left the process on return.

        Raises:
            RecordError: it cannot be written.
        """
        try:
            self._logger.line(event, t_s, fields)
        except OSError as error:
            raise self._unwritten(error) from error
        self._digest = self._chained.digest

    def write_text(self, event: str, t_s: float, fields: str) -> None:
        """Do the same with fields that are JSON already.

        Raises:
            RecordError: it cannot be written.
        """
        body = f'{{"seq":{self._chained.seq},"t":{t_s!r},"event":"{event}",{fields[1:]}'
        try:
            self._sink.write_line(self._chained.sealed(body))
        except OSError as error:
            raise self._unwritten(error) from error
        self._digest = self._chained.digest

    def _unwritten(self, error: OSError) -> RecordError:
        ends = f"it ends after line {self._sink.lines}" if self._sink.lines else self._without_a_line()
        return RecordError(f"the log {self.path} cannot be written ({error.strerror}): {ends}")

    def _without_a_line(self) -> str:
        """Remove a log that holds not even its first line; returns what became of it."""
        try:
            self.path.unlink()
        except FileNotFoundError:
            pass  # an earlier line had it removed, or its folder is gone
        except OSError as error:
            return f"it holds nothing, and cannot be removed ({error.strerror})"
        return "it held nothing and was removed"

    def sync(self) -> None:
        """Force what was written to the disk.

        Raises:
            RecordError: the disk does not take it.
        """
        lines = self._sink.lines
        try:
            os.fsync(self._sink.file.fileno())
        except OSError as error:
            reason = f"the log {self.path} is not safe on the disk ({error.strerror})"
            raise RecordError(f"{reason}: lines after line {self._synced} may be missing") from error
        self._synced = lines

    def sync_beside(self) -> None:
        """Do the same in a thread: a disk may take a second for it, and the line process would miss the heartbeats.

        Raises:
            RecordError: the disk did not take what was synced before.
        """
        if self._syncing is not None and self._syncing.done():
            self._syncing.result()
        self._syncing = self._disk.submit(self.sync)

    @property
    def lines(self) -> int:
        """How many lines were written."""
        return self._sink.lines

    @property
    def digest(self) -> str:
        """Digest of the last line written; it stands for the whole log."""
        return self._digest

    @property
    def sha256(self) -> str:
        """SHA-256 of all that was written."""
        return self._sink.whole.hexdigest()

    def close(self) -> None:
        """Sync and close; safe to call twice.

        Raises:
            RecordError: the disk did not take everything, or the log is not where it was written.
        """
        self._disk.shutdown()
        if self._sink.file.closed:
            return
        try:
            if self._syncing is not None:
                self._syncing.result()
            self.sync()
            if self.lines:
                self._require_there()
        finally:
            self._sink.file.close()

    def _require_there(self) -> None:
        """Require that whoever opens the log by its name finds what was written."""
        with suppress(OSError):
            if os.path.samestat(self.path.stat(), os.fstat(self._sink.file.fileno())):
                return
        raise RecordError(f"the log {self.path} is gone: it was removed or moved while it was written")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, error: type[BaseException] | None, *_: object) -> None:
        with (
            nullcontext() if error is None else suppress(RecordError)
        ):  # what went wrong first is what is told
            self.close()


def new_log(folder: Path, stem: str) -> RecordLog:
    """Create `folder/stem.jsonl`, or the first of `stem-2.jsonl`, … that is free, however many do so at once.

    Raises:
        FileError: it cannot be created.
    """
    while True:
        path = free_path(folder, stem)
        try:
            return RecordLog(path)
        except FileError:
            if not os.path.lexists(path):  # otherwise another run was a moment faster
                raise
