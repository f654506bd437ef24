"""Reads a bench's signals and registers for a person to look at; drives nothing."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final, get_args

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BusFault, LinkError, Refusal
from ventproof_bench.base.protocols import ReadRequest, Table
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.register_map import plan_reads, resolve, width
from ventproof_bench.rig.ports import PortHold, network_endpoints

if TYPE_CHECKING:
    from ventproof_bench.benchfile.model import BenchFile


_PLACE: Final = re.compile(
    r"(?P<bus>\w+):(?P<table>\w+):(?P<first>\d+)(?:-(?P<last>\d+))?(?:@(?P<unit>\d+))?"
)
_HIGHEST: Final = 65535
_MOST: Final = 100
"""Registers that one place may name: more do not fit a screen."""


@final
@dataclass(frozen=True, slots=True)
class RegisterPlace:
    """Registers or bits of one table that a person asked for, by address."""

    bus: str
    request: ReadRequest

    def __str__(self) -> str:
        """Return it as it is written."""
        first, last = self.request.address, self.request.address + self.request.count - 1
        to = f"-{last}" if last > first else ""
        return f"{self.bus}:{self.request.table}:{first}{to}@{self.request.unit_id}"


def place_of(text: str, buses: Iterable[str]) -> RegisterPlace:
    """Read a place: `unit:input:0-5@1`, that is bus, table, addresses and, unless it is 1, the unit's id.

    Raises:
        ValueError: it is none; the message says what would be right.
    """
    found = _PLACE.fullmatch(text)
    if found is None:
        raise Refusal(f"{text!r} is not a place", "write BUS:TABLE:ADDRESS, such as unit:input:0-5@1")
    bus, table = found["bus"], found["table"]
    tables = get_args(Table)
    if bus not in buses:
        raise Refusal(f"there is no bus {bus!r}", f"known: {', '.join(buses)}")
    if table not in tables:
        raise Refusal(f"there is no table {table!r}", f"use one of {', '.join(tables)}")
    first = int(found["first"])
    last, unit_id = int(found["last"] or first), int(found["unit"] or 1)
    if not first <= last <= min(_HIGHEST, first + _MOST - 1) or unit_id > 255:  # noqa: PLR2004 - one byte
        raise Refusal(
            f"{text!r} is out of range", f"addresses 0 to {_HIGHEST}, {_MOST} at once, unit ids 0 to 255"
        )
    return RegisterPlace(bus, ReadRequest(unit_id, table, first, last - first + 1))  # type: ignore[arg-type]


@final
@dataclass(frozen=True, slots=True)
class Seen:
    """What one look brought of a signal or a place.

    Attributes:
        name: the signal, or the place as it is written.
        words: its registers or bits; empty where there was no answer.
        value: of a signal, what they stand for; None when that is no number, or of a place.
        trouble: why there is no value; empty where there is one.
        took_s: from the request to the reply.
    """

    name: str
    words: tuple[int, ...]
    value: float | None = None
    trouble: str = ""
    took_s: float = 0.0


@final
class Looker:
    """Opens the buses of what is looked at, and looks; nothing on the bench is driven.

    Args:
        file: a bench on real wires.
        signals: signals in registers, by name.
        places: registers by address.
    """

    def __init__(self, file: BenchFile, signals: Sequence[str], places: Sequence[RegisterPlace]) -> None:
        self._file = file
        self._signals = signals
        self._places = places
        names = {file.registers[name].bus for name in signals} | {place.bus for place in places}
        self._buses = {name: ModbusBus(name, spec) for name, spec in file.buses.items() if name in names}
        self._open = AsyncExitStack()

    async def open(self) -> None:
        """Connect.

        Raises:
            LinkError: a port or host cannot be opened, or another run holds it.
        """
        hold = PortHold(network_endpoints(self._file))
        hold.take()
        self._open.callback(hold.release)
        for bus in self._buses.values():
            self._open.push_async_callback(bus.close)
            await bus.open()

    async def close(self) -> None:
        """Let go of everything; safe to call twice."""
        await self._open.aclose()

    async def look(self) -> list[Seen]:
        """Read everything once, signals first, in the order asked for."""
        seen: dict[str, Seen] = {}
        for name, bus in self._buses.items():
            wanted = {
                s: self._file.registers[s] for s in self._signals if self._file.registers[s].bus == name
            }
            for read in plan_reads(wanted, self._file.buses[name]).reads:
                words, trouble, took_s = await self._read(bus, read.request)
                values, unread = read.decode(words) if words else ({}, ())
                said = {one.signal: one.reason for one in unread}
                for signal, at, _ in read.fields:
                    its = words[at : at + width(wanted[signal])]
                    seen[signal] = Seen(signal, its, values.get(signal), said.get(signal, trouble), took_s)
        looked = [seen[name] for name in self._signals]
        for place in self._places:
            words, trouble, took_s = await self._read(self._buses[place.bus], place.request)
            looked.append(Seen(str(place), words, None, trouble, took_s))
        return looked

    @staticmethod
    async def _read(bus: ModbusBus, request: ReadRequest) -> tuple[tuple[int, ...], str, float]:
        begun_s = now_s()
        try:
            reply = await bus.read(request)
        except (BusFault, LinkError) as error:
            return (), str(error), now_s() - begun_s
        return reply.words, "", reply.replied_s - reply.requested_s


def home_of(file: BenchFile, signal: str) -> str:
    """Return where a signal lives, as a place is written."""
    spec = file.registers[signal]
    table, first = resolve(spec)
    return str(RegisterPlace(spec.bus, ReadRequest(spec.unit_id, table, first, width(spec))))


def readings_of(words: Sequence[int]) -> dict[str, tuple[int | float, ...]]:
    """Return what registers would stand for in each coding, 32 bits with the high word first and last.

    Args:
        words: registers, 0 to 65535 each.

    Returns:
        By coding, a value for each register, or for each pair of neighbours from the first on.
    """
    pairs = list(zip(words[::2], words[1::2], strict=False))
    told: dict[str, tuple[int | float, ...]] = {
        "u16": tuple(words),
        "s16": tuple(word - 0x10000 if word & 0x8000 else word for word in words),
    }
    for order, pick in (("high-first", (0, 1)), ("low-first", (1, 0))):
        packed = [struct.pack(">HH", pair[pick[0]], pair[pick[1]]) for pair in pairs]
        for coding, code in (("u32", ">I"), ("s32", ">i"), ("f32", ">f")):
            told[f"{coding} {order}"] = tuple(struct.unpack(code, raw)[0] for raw in packed)
    return told
