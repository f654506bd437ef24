"""Makes the running bench from a bench file: buses, pollers' plans, outputs and, in process, the mock unit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, final

from bench.bus import ModbusBus
from bench.clock import now_s
from bench.interfaces import Bus, Outputs
from bench.mock.unit import MockUnit
from bench.registers import Plan, plan_reads
from bench.wiring import BenchFile, BusSpec

_PATIENCE: Final = 3  # polls that may fail in a row before evidence is taken to have ended


@final
@dataclass(frozen=True, slots=True)
class Read:
    """What is polled on one bus."""

    bus: Bus
    plan: Plan
    spec: BusSpec


@final
@dataclass(slots=True)
class Rig:
    """A bench ready to be opened; everything on it lives on the running loop.

    Attributes:
        file: the bench file's model.
        outputs: every output, by name.
        reads: what is polled, a bus each.
        buses: buses of this process, to open and close; those in the line process are the outputs' business.
        mock: the mock unit, in process only; it knows the true trajectories.
        notes: what the record should say of this bench, found while opening.
    """

    file: BenchFile
    outputs: Outputs
    reads: tuple[Read, ...]
    buses: tuple[Bus, ...]
    mock: MockUnit | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def slowest_evidence_s(self) -> float:
        """How long after a moment its evidence may still arrive, faults of the bus included."""
        return _PATIENCE * max(r.spec.poll_every + r.spec.timeout + r.spec.quiet_s for r in self.reads)

    async def open(self) -> None:
        """Open the buses, then the outputs, which go to their safe state."""
        for bus in self.buses:
            await bus.open()
        await self.outputs.open()

    async def close(self) -> None:
        """Close the outputs, then the buses."""
        await self.outputs.close()
        for bus in self.buses:
            await bus.close()
