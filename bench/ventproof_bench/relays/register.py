"""Driver `register`: a value that is written into a register of the unit, and read back."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import Final, Self, final

from pydantic import model_validator

from ventproof_bench.base.errors import BusFault, DriverError, Refusal
from ventproof_bench.base.evidence import Window
from ventproof_bench.base.protocols import Bus, BusUse, ReadRequest, Reply
from ventproof_bench.benchfile.signals import Location
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.modbus.register_map import decode, encode, parse_reference, resolve, width


class RegisterOptions(Location):
    """`wired:` of driver `register`: where the value is written, and how it is coded."""

    @model_validator(mode="after")
    def _is_a_whole_register_or_coil(self) -> Self:
        table = self.table
        if self.reference is not None:
            with suppress(ValueError):  # what is no reference number is told with the other places
                table, _ = parse_reference(self.reference)
            if table in ("input", "discrete"):
                raise Refusal(
                    f"reference {self.reference} is in table {table!r}, which can be read only",
                    "name a holding register (4xxxx) or a coil (0xxxx)",
                    key="reference",
                )
        if table in ("input", "discrete"):
            raise Refusal(f"table {table!r} cannot be written", "use holding or coil", key="table")
        if self.type == "bit" and table == "holding":
            raise Refusal(
                "one bit of a register cannot be written by itself", "use the whole register, or a coil"
            )
        return self


@final
class RegisterLevel:
    """A register as an output: written, then read back before it counts. A `base.protocols.SettingDriver`."""

    def __init__(self, name: str, bus: Bus, location: RegisterOptions) -> None:
        self._name = name
        self._bus = bus
        self._location = location
        table, self._address = resolve(location)
        if table not in ("coil", "holding"):
            raise Refusal(f"table {table!r} cannot be written", "use holding or coil", key="table")
        self._table = table

    async def open(self) -> None:
        """Have the bus connected: it is open already, unless it was lost since."""
        await self._bus.open()

    def coded(self, value: float) -> tuple[int, ...]:
        """Return the registers that stand for a value.

        Raises:
            DriverError: it is out of their range.
        """
        try:
            return encode(self._location, value)
        except ValueError as error:
            raise DriverError(f"output {self._name}: {error}") from None

    def value(self, words: Sequence[int]) -> float | None:
        """Return what registers stand for; None when that is no number."""
        try:
            return decode(self._location, words)
        except ValueError:
            return None

    async def put(self, value: float) -> Window:
        """Write the value and read it back; the window is that of the write.

        Raises:
            DriverError: out of the register's range, no usable reply, or the register holds something else.
        """
        return await self.write(self.coded(value))

    async def read(self) -> Reply:
        """Read the registers.

        Raises:
            BusFault: no usable reply.
        """
        location = self._location
        return await self._bus.read(
            ReadRequest(location.unit_id, self._table, self._address, width(location))
        )

    async def holds(self, asked: float) -> bool:
        """Read whether the registers hold a value.

        Raises:
            DriverError: no usable reply, or the value is out of their range.
        """
        try:
            return (await self.read()).words == self.coded(asked)
        except BusFault as error:
            raise DriverError(f"output {self._name}: it cannot be read back: {error}") from error

    async def write(self, words: Sequence[int]) -> Window:
        """Write the registers and read them back; the window is that of the write.

        Raises:
            DriverError: no usable reply, or they hold something else.
        """
        at = f"{self._table} {self._address} of unit {self._location.unit_id} on bus {self._location.bus}"
        try:
            written = await self._bus.write(self._location.unit_id, self._table, self._address, words)
            found = (await self.read()).words
        except BusFault as error:
            raise DriverError(f"output {self._name}: {at}: write not confirmed: {error}") from error
        if found != tuple(words):
            raise DriverError(
                f"output {self._name}: {at} holds {list(found)} after {list(words)} was written"
            )
        return Window(written.requested_s, written.replied_s)

    async def close(self) -> None:
        """Nothing to let go of: the bus is closed by its owner."""


def _build(options: RegisterOptions, wiring: Wiring) -> RegisterLevel:
    return RegisterLevel(wiring.name, wiring.bus(options.bus), options)


def _place(options: RegisterOptions) -> str:
    table, address = resolve(options)
    return f"{table} {address} of unit {options.unit_id} on bus {options.bus}"


def _bus_use(options: RegisterOptions) -> BusUse:
    table, _ = resolve(options)
    return BusUse(options.bus, "coil" if table == "coil" else "holding", width(options))


def _puts(options: RegisterOptions, number: float) -> float:
    return decode(options, encode(options, number))


DRIVER: Final = Driver(
    name="register",
    kind="register",
    clock="either",
    about="A value written into a holding register of the unit, and read back before it counts.",
    options=RegisterOptions,
    build=_build,
    reads_back=True,
    place=_place,
    bus_use=_bus_use,
    puts=_puts,
)
