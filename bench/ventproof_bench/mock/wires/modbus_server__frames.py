"""Framing for the mock's side of a bus: requests out of a stream of bytes, replies into it (pure).

Written apart from the Modbus library that the bench's own bus uses, so that the two check each other.
Sources: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (MBAP header); MODBUS over Serial Line
V1.02, 2.5 (RTU, ASCII) and 6.2 (LRC, CRC).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

if TYPE_CHECKING:
    from collections.abc import Iterator

Framing = Literal["tcp", "rtu", "ascii"]

_MBAP: Final = 7
_LONGEST_PDU: Final = 253
_SHORTEST_RTU: Final = 4
_LONGEST_RTU: Final = 256
_LONGEST_ASCII: Final = 513
# Bytes of a request by function: a fixed length, or where its byte count stands and its length without data.
_RTU_FIXED: Final = dict.fromkeys((1, 2, 3, 4, 5, 6), 8) | {22: 10}
_RTU_COUNTED: Final = {15: (6, 9), 16: (6, 9), 23: (10, 13)}


def _crc_of_byte(index: int) -> int:
    for _ in range(8):
        index = index >> 1 ^ (0xA001 if index & 1 else 0)
    return index


_CRC_TABLE: Final = tuple(_crc_of_byte(i) for i in range(256))


def crc16(data: bytes) -> bytes:
    """Return CRC-16/MODBUS of `data` as it goes over the wire, low byte first (Serial Line V1.02, 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


def lrc(data: bytes) -> int:
    """Return the LRC of an ASCII frame's bytes: two's complement of their sum (Serial Line V1.02, 6.2.1)."""
    return -sum(data) & 0xFF


@final
@dataclass(frozen=True, slots=True)
class Frame:
    """One request or reply: the device it is for or from, its PDU, and on TCP its transaction identifier."""

    unit_id: int
    pdu: bytes
    transaction: int = 0


def encode(framing: Framing, frame: Frame) -> bytes:
    """Return a frame's bytes on the wire."""
    body = bytes([frame.unit_id]) + frame.pdu
    if framing == "tcp":
        return frame.transaction.to_bytes(2) + b"\0\0" + len(body).to_bytes(2) + body
    if framing == "rtu":
        return body + crc16(body)
    return b":" + (body + bytes([lrc(body)])).hex().upper().encode() + b"\r\n"


@final
class Deframer:
    """Takes requests out of a stream, whatever the pieces it comes in; noise between them is skipped.

    An RTU stream has no marks but silence. A piece after a silence of `silence_s` starts afresh; within
    a piece the first run of bytes that has a request's length and a good CRC is a request, so that a noise
    byte costs nothing.
    """

    def __init__(self, framing: Framing, *, silence_s: float = 0.05) -> None:
        self._framing = framing
        self._silence_s = silence_s
        self._buffer = b""
        self._heard_s = 0.0
        self._next = {"tcp": self._next_tcp, "rtu": self._next_rtu, "ascii": self._next_ascii}[framing]

    def feed(self, data: bytes, now_s: float) -> Iterator[Frame]:
        """Take bytes heard at `now_s`; yields the requests that they complete, in order."""
        if self._framing == "rtu" and now_s - self._heard_s > self._silence_s:
            self._buffer = b""
        self._heard_s = now_s
        self._buffer += data
        while (frame := self._next()) is not None:
            yield frame

    def _next_tcp(self) -> Frame | None:
        buffer = self._buffer
        for at in range(len(buffer)):
            if not _may_be_mbap(buffer[at : at + _MBAP]):
                continue
            end = at + 6 + int.from_bytes(buffer[at + 4 : at + 6])
            if len(buffer) < at + _MBAP or len(buffer) < end:
                self._buffer = buffer[at:]
                return None
            self._buffer = buffer[end:]
            return Frame(buffer[at + 6], buffer[at + _MBAP : end], int.from_bytes(buffer[at : at + 2]))
        self._buffer = b""
        return None

    def _next_rtu(self) -> Frame | None:
        buffer = self._buffer
        for at in range(len(buffer) - _SHORTEST_RTU + 1):
            end = at + _rtu_length(buffer[at:], first=at == 0)
            if end <= len(buffer) and crc16(buffer[at : end - 2]) == buffer[end - 2 : end]:
                self._buffer = buffer[end:]
                return Frame(buffer[at], buffer[at + 1 : end - 2])
        self._buffer = buffer[-_LONGEST_RTU:]
        return None

    def _next_ascii(self) -> Frame | None:
        while True:
            line, found, rest = self._buffer.partition(b"\r\n")
            if not found:
                at = self._buffer.rfind(b":")
                self._buffer = self._buffer[at:][:_LONGEST_ASCII] if at >= 0 else b""
                return None
            self._buffer = rest
            try:
                body = bytes.fromhex(line[line.rindex(b":") + 1 :].decode("ascii"))
            except ValueError:
                continue
            if len(body) > 2 and lrc(body[:-1]) == body[-1]:  # noqa: PLR2004 - address, function, LRC
                return Frame(body[0], body[1:-1])


def _may_be_mbap(head: bytes) -> bool:
    """Whether bytes can be, or begin, a header with protocol 0 and a possible length."""
    shortest, longest = 2, _LONGEST_PDU + 1
    if any(head[2:4]) or head[4:5] > b"\1":
        return False
    return len(head) < 6 or shortest <= int.from_bytes(head[4:6]) <= longest  # noqa: PLR2004 - length known from there


def _rtu_length(data: bytes, *, first: bool) -> int:
    """Return how long the request that begins `data` is, which may be longer than `data`.

    An unknown function takes all there is, and only at the beginning: elsewhere it is more likely noise.
    """
    function = data[1]
    if function in _RTU_FIXED:
        return _RTU_FIXED[function]
    if function in _RTU_COUNTED:
        at, rest = _RTU_COUNTED[function]
        return data[at] + rest if len(data) > at else len(data) + 1
    return len(data) + (not first)
