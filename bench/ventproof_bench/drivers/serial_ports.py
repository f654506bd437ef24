"""Serial ports of the outputs: opened once, shared by the outputs of one board, never left to hang."""

from __future__ import annotations

import asyncio
import io
import os
import socket
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from math import inf
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.errors import DriverError, LinkError, lost_trouble, open_trouble
from ventproof_bench.base.evidence import Window
from ventproof_bench.yamlfile.fields import NETWORK_PORTS

if TYPE_CHECKING:
    from collections.abc import Callable

    import serial


ControlLine = Literal["rts", "dtr"]

_WRITE_TIMEOUT_S: Final = 0.3  # none blocks for ever on a stuck adapter, and 0 spins
_LOOK_AGAIN_S: Final = 0.001  # where a port has no file descriptor to wait on
_LOOK_S: Final = 0.1  # from one look whether a port is still there to the next
_QUIET_S: Final = 0.02  # silence after which whatever was coming in is taken to be over


def wire_time_s(url: str, baud: int, size: int) -> float:
    """Return how long `size` bytes take on the wire, 10 bits each (8N1); nothing on a network port."""
    return 0.0 if is_network(url) else size * 10 / baud


def is_network(url: str) -> bool:
    """Whether a port is reached over the network."""
    return url.startswith(NETWORK_PORTS)


def _make(url: str, baud: int) -> serial.Serial:
    """Return the port, not open yet.

    Raises:
        LinkError: the text is not a port and no URL that pyserial knows.
    """
    import serial  # noqa: PLC0415 - heavy, and only benches with serial outputs want it

    patience_s = None if url.startswith("rfc2217://") else _WRITE_TIMEOUT_S  # which has none of its own
    try:
        return serial.serial_for_url(
            url, baud, do_not_open=True, exclusive=True, timeout=0, write_timeout=patience_s
        )
    except (ValueError, OSError) as error:
        raise LinkError(f"port {url}: {error}") from error


async def _open(port: serial.Serial, url: str, worker: ThreadPoolExecutor) -> None:
    """Open in the port's own thread: a network port may take seconds to refuse."""
    import termios  # noqa: PLC0415 - not on every system, and only here

    try:
        await asyncio.get_running_loop().run_in_executor(worker, port.open)
    except (OSError, ValueError, termios.error) as error:
        raise LinkError(f"port {url} cannot be opened: {open_trouble(error)}") from error


def _look_at(port: serial.Serial, url: str) -> None:
    """Raise an `OSError` where the port is gone; nothing is read."""
    if not port.is_open:
        raise ConnectionResetError("it is not open")
    if url.startswith("socket://"):
        with socket.socket(fileno=os.dup(port.fileno())) as peer, suppress(BlockingIOError):
            if not peer.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT):
                raise ConnectionResetError("the far end closed the connection")
    elif not is_network(url):
        _ = port.in_waiting


