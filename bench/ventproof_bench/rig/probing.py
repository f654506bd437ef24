"""Looks, before anything is driven, whether a bench is there: its ports, its hosts, and who answers at its unit ids."""

from __future__ import annotations

import asyncio
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final
from urllib.parse import urlsplit

from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.processes import process_said
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import ContactOutput, RtuOverTcpBus, SerialBus, TcpBus
from ventproof_bench.benchfile.signals import Location
from ventproof_bench.drivers.driver import find
from ventproof_bench.drivers.found_ports import group_that_may, serial_ports
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.register_map import plan_reads, resolve
from ventproof_bench.outputs.links import connect
from ventproof_bench.rig.ports import PortHold, network_endpoints

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.tree import Path as Place


_TRIES: Final = 3
_NEIGHBOURS: Final = (*range(1, 11), 247)
"""Unit ids at which another unit is looked for where one is silent: the ones that units are delivered with, and the
last (common practice, no source)."""

_CONNECTS_WITHIN_S: Final = 3.0

_READABLE: Final = os.R_OK | os.W_OK


@final
@dataclass(frozen=True, slots=True)
class Lack:
    """Something of a bench that is not as its bench file says, found before anything was driven.

    Attributes:
        place: where the bench file says it, as a path of keys.
        reason: what was found.
        hint: what mends it; empty where the reason says that.
    """

    place: Place
    reason: str
    hint: str = ""


async def probe(file: BenchFile) -> list[Lack]:
    """Look whether the ports, hosts and units of a bench on real wires are there; drives and writes nothing.

    A port that an output moves by its control lines is not opened, since that would move them. Whether a unit answers
    is not asked where a contact of the bench may cut its supply: its relay may stand otherwise than in a run.

    Args:
        file: a bench on real wires.

    Returns:
        What is not there, in the order of the bench file; empty where all is.
    """
    found = [*_port_troubles(file)]
    hold = PortHold(network_endpoints(file))
    try:
        hold.take()
    except LinkError as error:
        return [*found, Lack(("buses",), str(error))]
    try:
        if not found:
            found = [*await _bus_troubles(file), *await _host_troubles(file)]
    finally:
        hold.release()
    return found


def _port_troubles(file: BenchFile) -> Iterator[Lack]:
    """Yield what keeps serial ports from being opened; nothing is opened for it."""
    ports: dict[str, Place] = {}
    for name, bus in file.buses.items():
        if isinstance(bus, SerialBus):
            ports.setdefault(bus.port, ("buses", name, "port"))
    for name, output in file.outputs.items():
        port = output.wired.get("port")
        if isinstance(port, str):
            ports.setdefault(port, ("outputs", name, "wired", "port"))
    for port, place in ports.items():
        if "://" not in port and (said := port_trouble(Path(port))):
            yield Lack(place, *said)


def port_trouble(port: Path) -> tuple[str, str] | None:
    """Return why a serial port cannot be opened, and what mends that; None where nothing keeps it from that."""
    try:
        stands = port.stat()
    except FileNotFoundError:
        here = ", ".join(one.path for one in serial_ports()) or "none"
        return f"there is no port {port}", f"is the adapter plugged in? Ports here: {here}"
    except OSError as error:
        return f"port {port}: {error.strerror}", "check the path"
    if not os.access(port, _READABLE):
        return f"this user may not open port {port}", _permission(stands)
    if holder := _holder(stands):
        return f"port {port} is held by {holder}", "let it finish, or end it, then start again"
    return None


def _permission(stands: os.stat_result) -> str:
    if group := group_that_may(stands.st_mode, stands.st_gid):
        return f"join its group: sudo usermod -aG {group} $USER, then log in again"
    return "ask the administrator of this computer for access to it"


def _holder(stands: os.stat_result) -> str:
    """Return who has a lock on a file; empty where nobody has, or the system does not tell."""
    at = f"{os.major(stands.st_dev):02x}:{os.minor(stands.st_dev):02x}:{stands.st_ino}"
    with suppress(OSError):
        for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            fields = line.split()
            if at in fields and "FLOCK" in fields:
                return process_said(int(fields[fields.index(at) - 1]))
    return ""


