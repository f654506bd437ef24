"""Running parts from file."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.protocols import Bus, Outputs
from ventproof_bench.benchfile.model import BenchFile, BusSpec, InProcessBus
from ventproof_bench.drivers.people import People, hardware_of
from ventproof_bench.mock.io_module import devices_of
from ventproof_bench.mock.unit import MockUnit, build
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.register_map import ReadPlan, plan_reads
from ventproof_bench.outputs.boards import guards_of
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.links import connect
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.people import PeopleOutputs
from ventproof_bench.outputs.vents import PlayedVents, RoundsTaken, commanding_buses
from ventproof_bench.rig.ports import PortHold, network_endpoints

if TYPE_CHECKING:
    from pathlib import Path

    from ventproof_bench.base.protocols import Asker
    from ventproof_bench.benchfile.model import BenchFile


_PATIENCE: Final = 3  # polls that may fail in a row before evidence is taken to have ended


@final
@dataclass(frozen=True, slots=True)
class Read:
    """What is polled on one bus.

    Attributes:
        played: whether whoever plays the vents polls it, since it commands some of them.
    """

    bus: Bus
    plan: ReadPlan
    spec: BusSpec
    played: bool = False


@final
@dataclass(slots=True)
class Rig:
    """A bench ready to be opened; everything on it lives on the running loop.

    Attributes:
        file: the bench file's model.
        outputs: every output, by name.
        reads: what is polled, a bus each.
        buses: buses of this process, to open and close; those in the line process are the outputs' business.
        hold: keeps a second run on this computer off the bench's network endpoints.
        rounds: how late the rounds were in which vents are played.
        mock: the mock unit, in process only; it knows the true trajectories.
        people: who can be asked; None where nobody is needed.
    """

    file: BenchFile
    outputs: Outputs
    reads: tuple[Read, ...]
    buses: tuple[ModbusBus, ...]
    mock: MockUnit | None = None
    hold: PortHold | None = None
    people: People | None = None
    rounds: RoundsTaken = field(init=False)

    def __post_init__(self) -> None:
        self.rounds = RoundsTaken(self.file)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the record should say of this bench, as far as it was found by now."""
        of_buses = (note for bus in self.buses for note in bus.notes)
        return (*self.file.notes, *self.file.guards, *self.outputs.notes, *of_buses, *self.rounds.notes)

    @property
    def slowest_evidence_s(self) -> float:
        """How long after a moment its evidence may still arrive, faults of the bus included."""
        of_buses = (r.spec.poll_every + r.spec.timeout + r.spec.quiet_s for r in self.reads)
        readers = {signal.read_by for signal in self.file.told.values()}
        of_people = (self.file.people[who].answers_in for who in readers)
        return _PATIENCE * max((*of_buses, *of_people), default=0.0)

    async def open(self) -> None:
        """Open the buses, then the outputs: settings of the unit are read, all else goes to its safe state."""
        if self.hold is not None:
            self.hold.take()
        for bus in self.buses:
            await connect(bus)
        await self.outputs.open()

    async def close(self) -> None:
        """Close the outputs, then the buses, whatever becomes of each."""
        async with AsyncExitStack() as stack:
            if self.hold is not None:
                stack.callback(self.hold.release)
            for bus in reversed(self.buses):
                stack.push_async_callback(bus.close)
            stack.push_async_callback(self.outputs.close)


def assemble(file: BenchFile, *, seed: int, asker: Asker | None = None, ledger: Path | None = None) -> Rig:
    """Make a bench's running parts on the running loop; nothing is opened yet.

    Args:
        file: the bench.
        seed: for what is random on a virtual bench.
        asker: carries questions to people; a bench that has none needs no such.
        ledger: where the operations of relays on real wires are added up; None: nowhere.
    """
    by_hand = file.by_hand
    people = None if asker is None or not file.people else People(file.people, file.told, by_hand, asker)
    hardware = hardware_of(file)
    rig = _virtual(file, hardware, seed) if file.virtual else _real(file, hardware, ledger)
    if by_hand and people is not None:
        rig.outputs = PeopleOutputs(rig.outputs, by_hand, people)
    rig.people = people
    return rig


def _virtual(file: BenchFile, hardware: BenchFile, seed: int) -> Rig:
    assert file.mock is not None, "loading a bench file sees to it"
    mock = build(file.mock, start_s=now_s(), seed=seed)
    buses = {}
    for number, (name, spec) in enumerate(file.buses.items()):
        assert isinstance(spec, InProcessBus), "a virtual bench has no other"
        peer = Responder(
            spec.framing,
            devices_of(mock),
            reply_after_s=spec.reply_after,
            jitter_s=spec.reply_jitter,
            seed=seed + number,
        )
        buses[name] = ModbusBus(name, spec, peer=peer)
    outputs = LocalOutputs(
        hardware.outputs,
        buses=buses,
        specs=file.buses,
        inputs=mock,
        vents=PlayedVents(file, buses),
        boards=guards_of(file, buses),
    )
    return Rig(file, outputs, _reads(file, buses), tuple(buses.values()), mock)


def _real(file: BenchFile, hardware: BenchFile, ledger: Path | None) -> Rig:
    hold = PortHold(network_endpoints(file))
    if not hardware.outputs and not file.vents:  # nothing that a process would have to guard
        outputs: Outputs = LocalOutputs({}, buses={}, specs={})
        carried: Mapping[str, Bus] = {}
    else:
        outputs = line = LineOutputs(hardware, ledger)
        carried = line.buses
    local = {n: ModbusBus(n, spec) for n, spec in file.buses.items() if n not in carried}
    return Rig(file, outputs, _reads(file, {**local, **carried}), tuple(local.values()), hold=hold)


def _reads(file: BenchFile, buses: Mapping[str, Bus]) -> tuple[Read, ...]:
    reads, played = [], commanding_buses(file)
    for name, spec in file.buses.items():
        signals = {n: s for n, s in file.registers.items() if s.bus == name}
        if signals:
            reads.append(Read(buses[name], plan_reads(signals, spec), spec, played=name in played))
    return tuple(reads)
