"""Holds network endpoints against a second run on this computer, as serial ports are held by locks of their own."""

from __future__ import annotations

import fcntl
import hashlib
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING, final

from bench.errors import LinkError
from bench.wiring import RtuOverTcpBus, TcpBus

if TYPE_CHECKING:
    from bench.wiring import BenchFile


def network_endpoints(file: BenchFile) -> list[str]:
    """Return the network endpoints that a bench uses: hosts and ports of buses, URLs of outputs."""
    buses = {
        f"{bus.host}:{bus.tcp_port}" for bus in file.buses.values() if isinstance(bus, TcpBus | RtuOverTcpBus)
    }
    ports = {str(output.wired.get("port", "")) for output in file.outputs.values()}
    return sorted(buses | {port for port in ports if "://" in port})


@final
class EndpointHold:
    """A hold on endpoints; the system lets go of it when the process dies."""

    def __init__(self, endpoints: list[str]) -> None:
        self._endpoints = endpoints
        self._files: list[IO[str]] = []

    def take(self) -> None:
        """Take hold of all of them.

        Raises:
            LinkError: another run on this computer holds one.
        """
        for endpoint in self._endpoints:
            name = f"ventproof-{hashlib.sha256(endpoint.encode()).hexdigest()[:16]}.lock"
            try:
                file = (Path(tempfile.gettempdir()) / name).open("w", encoding="utf-8")
                self._files.append(file)
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                self.release()
                raise LinkError(f"another run on this computer holds {endpoint}: wait for its end") from error

    def release(self) -> None:
        """Let go; safe to call twice."""
        while self._files:
            self._files.pop().close()
