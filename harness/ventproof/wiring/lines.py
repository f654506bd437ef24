"""From the buses and ports of a bench file to serial lines and cables (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.wiring.model import Circuit, SerialLine, Station, Terminal
from ventproof.wiring.places import options_of
from ventproof_bench.benchfile.model import RegisterOutput, RtuOverTcpBus, SerialBus, TcpBus
from ventproof_bench.benchfile.terminals import Wire
from ventproof_bench.drivers.serial_ports import is_network

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.wiring.circuits import Circuits


COMPUTER: Final = "this computer"
_ROLES: Final = {"a": "A", "b": "B", "common": "common"}


def serial_lines(made: Circuits) -> Iterator[SerialLine]:
    """Yield every serial line of the bench, from the adapter over the units to its end."""
    for name, bus in made.file.buses.items():
        if isinstance(bus, SerialBus):
            words = f"Modbus {bus.link.upper()}, {bus.baud} Bd, {bus.parity} parity, {bus.data_bits} data bits, "
            stops = f"{bus.stops} stop bit{'s' if bus.stops > 1 else ''}"
            wires = {} if bus.wires is None else bus.wires.by_role
            shield = "" if bus.wires is None else bus.wires.shield or ""
            yield _line(made, name, f"adapter {bus.port}", words + stops, wires, shield)
        elif isinstance(bus, RtuOverTcpBus):
            kind = "Modbus RTU behind a serial server: set speed and parity there"
            yield _line(made, name, f"serial server {bus.host}:{bus.tcp_port}", kind, {}, "")


def _line(
    made: Circuits, name: str, adapter: str, kind: str, wires: dict[str, Wire], shield: str
) -> SerialLine:
    units = made.devices.on(name)
    stations = [Station(adapter, (kind,))]
    for unit_id in units:
        called = f"{made.devices.called((name, unit_id))}, unit id {unit_id}"
        stations.append(Station(called, tuple(_held(made, name, unit_id))))
    hops = []
    for before, after in zip(stations, stations[1:], strict=False):
        hop = []
        for role, word in _ROLES.items():
            wire = wires.get(role, Wire())
            ends = [
                Terminal(
                    station.name,
                    word,
                    (wire.bench if at == 0 else wire.unit if (name, units[at - 1]) in made.devices.units else "")
                    or "",
                )
                for at, station in enumerate(stations)
                if station in (before, after)
            ]
            hop.append(made.conductor(*ends, wire.colour))
        hops.append(tuple(hop))
    return SerialLine(name, kind, tuple(stations), tuple(hops), shield)


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
        yield f"{len(read)} signal(s) read, see the table of signals"


def cables(made: Circuits) -> Iterator[Circuit]:
    """Yield every cable from the computer to a device, a network or a serial port; one that several use comes once."""
    for ends, (kind, names) in _reached(made).items():
        begin, end = Terminal(COMPUTER, kind), Terminal(ends, kind)
        yield Circuit(
            name=", ".join(names),
            kind=kind,
            bench=COMPUTER,
            unit=ends,
            symbol="cable",
            conductors=(made.conductor(begin, end),),
            shield="none",
            notes=tuple(_cable_notes(made, ends, names)),
        )


def _reached(made: Circuits) -> dict[str, tuple[str, list[str]]]:
    """Return the far end of each cable, with its kind and the buses and outputs that go over it."""
    reached: dict[str, tuple[str, list[str]]] = {}
    for name, bus in made.file.buses.items():
        if isinstance(bus, TcpBus | RtuOverTcpBus):
            what = "" if isinstance(bus, TcpBus) else "serial server "
            far = reached.setdefault(f"{what}{bus.host}, TCP port {bus.tcp_port}", ("network", []))
            far[1].append(f"bus {name}")
        elif isinstance(bus, SerialBus):
            kind = "network" if is_network(bus.port) else "USB or serial port"
            reached.setdefault(f"adapter {bus.port}", (kind, []))[1].append(f"bus {name}")
    for name, output in made.file.outputs.items():
        options = options_of(output)
        port = getattr(options, "port", None)
        if isinstance(port, str):
            baud = getattr(options, "baud", None)
            speed = f", {baud} Bd" if baud is not None and not is_network(port) else ""
            kind = "network" if is_network(port) else "USB or serial port"
            reached.setdefault(f"{port}{speed}", (kind, []))[1].append(name)
    return reached


def _cable_notes(made: Circuits, ends: str, names: list[str]) -> Iterator[str]:
    for name in names:
        bus = name.removeprefix("bus ")
        if name != bus and isinstance(made.file.buses[bus], TcpBus):
            for unit_id in made.devices.on(bus):
                held = "; ".join(_held(made, bus, unit_id))
                yield f"Bus {bus}, unit id {unit_id}: {made.devices.called((bus, unit_id))}: {held}."
    if "://" in ends or "TCP" in ends:
        yield "A network of its own, or a switch that nobody unplugs; note the addresses of both ends here: ________"
