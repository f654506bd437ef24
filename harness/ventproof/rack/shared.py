"""What two places of a rack must not share: ports, hosts with their port, and a unit."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING, Final

from ventproof_bench.rig.ports import ports_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.runset.rack_file import RackFile
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.rig.ports import BenchPort
    from ventproof_bench.yamlfile.load import Loaded


_HINT: Final = "give each place a port or host of its own"


def shared_problems(rack: Loaded[RackFile], benches: Mapping[str, Loaded[BenchFile]]) -> Iterator[Problem]:
    """Yield what two places share; nothing is opened.

    Args:
        rack: the rack file.
        benches: the bench of each place that is right, by its name; what is virtual shares nothing.
    """
    ports: list[tuple[str, BenchPort]] = []
    units: dict[str, tuple[str, str]] = {}
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
        other_name, other_unit = units.setdefault(unit.casefold(), (name, unit)) if unit else (name, unit)
        if other_name != name:
            written = f", written {other_unit}" if other_unit != unit else ""
            reason = f"unit {unit} is also at place {other_name}{written}"
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
