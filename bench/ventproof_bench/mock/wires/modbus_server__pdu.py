"""The server side of Modbus: a request PDU in, its reply PDU out (pure).

Source: MODBUS Application Protocol Specification V1.1b3, section 6, with its order of checks: function, then
quantity and data, then address, then execution.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from bench.mock.registers import ILLEGAL_FUNCTION, ILLEGAL_VALUE, RefusedError, RegisterBank

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.interfaces import Table

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
