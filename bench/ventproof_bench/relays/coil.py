"""Driver `coil`: a relay board whose relays are Modbus coils; every write is read back before it counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import BusFault, DriverError
from ventproof_bench.base.evidence import Window
from ventproof_bench.base.protocols import Bus, BusUse, ReadRequest
from ventproof_bench.benchfile.model import BusSpec, InProcessBus, SerialBus
from ventproof_bench.benchfile.signals import Address, UnitId
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.modbus.traffic import character_time_s, silent_interval_s
from ventproof_bench.yamlfile.fields import FileModel, Name

if TYPE_CHECKING:
    from collections.abc import Mapping


_NETWORK_EDGE_S: Final = 0.01  # two round trips on a local network
_LOOK_S: Final = 0.05  # a round trip through a gateway to a line
_RTU_CHARACTERS: Final = 8 + 8 + 8 + 6  # write, its answer, read-back, its answer (one coil)
_ASCII_CHARACTERS: Final = 17 + 17 + 17 + 15
_FRAMES: Final = 4  # each of them after a silence


class CoilOptions(FileModel):
    """`wired:` of driver `coil`."""

    bus: Name
    """Bus of the bench that the board hangs on."""
    unit_id: UnitId = 1
    """Modbus unit identifier (slave address) of the board."""
    coil: Address
    """Zero-based protocol address of the relay's coil."""


def fastest_edge_s(options: CoilOptions, specs: Mapping[str, BusSpec]) -> float:
    """Return the shortest time between two edges of a coil: one write and one read-back, seconds."""
    spec = specs[options.bus]
    if isinstance(spec, InProcessBus):
        return 2 * (spec.reply_after + spec.reply_jitter)
    if not isinstance(spec, SerialBus):
        return _NETWORK_EDGE_S
    if spec.link == "ascii":
        return _ASCII_CHARACTERS * character_time_s(spec.baud)
    return _RTU_CHARACTERS * character_time_s(spec.baud) + _FRAMES * silent_interval_s(spec.baud)


@final
class CoilContact:
    """One coil of a board."""

    def __init__(self, name: str, options: CoilOptions, bus: Bus, look_s: float | None) -> None:
        self.look_s = look_s
        self._bus = bus
        self._unit_id = options.unit_id
        self._coil = options.coil
        self._at = f"output {name}: coil {options.coil} of unit {options.unit_id} on bus {options.bus}"

    async def open(self) -> None:
        """Read the coil, over a bus that may have been lost since: the board is there, and has such a coil."""
        await self._bus.open()
        try:
            await self.is_on()
        except DriverError as error:
            hint = "look at its `unit_id` and `coil`, and at the link, speed and parity of its bus"
            raise DriverError(f"{error}; {hint}") from error

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Write the coil and read it back: an echo on the line answers a write as well as a board does."""
        try:
            written = await self._bus.write(self._unit_id, "coil", self._coil, [int(on)])
        except BusFault as error:
            raise DriverError(f"{self._at}: write not confirmed: {error}") from error
        if await self.is_on() != on:
            raise DriverError(f"{self._at} reads {int(not on)} after {int(on)} was written and acknowledged")
        return Window(written.requested_s, written.replied_s)

    async def close(self) -> None:
        """Nothing to let go of: the bus is closed by its owner."""

    async def is_on(self) -> bool:
        """Read the coil."""
        try:
            reply = await self._bus.read(ReadRequest(self._unit_id, "coil", self._coil, 1))
        except BusFault as error:
            raise DriverError(f"{self._at} cannot be read back: {error}") from error
        return reply.words[0] == 1

    async def holds(self, asked: float) -> bool:
        """Read whether the coil is as a command asked."""
        return await self.is_on() == bool(asked)


def _build(options: CoilOptions, wiring: Wiring) -> CoilContact:
    bus, spec = wiring.bus(options.bus), wiring.specs[options.bus]
    on_network = not isinstance(spec, InProcessBus | SerialBus)
    return CoilContact(wiring.name, options, bus, _LOOK_S if on_network else None)


DRIVER: Final = Driver(
    name="coil",
    kind="contact",
    clock="either",
    about="A relay board whose relays are Modbus coils on a bus of the bench.",
    options=CoilOptions,
    build=_build,
    reads_back=True,
    fastest_edge_s=fastest_edge_s,
    bus_use=lambda options: BusUse(options.bus, "coil", 1),
    place=lambda options: f"coil {options.coil} of unit {options.unit_id} on bus {options.bus}",
)
