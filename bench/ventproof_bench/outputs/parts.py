"""What line process and standby have in common: the running outputs of a bench file, and what a process needs.

The standby is a copy of the line process, made before that opens anything: all that either imports is imported first.
"""

from __future__ import annotations

import os
import signal
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import DriverError
from ventproof_bench.benchfile.model import BenchFile, SerialBus
from ventproof_bench.drivers.driver import find
from ventproof_bench.outputs.boards import guards_of
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.vents import PlayedVents, commanding_buses

if TYPE_CHECKING:
    from ventproof_bench.base.protocols import Bus
    from ventproof_bench.outputs.wear import Ledger


# A sleep ends late by the scheduler's wake-up, some tenths of a millisecond; the rest is spent asking the clock.
_SPIN_S: Final = 0.0004
# Any real-time priority goes before all ordinary processes; low among them, so that the kernel's own threads still win.
_PRIORITY: Final = 20


def carried_buses(file: BenchFile) -> tuple[str, ...]:
    """Return the buses that carry outputs or command vents that are played, in the file's order.

    The line process owns them, polls too.
    """
    named = {output.wired.get("bus") for output in file.outputs.values()} | commanding_buses(file)
    return tuple(name for name in file.buses if name in named)


def import_for(file: BenchFile) -> None:
    """Import what the outputs of a bench need, so that opening them later imports nothing."""
    carried = [file.buses[name] for name in carried_buses(file)]
    if carried:
        import_module("ventproof_bench.modbus.bus")
    if any("port" in output.wired for output in file.outputs.values()):
        import_module("serial")
    if any(isinstance(bus, SerialBus) for bus in carried):
        import_module("pymodbus.transport.serialtransport")
    for output in file.outputs.values():
        find(output.driver)


def parts_of(file: BenchFile, ledger: Ledger | None = None) -> tuple[LocalOutputs, dict[str, Bus]]:
    """Make the outputs of a bench, and the buses that carry them; nothing is opened yet.

    Args:
        file: the bench.
        ledger: counts the operations of the relays; None: nobody does.

    Raises:
        DriverError: the bench file's outputs cannot be made; the text names the output.
    """
    buses: dict[str, Bus] = {}
    if carried := carried_buses(file):
        from ventproof_bench.modbus.bus import ModbusBus  # noqa: PLC0415 - heavy, and not every bench has such a bus

        buses = {name: ModbusBus(name, file.buses[name]) for name in carried}
    try:
        outputs = LocalOutputs(
            file.outputs,
            buses=buses,
            specs=file.buses,
            spin_s=_SPIN_S,
            vents=PlayedVents(file, buses),
            boards=guards_of(file, buses),
            ledger=ledger,
        )
    except ValueError as error:
        raise DriverError(str(error)) from error
    return outputs, buses


def raise_priority() -> list[str]:
    """Ask for real-time priority; returns what the record should say where it is not granted."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(_PRIORITY))
    except (AttributeError, OSError):
        return ["the line process has no real-time priority: on a busy machine edges may be some ms late"]
    return []


@final
class OtherProcess:
    """Another process by its number, which is no other's as long as this lives.

    Args:
        pid: its number; it lives now.
    """

    def __init__(self, pid: int) -> None:
        self._pid = pid
        try:
            self._handle: int | None = os.pidfd_open(pid)
        except (AttributeError, OSError):
            self._handle = None  # not on every system

    def kill(self) -> None:
        """End it, stopped or not; nothing where it is gone."""
        try:
            if self._handle is None:
                os.kill(self._pid, signal.SIGKILL)
            else:
                signal.pidfd_send_signal(self._handle, signal.SIGKILL)
        except ProcessLookupError:
            pass

    def is_stopped(self) -> bool:
        """Whether it was stopped, as by SIGSTOP or a debugger; False where the system does not tell."""
        try:
            state = Path(f"/proc/{self._pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
        except (OSError, IndexError):
            return False
        return state in {"T", "t"}
