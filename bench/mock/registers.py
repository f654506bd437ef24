"""The mock unit's register map, and what a register bank is: tables that answer or refuse (pure)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol, final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.interfaces import Table
    from bench.mock.behaviour import Behaviour

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
DEVICE_FAILURE: Final = 4
DEVICE_BUSY: Final = 6


class RefusedError(Exception):
    """A register bank refuses a request; `code` is the Modbus exception code that goes over the wire."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}")


class RegisterBank(Protocol):
    """The tables of one device. Quantities are within the protocol's limits; the bank judges addresses."""

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return `count` bits (0 or 1) or registers at loop time `now_s`. Raises `RefusedError`."""

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Write coils (0 or 1) or holding registers, all or none. Raises `RefusedError`."""


def span(values: Sequence[int], address: int, count: int) -> Sequence[int]:
    """Return `count` values from `address`; refuse with ILLEGAL ADDRESS when they are not all there."""
    if address + count > len(values):
        raise RefusedError(ILLEGAL_ADDRESS)
    return values[address : address + count]


@final
class PlainBank:
    """Tables held in lists: what was written is read back; a table not given has no addresses."""

    def __init__(self, tables: Mapping[Table, list[int]]) -> None:
        self.tables = dict(tables)

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:  # noqa: ARG002 - the protocol
        """Return `count` values."""
        return span(self.tables.get(table, []), address, count)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:  # noqa: ARG002 - the protocol
        """Keep the values."""
        span(self.tables.get(table, []), address, len(words))
        self.tables[table][address : address + len(words)] = words


@final
@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the unit copies into its input registers at one refresh.

    Attributes:
        positions: position of each vent group, % open, in the order of the settings.
        temperature_c: house temperature, °C.
        count: rain counter, 32 bits.
        status: status bits, least significant first, as `STATUS_BITS` names them: rain override active, rain
            contact closed after debounce, entry delay running, release delay running, a vent is moving.
        stage: ventilation stage.
    """

    positions: tuple[float, ...]
    temperature_c: float
    count: int
    status: tuple[bool, ...]
    stage: int


STATUS_BITS: Final = ("rain_override", "rain_contact", "entry_delay", "release_delay", "moving")


def input_registers(snapshot: Snapshot, behaviour: Behaviour) -> tuple[int, ...]:
    """Encode a snapshot.

    With n vent groups: 0 to n-1 positions (u16, 0.1 %), then house temperature (f32, °C), rain counter (u32),
    status word, ventilation stage (u16). 32-bit values are sent high word first.
    """
    scale = 10 * behaviour.position_scale_factor
    positions = [round(percent * scale) for percent in snapshot.positions]
    if behaviour.positions_exchanged and len(positions) > 1:
        positions[0], positions[1] = positions[1], positions[0]
    wide: list[int] = []
    for pair in (
        struct.unpack(">HH", struct.pack(">f", snapshot.temperature_c)),
        (snapshot.count >> 16, snapshot.count & 0xFFFF),
    ):
        wide.extend(reversed(pair) if behaviour.low_word_first else pair)
    status = sum(bit << i for i, bit in enumerate(snapshot.status))
    return (*(0,) * behaviour.address_shift, *positions, *wide, status, snapshot.stage)