async def _bus_troubles(file: BenchFile) -> list[Lack]:
    found: list[Lack] = []
    for name, spec in file.buses.items():
        if not isinstance(spec, TcpBus | RtuOverTcpBus | SerialBus):
            continue
        bus = ModbusBus(name, spec)
        try:
            await connect(bus)
            found += await _unit_troubles(file, bus)
        except LinkError as error:
            key = "port" if isinstance(spec, SerialBus) else "host"
            hint = "check the cable, the unit's power and its address"
            found.append(Lack(("buses", name, key), str(error), hint))
        finally:
            await bus.close()
    return found


async def _host_troubles(file: BenchFile) -> list[Lack]:
    """Return the network ports of outputs that accept no connection.

    Ports by RFC 2217 are left alone: a connection may move the control lines of the port behind them.
    """
    urls: dict[str, Place] = {}
    for name, output in file.outputs.items():
        url = output.wired.get("port")
        if isinstance(url, str) and url.startswith("socket://"):
            urls.setdefault(url, ("outputs", name, "wired", "port"))
    hint = "check the cable, the device's power and its address"
    return [Lack(place, said, hint) for url, place in urls.items() if (said := await _host_trouble(url))]


async def _host_trouble(url: str) -> str:
    at = urlsplit(url)
    try:
        async with asyncio.timeout(_CONNECTS_WITHIN_S):
            _, writer = await asyncio.open_connection(at.hostname, at.port)
    except TimeoutError:
        return f"{url} does not answer within {_CONNECTS_WITHIN_S:g} s"
    except OSError as error:
        return f"{url} cannot be reached: {os.strerror(error.errno) if error.errno else error}"
    writer.close()
    with suppress(OSError):
        await writer.wait_closed()
    return ""


async def _unit_troubles(file: BenchFile, bus: ModbusBus) -> list[Lack]:
    if any(_may_cut_supply(output) for output in file.outputs.values()):
        return []
    asked = dict(_asked(file, bus.name))
    found = []
    for unit_id, (place, request) in asked.items():
        if await _answers(bus, request):
            continue
        reason = f"unit id {unit_id} on bus {bus.name} does not answer"
        hint = "check the cable, the unit's power and the settings of its port"
        for other in _NEIGHBOURS:
            if other not in asked and await _answers(bus, ReadRequest(other, "holding", 0, 1), tries=1):
                reason += f", and something else answers at unit id {other}"
                hint = f"set the unit to {unit_id}, or write `unit_id: {other}` if that is the unit"
                break
        found.append(Lack(place, reason, hint))
    return found


def _may_cut_supply(output: object) -> bool:
    return isinstance(output, ContactOutput) and output.safe == "closed"


def _asked(file: BenchFile, bus: str) -> Iterator[tuple[int, tuple[Place, ReadRequest]]]:
    """Yield each unit id on a bus with who names it and a read that it should answer."""
    seen: set[int] = set()
    signals = {name: signal for name, signal in file.registers.items() if signal.bus == bus}
    for read in plan_reads(signals, file.buses[bus]).reads if signals else ():
        unit_id = read.request.unit_id
        if unit_id not in seen:
            seen.add(unit_id)
            name = next(name for name, signal in signals.items() if signal.unit_id == unit_id)
            place = _place(("signals", name), stated="unit_id" in signals[name].model_fields_set)
            yield unit_id, (place, read.request)
    for name, output in file.outputs.items():
        options = find(output.driver).options.model_validate(output.wired)
        at = getattr(options, "unit_id", None)
        if getattr(options, "bus", None) == bus and isinstance(at, int) and at not in seen:
            seen.add(at)
            table, address = resolve(options) if isinstance(options, Location) else ("coil", 0)
            place = _place(("outputs", name, "wired"), stated="unit_id" in output.wired)
            yield at, (place, ReadRequest(at, table, address, 1))


def _place(whole: Place, *, stated: bool) -> Place:
    return (*whole, "unit_id") if stated else whole


async def _answers(bus: ModbusBus, request: ReadRequest, *, tries: int = _TRIES) -> bool:
    """Return whether a unit answers at all; a refusal is an answer too, and so is one that is garbled."""
    for number in range(1, tries + 1):
        try:
            await bus.read(request)
        except BusFault as fault:
            if fault.kind == "disconnected":
                if number == tries:
                    raise LinkError(str(fault)) from fault
                await connect(bus)
                continue
            if fault.kind == "timeout":
                continue
        return True
    return False
