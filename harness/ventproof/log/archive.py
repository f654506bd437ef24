"""Archived logs: the lines of a log without the digests that follow from them, compressed.

An archive is a sequence of Zstandard frames (RFC 8878). Each holds `FRAME_LINES` lines of JSON, of which only the last
has its digest; the last frame holds one line that says what the original is. Three quarters of a compressed log would
be digests, which no compression shortens and which anybody can compute.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
from collections import deque
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, BinaryIO, Final, final

from ventproof.log.write import GENESIS, link, seal, unseal

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer
    from zstandard import ZstdCompressor, ZstdDecompressor

FRAME_LINES: Final = 600

LONGEST_LINE: Final = 64 * 2**20
"""Bytes of the longest line that is read; the longest train of pulses takes a third of it."""

_MAGIC: Final = bytes.fromhex("28b52ffd")
_JSON: Final = b"{"
_VERSION: Final = 1
_END: Final = b'{"archive":'
"""What the last line begins with, and no line of a log."""

_LEVEL: Final = 9
_LARGEST_WINDOW: Final = 8 * 2**20
"""Bytes that a reader must hold; RFC 8878 recommends every decoder to support so many."""

_AT_ONCE: Final = 256
"""Bytes that are unpacked together: four of them can hold 128 kB."""


class ArchiveError(ValueError):
    """An archive does not give the original bytes."""


def lines_of(file: BinaryIO, *, archived: bool = False) -> Iterator[bytes]:
    """Yield the lines of a log, plain or archived, as they were written; a torn last line has no line end.

    Args:
        file: the log.
        archived: whether it is named as an archive; then what begins as neither is a damaged one.

    Raises:
        ArchiveError: the file is an archive, and was damaged.
        OSError: it cannot be read.
    """
    head = file.read(len(_MAGIC))
    file.seek(0)
    if head == _MAGIC or (archived and not head.startswith(_JSON)):
        yield from _unpacked(file)
        return
    while line := file.readline(LONGEST_LINE):
        yield line


def frames_of(lines: Iterable[bytes]) -> Iterator[bytes]:
    """Yield the frames of the archive of a log.

    Args:
        lines: of the log, whose chain is intact; the last may be torn.
    """
    from zstandard import ZstdCompressor  # noqa: PLC0415 - only where something is archived

    compressor = ZstdCompressor(level=_LEVEL, write_checksum=True)
    whole, count, torn = hashlib.sha256(), 0, b""
    frame: list[bytes] = []
    for line in lines:
        whole.update(line)
        if not line.endswith(b"\n"):
            torn = line
            break
        count += 1
        frame.append(line)
        if len(frame) == FRAME_LINES:
            yield _frame(frame, compressor)
            frame.clear()
    if frame:
        yield _frame(frame, compressor)
    end = {
        "archive": _VERSION,
        "lines": count,
        "torn": base64.b64encode(torn).decode("ascii"),
        "sha256": whole.hexdigest(),
    }
    yield compressor.compress(_end_line(end))


def _end_line(end: dict[str, object]) -> bytes:
    return json.dumps(end, separators=(",", ":")).encode("ascii") + b"\n"


def _frame(lines: list[bytes], compressor: ZstdCompressor) -> bytes:
    """Return a frame of sealed lines, of which only the last keeps its digest."""
    return compressor.compress(b"".join([*map(_bare, lines[:-1]), lines[-1]]))


def _bare(line: bytes) -> bytes:
    parts = unseal(line[:-1])
    return parts[0] + b"\n" if parts else line


def _unpacked(file: BinaryIO) -> Iterator[bytes]:
    """Yield the original lines; the last only when all that was read is known to be the original."""
    whole, count, digest = hashlib.sha256(), 0, GENESIS
    lines = _compressed_lines(file)
    for line in lines:
        if line.startswith(_END):
            torn = _torn(line, count, whole)
            if next(lines, None) is not None:
                raise ArchiveError("something follows its last line")
            if torn:
                yield torn
            return
        original, digest = _resealed(line, digest, count + 1)
        whole.update(original)
        count += 1
        yield original
    raise ArchiveError(f"it was cut off after line {count}")


def _resealed(line: bytes, before: str, number: int) -> tuple[bytes, str]:
    """Return a line with its digest, and the digest."""
    if not line.endswith(b"}\n"):
        raise ArchiveError(f"line {number} is not complete")
    parts = unseal(line[:-1])
    if parts is None:
        original, digest = seal(line[:-1], before)
        return original + b"\n", digest
    body, digest = parts
    if link(before, body) != digest:
        raise ArchiveError(f"the digest of line {number} does not follow from the lines before it")
    return line, digest


def _torn(line: bytes, count: int, whole: hashlib._Hash) -> bytes:
    """Return the torn line that the last line of an archive holds, which must tell of what was read."""
    try:
        end = json.loads(line)
        torn = base64.b64decode(end["torn"], validate=True)
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ArchiveError("its last line is not as ventproof writes it") from None
    if end["archive"] != _VERSION:
        raise ArchiveError(f"its version is {end['archive']!r}, and this ventproof reads version {_VERSION}")
    whole.update(torn)
    true = {**end, "lines": count, "sha256": whole.hexdigest()}
    if _end_line(true) != line:
        raise ArchiveError("its lines are not those of the log that was archived")
    return torn


def _compressed_lines(file: BinaryIO) -> Iterator[bytes]:
    """Yield the lines that an archive holds; no more than a line and a few MB are in memory."""
    with io.BufferedReader(_Held(_held_in(file))) as held:
        while line := held.readline(LONGEST_LINE):
            yield line


@final
class _Held(io.RawIOBase):
    """Pieces of text as a file to read."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._piece = memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        while not self._piece:
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._piece = memoryview(piece)
        into = memoryview(buffer)
        count = min(len(into), len(self._piece))
        into[:count], self._piece = self._piece[:count], self._piece[count:]
        return count


def _held_in(file: BinaryIO) -> Iterator[bytes]:
    """Yield what the frames of an archive hold; each is gone through twice, so that none is believed in part.

    Raises:
        ArchiveError: a frame is damaged, or the last is cut off.
    """
    from zstandard import ZstdDecompressor, ZstdError  # noqa: PLC0415 - only where an archive is read

    decompressor = ZstdDecompressor(max_window_size=_LARGEST_WINDOW)
    size, begin, number = file.seek(0, os.SEEK_END), 0, 0
    while begin < size:
        number += 1
        try:
            ((_, end),) = deque(_pieces(file, begin, decompressor), maxlen=1)
        except (ZstdError, EOFError) as error:
            said = "was cut off" if isinstance(error, EOFError) else "is not as it was written"
            raise ArchiveError(f"frame {number}, which begins at byte {begin}, {said}") from None
        for piece, _ in _pieces(file, begin, decompressor):
            yield piece
        begin = end


def _pieces(file: BinaryIO, begin: int, decompressor: ZstdDecompressor) -> Iterator[tuple[bytes, int]]:
    """Yield what the frame that begins at a byte holds, piece by piece, each with the byte up to which it was read.

    Raises:
        ZstdError: the frame is damaged.
        EOFError: it is cut off.
    """
    frame = decompressor.decompressobj()
    file.seek(begin)
    while not frame.eof:
        if not (packed := file.read(_AT_ONCE)):
            raise EOFError
        piece = frame.decompress(packed)
        begin += len(packed)
        yield piece, begin - len(frame.unused_data)
