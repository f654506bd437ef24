"""What two places of a rack must not share: ports, hosts with their port, and a unit."""

from __future__ import annotations

import os
import socket
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final
from urllib.parse import urlsplit

from ventproof_bench.benchfile.model import RtuOverTcpBus, SerialBus, TcpBus

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.runset.rack_file import RackFile
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path as Place


_HINT: Final = "give each place a port or host of its own"


@final
@dataclass(frozen=True, slots=True)
class BenchPort:
    """A port that a bench opens, for buses, relays or instruments.

    Attributes:
        said: as the bench file has it.
        place: where the bench file says it, as a path of keys.
        at: what it comes to: a device with all links followed, or host and port of a network.
    """

    said: str
    place: Place
    at: str | tuple[str, int]


def ports_of(file: BenchFile) -> Iterator[BenchPort]:
    """Yield each port that a bench on real wires opens, once."""
    found: dict[str | tuple[str, int], BenchPort] = {}
    for name, bus in file.buses.items():
        match bus:
            case TcpBus() | RtuOverTcpBus():
                at = bus.host.casefold(), bus.tcp_port
                found.setdefault(at, BenchPort(f"{bus.host}:{bus.tcp_port}", ("buses", name, "host"), at))
            case SerialBus():
                port = _port(bus.port, ("buses", name, "port"))
                found.setdefault(port.at, port)
            case _:
                pass
    for name, output in file.outputs.items():
        said = output.wired.get("port")
        if isinstance(said, str):
            port = _port(said, ("outputs", name, "wired", "port"))
            found.setdefault(port.at, port)
    yield from found.values()


def _port(said: str, place: Place) -> BenchPort:
    if "://" not in said:
        return BenchPort(said, place, os.path.realpath(said))
    try:
        url = urlsplit(said)
        return BenchPort(said, place, ((url.hostname or "").casefold(), url.port or 0))
    except ValueError:  # nothing that could be opened, and so is only itself
        return BenchPort(said, place, said)


def shared_problems(rack: Loaded[RackFile], benches: Mapping[str, Loaded[BenchFile]]) -> Iterator[Problem]:
    """Yield what two places share; nothing is opened.

    Args:
        rack: the rack file.
        benches: the bench of each place that is right, by its name; what is virtual shares nothing.
    """
    ports: list[tuple[str, BenchPort]] = []
    units: dict[str, str] = {}
    for name, bench in benches.items():
        if bench.model.virtual:
            continue
        own = list(ports_of(bench.model))
        for port in own:
            other = next(((who, its) for who, its in ports if _same(its, port)), None)
            if other is not None:
                here, there = _told(port, bench), _told(other[1], benches[other[0]])
                reason = f"place {name} has a port of place {other[0]} ({here}; {there})"
                yield rack.problem(("places", name, "bench"), reason, _HINT)
                break
        ports += [(name, port) for port in own]
        unit = rack.model.places[name].unit or ""
        if unit and units.setdefault(unit, name) != name:
            reason = f"unit {unit} is also at place {units[unit]}"
            hint = "write the serial number of the unit that is at this place"
            yield rack.problem(("places", name, "unit"), reason, hint)


def _told(port: BenchPort, bench: Loaded[BenchFile]) -> str:
    line, column = bench.locate(port.place)
    return f"{port.said}, {bench.path}:{line}:{column}"


def _same(one: BenchPort, other: BenchPort) -> bool:
    """Return whether two ports are one; names of hosts are looked up only where their ports are the same."""
    if isinstance(one.at, str) or isinstance(other.at, str):
        return one.at == other.at
    if one.at[1] != other.at[1]:
        return False
    return one.at[0] == other.at[0] or not _addresses(one.at[0]).isdisjoint(_addresses(other.at[0]))


def _addresses(host: str) -> set[str]:
    """Return the addresses of a host; its name alone where nobody knows one."""
    try:
        return {str(info[4][0]) for info in socket.getaddrinfo(host, None)}
    except OSError:
        return {host}
