"""From the buses and ports of a bench file to serial lines and cables (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.wiring.model import ComputerCable, SerialLine, Station, Terminal
from ventproof.wiring.places import options_of
from ventproof_bench.base.text import number_of
from ventproof_bench.benchfile.model import RegisterOutput, RtuOverTcpBus, SerialBus, TcpBus
from ventproof_bench.benchfile.terminals import Wire
from ventproof_bench.drivers.serial_ports import is_network

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.wiring.circuits import Circuits
    from ventproof_bench.benchfile.terminals import LineWires


COMPUTER: Final = "this computer"
NETWORK: Final = "network"
_PORT: Final = "USB or serial port"
_ROLES: Final = {"a": "A", "b": "B", "common": "common"}


def serial_lines(made: Circuits) -> Iterator[SerialLine]:
    """Yield every serial line of the bench, from the adapter over the units to its end."""
    for name, bus in made.file.buses.items():
        if not made.devices.on(name):
            continue
        if isinstance(bus, SerialBus):
            parity = "no" if bus.parity == "none" else bus.parity
            stops = f"{number_of(bus.stops, 'stop bit')}"
            kind = f"Modbus {bus.link.upper()}, {bus.baud} Bd, {parity} parity, {bus.data_bits} data bits, {stops}"
            yield _line(made, name, f"adapter {bus.port}", kind, bus.wires)
        elif isinstance(bus, RtuOverTcpBus):
            kind = "Modbus RTU behind a serial server: set speed and parity there"
            yield _line(made, name, f"serial server {bus.host}:{bus.tcp_port}", kind, None)


def _line(made: Circuits, name: str, adapter: str, kind: str, cable: LineWires | None) -> SerialLine:
    wires = {} if cable is None else cable.by_role
    units = made.devices.on(name)
    marked = [unit for unit in units if (name, unit) in made.devices.units] or units[:1]
    stations = [Station(adapter, (kind,))]
    for unit_id in units:
        called = f"{made.devices.called((name, unit_id))}, unit id {unit_id}"
        stations.append(Station(called, tuple(_held(made, name, unit_id))))

    def end(at: int, role: str) -> Terminal:
        wire = wires.get(role, Wire())
        marking = wire.bench if at == 0 else wire.unit if units[at - 1] in marked else ""
        return Terminal(stations[at].name, _ROLES[role], marking or "")

    hops = tuple(
        tuple(
            made.conductor(end(at, role), end(at + 1, role), wires.get(role, Wire()).colour)
            for role in _ROLES
        )
        for at in range(len(units))
    )
    return SerialLine(name, kind, tuple(stations), hops, (cable and cable.shield) or "")


def _held(made: Circuits, bus: str, unit_id: int) -> Iterator[str]:
    """Yield what is driven and read at a unit id, in words."""
    driven: dict[bool, list[str]] = {}
    for name, output in made.file.outputs.items():
        options = options_of(output)
        if (getattr(options, "bus", None), getattr(options, "unit_id", None)) == (bus, unit_id):
            driven.setdefault(isinstance(output, RegisterOutput), []).append(name)
    if False in driven:
        yield f"drives {', '.join(driven[False])}"
    if True in driven:
        yield f"settings: {', '.join(driven[True])}"
    read = [n for n, s in made.file.registers.items() if (s.bus, s.unit_id) == (bus, unit_id)]
    if read:
        yield f"{number_of(len(read), 'signal')} read, see the table of signals"


def links(made: Circuits) -> Iterator[ComputerCable]:
    """Yield every cable from the computer to a device, a network or a serial port; one that several use comes once."""
    for far, (kind, names) in _reached(made).items():
        cable = made.conductor(Terminal(COMPUTER, kind), Terminal(far, kind))
        yield ComputerCable(kind, far, tuple(names), cable, tuple(_behind(made, names)))


def _reached(made: Circuits) -> dict[str, tuple[str, list[str]]]:
    """Return the far end of each cable, with its kind and the buses and outputs that go over it."""
    reached: dict[str, tuple[str, list[str]]] = {}
    for name, bus in made.file.buses.items():
        if isinstance(bus, TcpBus | RtuOverTcpBus):
            what = "" if isinstance(bus, TcpBus) else "serial server "
            far = reached.setdefault(f"{what}{bus.host}, TCP port {bus.tcp_port}", (NETWORK, []))
            far[1].append(f"bus {name}")
        elif isinstance(bus, SerialBus):
            kind = NETWORK if is_network(bus.port) else _PORT
            reached.setdefault(f"adapter {bus.port}", (kind, []))[1].append(f"bus {name}")
    for name, output in made.file.outputs.items():
        options = options_of(output)
        port = getattr(options, "port", None)
        if isinstance(port, str):
            baud = getattr(options, "baud", None)
            speed = f", {baud} Bd" if baud is not None and not is_network(port) else ""
            kind = NETWORK if is_network(port) else _PORT
            reached.setdefault(f"{port}{speed}", (kind, []))[1].append(name)
    return reached


def _behind(made: Circuits, names: list[str]) -> Iterator[str]:
    """Yield what is driven and read over a network's buses."""
    for name, bus in made.file.buses.items():
        if isinstance(bus, TcpBus) and f"bus {name}" in names:
            for unit_id in made.devices.on(name):
                held = "; ".join(_held(made, name, unit_id))
                yield f"Bus {name}, unit id {unit_id}: {made.devices.called((name, unit_id))}: {held}."
