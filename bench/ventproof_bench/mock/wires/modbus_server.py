"""Bytes in, replies out (pure).

Source: MODBUS Application Protocol Specification V1.1b3, section 6, with its order of checks: function, then
quantity and data, then address, then execution.

Written apart from the Modbus library that the bench's own bus uses, so that the two check each other.
Sources: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (MBAP header); MODBUS over Serial Line
V1.02, 2.5 (RTU, ASCII) and 6.2 (LRC, CRC).
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.mock.registers import (
    ILLEGAL_FUNCTION,
    ILLEGAL_VALUE,
    ForeseeingBank,
    RefusedError,
    RegisterBank,
    SilentError,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from ventproof_bench.base.evidence import Foreseen
    from ventproof_bench.base.protocols import Table
    from ventproof_bench.mock.registers import RegisterBank


_MOST_BITS_READ: Final = 2000
_MOST_REGISTERS_READ: Final = 125
_MOST_BITS_WRITTEN: Final = 1968
_MOST_REGISTERS_WRITTEN: Final = 123
_MOST_WRITTEN_WHILE_READING: Final = 121
_COIL_VALUES: Final = {0x0000: 0, 0xFF00: 1}


def answer(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    """Carry out a request at loop time `now_s` and return its reply, which may be an exception reply."""
    handler = _HANDLERS.get(pdu[0])
    if handler is None:
        return exception_reply(pdu[0], ILLEGAL_FUNCTION)
    try:
        return pdu[:1] + handler(pdu, bank, now_s)
    except RefusedError as refused:
        return exception_reply(pdu[0], refused.code)


def exception_reply(function: int, code: int) -> bytes:
    """Return the exception reply to a function."""
    return bytes([function | 0x80, code])


def _check(ok: bool) -> None:  # noqa: FBT001 - the condition that must hold
    if not ok:
        raise RefusedError(ILLEGAL_VALUE)


def _pack_bits(bits: Sequence[int]) -> bytes:
    return sum(1 << i for i, bit in enumerate(bits) if bit).to_bytes((len(bits) + 7) // 8, "little")


def _unpack_bits(data: bytes, count: int) -> list[int]:
    value = int.from_bytes(data, "little")
    return [value >> i & 1 for i in range(count)]


def _unpack_words(data: bytes) -> list[int]:
    return list(struct.unpack(f">{len(data) // 2}H", data))


def _pack_words(words: Sequence[int]) -> bytes:
    return struct.pack(f">B{len(words)}H", 2 * len(words), *words)


def _read_bits(table: Table) -> Callable[[bytes, RegisterBank, float], bytes]:
    def handle(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
        _check(len(pdu) == 5)  # noqa: PLR2004 - function, address, quantity
        _, address, count = struct.unpack(">BHH", pdu)
        _check(1 <= count <= _MOST_BITS_READ)
        data = _pack_bits(bank.read(table, address, count, now_s))
        return bytes([len(data)]) + data

    return handle


def _read_registers(table: Table) -> Callable[[bytes, RegisterBank, float], bytes]:
    def handle(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
        _check(len(pdu) == 5)  # noqa: PLR2004 - function, address, quantity
        _, address, count = struct.unpack(">BHH", pdu)
        _check(1 <= count <= _MOST_REGISTERS_READ)
        return _pack_words(bank.read(table, address, count, now_s))

    return handle


def _write_coil(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    _check(len(pdu) == 5)  # noqa: PLR2004 - function, address, value
    _, address, value = struct.unpack(">BHH", pdu)
    _check(value in _COIL_VALUES)
    bank.write("coil", address, [_COIL_VALUES[value]], now_s)
    return pdu[1:]


def _write_register(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    _check(len(pdu) == 5)  # noqa: PLR2004 - function, address, value
    _, address, value = struct.unpack(">BHH", pdu)
    bank.write("holding", address, [value], now_s)
    return pdu[1:]


def _write_coils(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    _check(len(pdu) > 6)  # noqa: PLR2004 - function, address, quantity, byte count
    _, address, count, size = struct.unpack(">BHHB", pdu[:6])
    _check(1 <= count <= _MOST_BITS_WRITTEN and size == (count + 7) // 8 == len(pdu) - 6)
    bank.write("coil", address, _unpack_bits(pdu[6:], count), now_s)
    return pdu[1:5]


def _write_registers(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    _check(len(pdu) > 6)  # noqa: PLR2004 - function, address, quantity, byte count
    _, address, count, size = struct.unpack(">BHHB", pdu[:6])
    _check(1 <= count <= _MOST_REGISTERS_WRITTEN and size == 2 * count == len(pdu) - 6)
    bank.write("holding", address, _unpack_words(pdu[6:]), now_s)
    return pdu[1:5]


def _mask_write(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    _check(len(pdu) == 7)  # noqa: PLR2004 - function, address, and mask, or mask
    _, address, and_mask, or_mask = struct.unpack(">BHHH", pdu)
    (current,) = bank.read("holding", address, 1, now_s)
    bank.write("holding", address, [current & and_mask | or_mask & ~and_mask & 0xFFFF], now_s)
    return pdu[1:]


def _read_write(pdu: bytes, bank: RegisterBank, now_s: float) -> bytes:
    _check(len(pdu) > 10)  # noqa: PLR2004 - function, two addresses and quantities, byte count
    _, read_at, read_count, write_at, count, size = struct.unpack(">BHHHHB", pdu[:10])
    _check(1 <= read_count <= _MOST_REGISTERS_READ and 1 <= count <= _MOST_WRITTEN_WHILE_READING)
    _check(size == 2 * count == len(pdu) - 10)
    bank.read("holding", read_at, read_count, now_s)  # refuses a bad read address before anything is written
    bank.write("holding", write_at, _unpack_words(pdu[10:]), now_s)
    return _pack_words(bank.read("holding", read_at, read_count, now_s))


_HANDLERS: Final[dict[int, Callable[[bytes, RegisterBank, float], bytes]]] = {
    1: _read_bits("coil"),
    2: _read_bits("discrete"),
    3: _read_registers("holding"),
    4: _read_registers("input"),
    5: _write_coil,
    6: _write_register,
    15: _write_coils,
    16: _write_registers,
    22: _mask_write,
    23: _read_write,
}


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
        while self._buffer and (frame := self._next()) is not None:
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


_BROADCAST: Final = 0


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a trouble maker is shown of a request: how many came before it, for whom, and its PDU."""

    number: int
    unit_id: int
    pdu: bytes


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What goes wrong with one reply. The request is carried out unless `exception` or `cut` is given.

    Attributes:
        late_s: the reply, and whatever is queued behind it, comes this much later.
        silent: no reply.
        exception: refuse with this Modbus exception code.
        cut: lose the connection on this request.
        before: noise sent in front of the reply.
        after: noise sent behind the reply.
        corrupt: flip a bit in the reply's last byte: a bad check on serial lines, a wrong value on TCP.
        transaction_shift: added to the transaction identifier of a TCP reply.
        pdu: sent in place of the reply's PDU.
    """

    late_s: float = 0.0
    silent: bool = False
    exception: int | None = None
    cut: bool = False
    before: bytes = b""
    after: bytes = b""
    corrupt: bool = False
    transaction_shift: int = 0
    pdu: bytes | None = None


TroubleMaker = Callable[[Request], Trouble | None]
"""Decides what goes wrong with the reply to a request; None for nothing."""


@final
class Responder:
    """Answers requests to its devices as a unit does: one after another, each after a while.

    A `base.protocols.Peer`. Requests for other devices, and for devices without supply, are left
    alone, bad frames are skipped, and a broadcast on a serial line is carried out by every device and answered
    by none.

    Args:
        framing: which frames are spoken.
        devices: register bank of each unit identifier.
        reply_after_s: how long an answer takes.
        jitter_s: answers take up to this much longer, by the seed.
        seed: of the jitter.
        local_echo: the line gives the asker its own bytes back first, as some two-wire adapters do.
        trouble: what goes wrong with which reply.
    """

    def __init__(
        self,
        framing: Framing,
        devices: Mapping[int, RegisterBank],
        *,
        reply_after_s: float = 0.0,
        jitter_s: float = 0.0,
        seed: int = 0,
        local_echo: bool = False,
        trouble: TroubleMaker | None = None,
    ) -> None:
        self._framing = framing
        self._devices = devices
        self._reply_after_s = reply_after_s
        self._jitter_s = jitter_s
        self._random = random.Random(seed)  # noqa: S311 - a repeatable jitter, not a secret
        self._late_s = self._lateness_s()  # of the next reply
        self._local_echo = local_echo
        self._trouble = trouble
        self._foreseen = {
            unit_id: bank
            for unit_id, bank in devices.items()
            if isinstance(bank, ForeseeingBank) and not trouble
        }
        self._deframer = Deframer(framing)
        self._requests = 0
        self._free_s = 0.0  # when the last reply in the queue is out

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:
        """Take bytes at loop time `now_s`; return `(delay_s, bytes)` of the replies they cause, in order.

        The devices act at `now_s`, which lies between request and reply.

        Raises:
            ConnectionResetError: a scripted trouble cuts the connection.
        """
        out = [(0.0, data)] if self._local_echo else []
        for frame in self._deframer.feed(data, now_s):
            reply = self._reply(frame, now_s)
            if reply is not None:
                out.append(reply)
        return out

    def _reply(self, frame: Frame, now_s: float) -> tuple[float, bytes] | None:
        if frame.unit_id == _BROADCAST and self._framing != "tcp":
            for listener in self._devices.values():
                with suppress(SilentError):
                    answer(frame.pdu, listener, now_s)
            return None
        bank = self._devices.get(frame.unit_id)
        if bank is None:
            return None
        trouble = None
        if self._trouble is not None:
            trouble = self._trouble(Request(number=self._requests, unit_id=frame.unit_id, pdu=frame.pdu))
        self._requests += 1
        if trouble is not None and trouble.exception is not None:
            pdu = exception_reply(frame.pdu[0], trouble.exception)
        elif trouble is not None and trouble.cut:
            raise ConnectionResetError("the mock unit cut the connection")
        else:
            try:
                pdu = answer(frame.pdu, bank, now_s)
            except SilentError:
                return None
        due_s = self.reply_s(now_s)
        self._late_s = self._lateness_s()
        if trouble is None:
            self._free_s = due_s
            return due_s - now_s, encode(self._framing, Frame(frame.unit_id, pdu, frame.transaction))
        due_s += trouble.late_s
        self._free_s = due_s
        if trouble.silent:
            return None
        return due_s - now_s, self._spoil(trouble, Frame(frame.unit_id, pdu, frame.transaction))

    def foreseen(self, unit_id: int) -> Foreseen | None:
        """Return the time that goes on in which a device answers as before; None: who knows what it answers."""
        bank = self._foreseen.get(unit_id)
        return None if bank is None else bank.foreseen

    def reply_s(self, now_s: float) -> float:
        """Return when the reply to a request at loop time `now_s` will be there."""
        return max(now_s, self._free_s) + self._reply_after_s + self._late_s

    def repeat(self, foreseen: Foreseen, now_s: float) -> None:
        """Take it that a read was asked, and answered as before."""
        foreseen.asked_s = now_s
        self._free_s = self.reply_s(now_s)
        self._late_s = self._lateness_s()

    def _lateness_s(self) -> float:
        return self._random.random() * self._jitter_s

    def _spoil(self, trouble: Trouble, frame: Frame) -> bytes:
        pdu = frame.pdu if trouble.pdu is None else trouble.pdu
        wire = bytearray(
            encode(
                self._framing,
                Frame(frame.unit_id, pdu, frame.transaction + trouble.transaction_shift & 0xFFFF),
            )
        )
        if trouble.corrupt:
            wire[-3 if self._framing == "ascii" else -1] ^= 1
        return trouble.before + bytes(wire) + trouble.after
