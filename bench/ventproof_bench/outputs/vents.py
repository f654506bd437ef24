"""The vents that the bench plays: what commands them is read, and where they then stand is played back, for ever.

A round begins with a reading of the drive's commands. The vent is moved by it, and what its sensors show in the middle
of the time until the next round is written. A round that is missed is left out: the readings are then further apart and
windows so much wider. What the unit was shown once is never taken back.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BenchError, DriverError
from ventproof_bench.base.evidence import Gap, Poll, Window
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.modbus.polling import poll
from ventproof_bench.modbus.register_map import plan_reads
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Coroutine, Mapping
    from typing import NoReturn

    from ventproof_bench.base.protocols import Bus, EvidenceSink, PartCondition, VentPart
    from ventproof_bench.benchfile.vents import VentSpec


PLAYED: Final = "played"
"""Stands where a reading's table stands, for the position of a vent that the bench plays: no register holds it."""

LONGEST_SILENCE_S: Final = 2.0
"""Without a reading of its commands, or without playing back anything, for longer than this nobody plays a vent."""


class Feedback(Protocol):
    """What plays back where vents stand: the bench's outputs."""

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open; the window holds the electrical edge. Raises `DriverError`."""

    async def level(self, name: str, value: float) -> Window:
        """Put a level. Raises `DriverError`."""


def commanding_buses(file: BenchFile) -> frozenset[str]:
    """Return the buses that are read for what commands vents that the bench plays."""
    return frozenset(
        file.registers[signal].bus
        for vent in file.vents.values()
        if vent.plays is not None
        for signal in vent.commanded_by
    )
