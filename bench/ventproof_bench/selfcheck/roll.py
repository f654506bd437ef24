"""Who answers on the buses, before anything is driven: silence, refusals, and what answers instead."""

from __future__ import annotations

from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import BenchError, BusFault, LinkError
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import SerialBus, TcpBus
from ventproof_bench.benchfile.signals import Location
from ventproof_bench.drivers.driver import find
from ventproof_bench.modbus.register_map import resolve, width
from ventproof_bench.selfcheck.diagnosis import Wrong, listed
from ventproof_bench.selfcheck.slips import other_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ventproof_bench.base.protocols import Bus
    from ventproof_bench.benchfile.model import BenchFile, BusSpec
    from ventproof_bench.rig.build import Read, Rig
    from ventproof_bench.selfcheck.diagnosis import At


_TRIES: Final = 3  # a reply may be lost


@final
@dataclass(frozen=True, slots=True)
class _Called:
    """One thing that was asked for: for whom, where it stands in the bench file, and what came instead of a reply."""

    who: str
    request: ReadRequest
    at: At
    fault: BenchError | None

    @property
    def silent(self) -> bool:
        """Whether nothing came that the unit itself said."""
        return self.fault is not None and not (
            isinstance(self.fault, BusFault) and self.fault.kind == "exception"
        )


async def roll_call(rig: Rig) -> list[Wrong]:
    """Ask for everything once that is polled, and that outputs write; returns what does not answer as it should."""
    said = list[Wrong]()
    for read in rig.reads:
        said += await _Calling(rig.file, read).wrongs()
    return said