class _SharedPort:
    """A port that several outputs may open; the first opens it, the last closes it.

    Attributes:
        good_s: loop time at which it was last seen to be there.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.name = f"port {url}"
        self.good_s = -inf
        self._serial: serial.Serial | None = None
        self._worker: ThreadPoolExecutor | None = None
        self._users = 0
        self._opening = asyncio.Lock()

    @property
    def lost(self) -> str:
        """Why the port is gone; empty while it is there, as far as the system tells."""
        if self._serial is None:
            return "it was never opened"
        try:
            _look_at(self._serial, self.url)
        except OSError as error:
            return lost_trouble(error)
        self.good_s = now_s()
        return ""

    async def until_lost(self) -> None:
        """Wait until the port, open now, is gone."""
        while not self.lost:  # noqa: ASYNC110 - no event tells of an unplugged adapter
            await asyncio.sleep(_LOOK_S)

    async def open_again(self) -> None:
        """Open it again after it was lost, whatever hangs at its address now; nothing while it is there.

        Raises:
            LinkError: it cannot be opened.
        """
        async with self._opening:
            if self._serial is None or self._worker is None or not self.lost:
                return
            with suppress(OSError):
                await asyncio.get_running_loop().run_in_executor(self._worker, self._serial.close)
            self._serial = await self._opened(self._worker)

    async def _opened(self, worker: ThreadPoolExecutor) -> serial.Serial:
        raise NotImplementedError

    async def close(self) -> None:
        """Give the port up; closes it when nobody else uses it. Most systems then drop its control lines."""
        async with self._opening:
            self._users = max(0, self._users - 1)
            if self._users:
                return
            port, self._serial = self._serial, None
            worker, self._worker = self._worker, None
            if worker is not None:
                if port is not None:
                    await asyncio.get_running_loop().run_in_executor(worker, port.close)
                # The thread is idle where a port was closed in it; else it may still be opening one.
                worker.shutdown(wait=port is not None)


@final
class Port(_SharedPort):
    """A serial port, or a TCP connection in its place, that carries commands and replies of one board.

    Outputs that share it each open and close it; the first opens, the last closes. It is opened again after it was lost
    only: opening moves the control lines of some adapters.
    """

    def __init__(self, url: str, baud: int) -> None:
        super().__init__(url)
        self.baud = baud
        self._talking = asyncio.Lock()
        self._late_s = 0.0  # for how long a reply may still come that nobody waits for

    async def open(self) -> None:
        """Open the port, if no other output has.

        Raises:
            LinkError: it cannot be opened.
        """
        async with self._opening:
            if self._serial is None:
                self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="port")
                self._serial = await self._opened(self._worker)
            self._users += 1

    async def _opened(self, worker: ThreadPoolExecutor) -> serial.Serial:
        port = _make(self.url, self.baud)
        await _open(port, self.url, worker)
        return port

    async def send(self, data: bytes) -> Window:
        """Send without waiting for a reply; the window ends when the last bit is on the wire.

        Raises:
            LinkError: the port was lost, or does not take the bytes.
        """
        async with self._talking:
            begun_s = now_s()
            self._write(data)
            return Window(begun_s, now_s() + wire_time_s(self.url, self.baud, len(data)))

    async def ask(
        self, data: bytes, *, done: Callable[[bytes], bool], within_s: float
    ) -> tuple[bytes, Window]:
        """Send and wait until `done` accepts what came back; the window ends when the reply was heard.

        Raises:
            TimeoutError: no such reply; what came instead is the error's text, in hex.
            LinkError: the port was lost, or does not take the bytes.
        """
        async with self._talking:
            await self._discard()
            self._late_s = within_s
            begun_s = now_s()
            self._write(data)
            deadline_s = now_s() + wire_time_s(self.url, self.baud, len(data)) + within_s
            heard = b""
            while not done(heard):
                if now_s() >= deadline_s:
                    raise TimeoutError(heard.hex(" ") or "nothing")
                await self._wait_readable(deadline_s)
                heard += self._read()
            self._late_s = 0.0
            return heard, Window(begun_s, now_s())

    async def _discard(self) -> None:
        """Throw away what was heard before; after an unanswered request wait as long again for its answer."""
        heard = self._read()
        while heard or self._late_s:
            await sleep_until(now_s() + max(_QUIET_S, self._late_s))
            heard, self._late_s = self._read(), 0.0

    def _open_port(self) -> serial.Serial:
        if self._serial is None:
            raise DriverError(f"port {self.url} is not open")
        return self._serial

    def _write(self, data: bytes) -> None:
        try:
            self._open_port().write(data)
        except OSError as error:  # a timeout too: part of the bytes may be out, so nothing can be built on it
            raise LinkError(f"port {self.url} does not take what is sent: {lost_trouble(error)}") from error

    def _read(self) -> bytes:
        try:
            heard: bytes = self._open_port().read(4096)
        except OSError as error:
            raise LinkError(f"port {self.url} is gone: {lost_trouble(error)}") from error
        return heard

    async def _wait_readable(self, deadline_s: float) -> None:
        loop = asyncio.get_running_loop()
        try:
            fd = self._open_port().fileno()
        except io.UnsupportedOperation:
            await sleep_until(min(deadline_s, now_s() + _LOOK_AGAIN_S))
            return
        ready = loop.create_future()

        def wake() -> None:
            if not ready.done():
                ready.set_result(None)

        loop.add_reader(fd, wake)
        timer = loop.call_at(deadline_s, wake)
        try:
            await ready
        finally:
            timer.cancel()
            loop.remove_reader(fd)


@final
class ControlPort(_SharedPort):
    """The control lines of a serial port, set to rest before it is opened, so far as that goes."""

    def __init__(self, url: str) -> None:
        super().__init__(url)
        self._settle_s = 0.0
        self._at_rest: dict[ControlLine, bool] = {"rts": False, "dtr": False}

    def rest(self, line: ControlLine, *, asserted: bool) -> None:
        """Say how a line stands at rest; before the port is opened."""
        self._at_rest[line] = asserted

    async def open(self, *, settle_s: float) -> None:
        """Open the port with both lines at rest, if no other output has, and let them settle.

        Raises:
            LinkError: it cannot be opened.
        """
        async with self._opening:
            if self._serial is None:
                self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="lines")
                self._settle_s = settle_s
                self._serial = await self._opened(self._worker)
            self._users += 1

    async def _opened(self, worker: ThreadPoolExecutor) -> serial.Serial:
        port = _make(self.url, 9600)
        port.rts, port.dtr = self._at_rest["rts"], self._at_rest["dtr"]
        await _open(port, self.url, worker)
        await sleep_until(now_s() + self._settle_s)
        return port

    async def set(self, line: ControlLine, *, asserted: bool) -> Window:
        """Set a line, and read it back where the system can.

        Raises:
            DriverError: the port has no such line, or it does not stand as it was set.
        """
        port, worker = self._serial, self._worker
        if port is None or worker is None:
            raise DriverError(f"port {self.url} is not open")
        begun_s = now_s()
        try:
            if is_network(self.url):  # waits for the far end's acknowledgement
                await asyncio.get_running_loop().run_in_executor(worker, setattr, port, line, asserted)
                found = asserted
            else:
                setattr(port, line, asserted)
                found = _line_state(port.fileno(), line)
        except (OSError, ValueError) as error:
            raise DriverError(
                f"port {self.url}: its {line.upper()} line cannot be set: {lost_trouble(error)}"
            ) from error
        if found != asserted:
            raise DriverError(f"port {self.url}: its {line.upper()} line does not stand as it was set")
        return Window(begun_s, now_s())


def _line_state(fd: int, line: ControlLine) -> bool:
    """Return how the driver of the port holds an outgoing line."""
    import fcntl  # noqa: PLC0415 - Unix only
    import struct  # noqa: PLC0415 - with it
    import termios  # noqa: PLC0415 - with it

    (bits,) = struct.unpack("I", fcntl.ioctl(fd, termios.TIOCMGET, bytes(4)))
    return bool(bits & (termios.TIOCM_RTS if line == "rts" else termios.TIOCM_DTR))


@final
class Ports:
    """The ports of one bench. Outputs that name the same port get the same object."""

    def __init__(self) -> None:
        self._ports: dict[str, Port | ControlPort] = {}

    def port(self, url: str, baud: int) -> Port:
        """Return the port for commands.

        Raises:
            ValueError: another output uses it at another rate, or for its control lines.
        """
        port = self._ports.setdefault(url, Port(url, baud))
        if not isinstance(port, Port):
            raise ValueError(  # noqa: TRY004 - a fault of the bench file
                f"port {url} serves for its control lines already"
            )
        if port.baud != baud:
            raise ValueError(f"port {url} runs at {port.baud} baud for another output, not at {baud}")
        return port

    def lines(self, url: str) -> ControlPort:
        """Return the port for its control lines.

        Raises:
            ValueError: another output sends commands over it.
        """
        port = self._ports.setdefault(url, ControlPort(url))
        if not isinstance(port, ControlPort):
            raise ValueError(  # noqa: TRY004 - a fault of the bench file
                f"port {url} carries commands already"
            )
        return port

    @property
    def used(self) -> dict[str, Port | ControlPort]:
        """All of them by their address."""
        return dict(self._ports)
