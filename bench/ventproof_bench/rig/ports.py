"""The ports that a bench opens, and the hold on them: one process of this computer has them at a time."""

from __future__ import annotations

import fcntl
import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final, final
from urllib.parse import urlsplit

from ventproof_bench.base.clock import local_now
from ventproof_bench.base.errors import LinkError
from ventproof_bench.base.processes import process_said
from ventproof_bench.base.text import one_line
from ventproof_bench.benchfile.model import RtuOverTcpBus, SerialBus, TcpBus

if TYPE_CHECKING:
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.tree import Path as Place


_SAID: Final = 200  # characters of who holds something; anybody can write there


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

    @property
    def name(self) -> str:
        """What it comes to, in one word."""
        return self.at if isinstance(self.at, str) else f"{self.at[0]}:{self.at[1]}"


def ports_of(file: BenchFile) -> Iterator[BenchPort]:
    """Yield each port that a bench on real wires opens, once."""
    found: dict[str | tuple[str, int], BenchPort] = {}
    for port in _named_in(file):
        found.setdefault(port.at, port)
    yield from found.values()


def network_endpoints(file: BenchFile) -> list[str]:
    """Return the network endpoints that a bench uses: hosts and ports of buses, and URLs."""
    return sorted({port.said for port in _named_in(file) if isinstance(port.at, tuple)})


def _named_in(file: BenchFile) -> Iterator[BenchPort]:
    """Yield the ports of a bench file wherever it names one."""
    for name, bus in file.buses.items():
        match bus:
            case TcpBus() | RtuOverTcpBus():
                at = bus.host.casefold(), bus.tcp_port
                yield BenchPort(f"{bus.host}:{bus.tcp_port}", ("buses", name, "host"), at)
            case SerialBus():
                yield _port(bus.port, ("buses", name, "port"))
            case _:
                pass
    for name, output in file.outputs.items():
        said = output.wired.get("port")
        if isinstance(said, str):
            yield _port(said, ("outputs", name, "wired", "port"))


def _port(said: str, place: Place) -> BenchPort:
    if "://" not in said:
        return BenchPort(said, place, os.path.realpath(said))
    try:
        url = urlsplit(said)
        return BenchPort(said, place, ((url.hostname or "").casefold(), url.port or 0))
    except ValueError:  # nothing that could be opened, and so is only itself
        return BenchPort(said, place, said)


@final
@dataclass(slots=True)
class PortHold:
    """A hold on ports; the system lets go of it when the process dies.

    Attributes:
        ports: names of the ports.
        doing: what holds them from one run to the next, in words; empty: a single run does, which is told by its
            process. Both can be held at the same time.
        said: what the bench file calls a port that is held alone; empty: its name.
    """

    ports: Sequence[str]
    doing: str = ""
    said: str = ""
    _files: list[IO[str]] = field(default_factory=list)

    def take(self) -> None:
        """Take hold of all of them.

        Raises:
            LinkError: another run on this computer holds one.
        """
        for port in self.ports:
            try:
                self._files.append(_opened(f"bench {port}" if self.doing else port))
                fcntl.flock(self._files[-1], fcntl.LOCK_EX | fcntl.LOCK_NB)
                self._sign(self._files[-1])
            except BlockingIOError:
                holder = _said_in(self._files[-1])
                self.release()
                reason = f"another command on this computer holds {self.said or port}{holder}"
                raise LinkError(f"{reason}; let it finish, or stop it") from None
            except OSError as error:
                self.release()
                raise LinkError(f"others cannot be kept off {self.said or port}: {error}") from error

    def _sign(self, file: IO[str]) -> None:
        """Say who holds it."""
        file.truncate(0)
        begun = f"process {os.getpid()}, begun {local_now():%H:%M}, {self.doing}"
        file.write(begun if self.doing else str(os.getpid()))
        file.flush()

    def release(self) -> None:
        """Let go; safe to call twice."""
        while self._files:
            self._files.pop().close()


def _opened(name: str) -> IO[str]:
    """Open the file that stands for a hold; whoever comes first makes it, for all users of the computer."""
    path = Path(tempfile.gettempdir()) / f"ventproof-{hashlib.sha256(name.encode()).hexdigest()[:16]}.lock"
    try:  # not emptied before it is held: it says who holds it
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC)
        os.fchmod(descriptor, 0o666)
    except FileExistsError:
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC)
    return os.fdopen(descriptor, "a+", encoding="utf-8", errors="replace")


def _said_in(file: IO[str]) -> str:
    """Return who holds a port, from what is written in its lock; empty where nothing is."""
    file.seek(0)
    said = one_line(file.read(_SAID))
    if said.isdecimal():
        said = process_said(int(said))
    return f", {said}" if said else ""