@final
class _Calling:
    def __init__(self, file: BenchFile, read: Read) -> None:
        self._file = file
        self._name = read.plan.bus
        self._bus: Bus = read.bus
        self._spec: BusSpec = read.spec
        self._read = read

    async def wrongs(self) -> list[Wrong]:
        called = [
            _Called("", planned.request, (), await self._ask(planned.request))
            for planned in self._read.plan.reads
        ]
        outputs = [
            _Called(f"output {name!r}", request, ("outputs", name, "wired"), await self._ask(request))
            for name, request in _written(self._file, self._name)
        ]
        everyone = [*called, *outputs]
        if all(one.silent for one in everyone):
            return [self._nobody(everyone)]
        silent = self._silent(everyone)
        said = [await self._never(unit, everyone) for unit in sorted(silent)]
        for one in called:
            if one.fault is not None and one.request.unit_id not in silent:
                said += await self._refused(one.request)
        for one in outputs:
            if one.fault is not None and one.request.unit_id not in silent:
                said.append(Wrong(f"{one.who} cannot be written: {await self._why(one)}", one.at))
        return said

    def _silent(self, everyone: Iterable[_Called]) -> set[int]:
        by_unit = defaultdict(list)
        for one in everyone:
            by_unit[one.request.unit_id].append(one.silent)
        return {unit for unit, silent in by_unit.items() if all(silent)}

    def _nobody(self, everyone: Iterable[_Called]) -> Wrong:
        units = listed(
            (str(unit) for unit in sorted({one.request.unit_id for one in everyone})), quoted=False
        )
        if isinstance(self._spec, SerialBus):
            where = (
                "`port`, `baud`, `parity` and `link`, at the cable and the unit's supply, and at `unit_id`"
            )
        elif isinstance(self._spec, TcpBus):
            where = "`host`, `tcp_port` and `link`, and at `unit_id`"
        else:
            where = "`link` and framing, and at `unit_id`"
        came = next((str(one.fault) for one in everyone if one.fault is not None), "")
        text = (
            f"nothing answers on bus {self._name!r}, where unit {units} was asked ({came}); look at {where}"
        )
        return Wrong(text, ("buses", self._name))

    async def _never(self, unit: int, everyone: list[_Called]) -> Wrong:
        """Say that a unit keeps silent, and who does not."""
        mine = [one for one in everyone if one.request.unit_id == unit]
        awake = sorted({one.request.unit_id for one in everyone if not one.silent} - {unit})
        signals = [s for s, spec in self._signals() if spec.unit_id == unit]
        whose = [*map(repr, signals), *(one.who for one in mine if one.who)]
        at = ("signals", signals[0], "unit_id") if signals else (*mine[0].at, "unit_id")
        takes = [other for other in awake if await self._answers(mine[0].request, unit_id=other)]
        hint = f"; unit {takes[0]} answers when asked for the same: `unit_id: {takes[0]}`?" if takes else ""
        does = (
            f"unit {awake[0]} does"
            if len(awake) == 1
            else f"units {listed(map(str, awake), quoted=False)} do"
        )
        text = (
            f"unit {unit} never answers on bus {self._name!r}, {does}: look at `unit_id` of "
            f"{listed(whose, quoted=False)}{hint}"
        )
        return Wrong(text, at)

    async def _refused(self, request: ReadRequest) -> list[Wrong]:
        """Say which of the signals of a request is refused, each asked for by itself."""
        refused = dict[str, _Called]()
        for name, spec in self._signals():
            table, address = resolve(spec)
            inside = request.address <= address < request.address + request.count
            if (spec.unit_id, table) != (request.unit_id, request.table) or not inside:
                continue
            alone = ReadRequest(spec.unit_id, table, address, width(spec))
            fault = await self._ask(alone)
            if fault is not None:
                refused[name] = _Called(repr(name), alone, ("signals", name, "address"), fault)
        other = other_table(request.table)
        if len(refused) > 1 and all(
            [await self._answers(one.request, table=other) for one in refused.values()]
        ):
            first = next(iter(refused.values()))
            text = (
                f"{listed(refused)} cannot be read: {self._came(first)}; {other} answers: `table: {other}`?"
            )
            return [Wrong(text, (*first.at[:-1], "table"))]
        said = [
            Wrong(f"{one.who} cannot be read: {await self._why(one)}", one.at) for one in refused.values()
        ]
        if not said:
            end = request.address + request.count - 1
            text = (
                f"{request.table} {request.address} to {end} of unit {request.unit_id} on bus {self._name!r} cannot be "
                "read at once, and each of its signals can: look at `longest_gap` and `most_registers`"
            )
            said.append(Wrong(text, ("buses", self._name)))
        return said

    async def _why(self, one: _Called) -> str:
        request, other = one.request, other_table(one.request.table)
        text = f"{self._came(one)}; look at its table, address and unit_id"
        if await self._answers(request, table=other):
            return f"{text}; {other} {request.address} answers: `table: {other}`?"
        for near in (request.address - 1, request.address + 1):
            if near >= 0 and await self._answers(request, address=near):
                return f"{text}; {near} answers: is counting from 1 mixed with counting from 0?"
        return text

    def _came(self, one: _Called) -> str:
        there = f"{one.request.table} {one.request.address} of unit {one.request.unit_id}"
        return f"{there}: {str(one.fault).removeprefix(f'bus {self._name}: ')}"

    def _signals(self) -> Iterator[tuple[str, Location]]:
        return ((name, spec) for name, spec in self._file.registers.items() if spec.bus == self._name)

    async def _answers(
        self,
        request: ReadRequest,
        *,
        unit_id: int | None = None,
        table: str = "",
        address: int | None = None,
    ) -> bool:
        """Whether another unit, table or address answers such a request."""
        asked = ReadRequest(
            request.unit_id if unit_id is None else unit_id,
            other_table(request.table) if table else request.table,
            request.address if address is None else address,
            request.count,
        )
        return await self._ask(asked, tries=1) is None

    async def _ask(self, request: ReadRequest, tries: int = _TRIES) -> BenchError | None:
        """Ask once, and again where that brings nothing; returns what came instead of a reply."""
        fault: BenchError | None = None
        for _ in range(tries):
            try:
                await self._bus.read(request)
            except (BusFault, LinkError) as error:
                fault = error
                with suppress(LinkError):
                    await self._bus.open()  # nothing while the connection stands
            else:
                return None
        return fault


def _written(file: BenchFile, bus: str) -> Iterator[tuple[str, ReadRequest]]:
    """Yield the outputs of a bus, each with a read of what it writes."""
    for name, output in file.outputs.items():
        options = find(output.driver).options.model_validate(output.wired)
        if getattr(options, "bus", None) != bus:
            continue
        if isinstance(options, Location):
            table, address = resolve(options)
            yield name, ReadRequest(options.unit_id, table, address, width(options))
        elif isinstance(coil := getattr(options, "coil", None), int):
            yield name, ReadRequest(getattr(options, "unit_id", 1), "coil", coil, 1)
