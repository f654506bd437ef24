"""Everything on TCP and ptys."""

from __future__ import annotations

import asyncio
import fcntl
import os
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, cast, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import LinkError
from ventproof_bench.base.files import shipped_folder
from ventproof_bench.mock.io_module import devices_of
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.board_watchdog import WatchedBoard
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.relay_boards import CoilBoard, FramesBoard, serve_control_lines
from ventproof_bench.mock.wires.scpi_instruments import ScpiBoard

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator, Sequence
    from pathlib import Path

    from ventproof_bench.base.protocols import Peer
    from ventproof_bench.mock.settings import MockSettings
    from ventproof_bench.mock.unit import MockUnit


_PIECE: Final = 4096


@final
class _Replies:
    """Sends what a peer answers, each reply at its time; knows what is still to be sent."""

    def __init__(self, peer: Peer, send: Callable[[bytes], None]) -> None:
        self._peer = peer
        self._send = send
        self._loop = asyncio.get_running_loop()
        self._waiting: set[asyncio.TimerHandle] = set()

    def heard(self, data: bytes) -> None:
        """Take bytes from the line now. Raises `ConnectionResetError` when the peer cuts it."""
        now_s = self._loop.time()
        for delay_s, reply in self._peer.exchange(data, now_s):
            if delay_s <= 0:
                self._send(reply)
            else:
                self._send_at(now_s + delay_s, reply)

    def _send_at(self, due_s: float, reply: bytes) -> None:
        def send() -> None:
            self._waiting.discard(timer)
            self._send(reply)

        timer = self._loop.call_at(due_s, send)
        self._waiting.add(timer)

    def forget(self) -> None:
        """Drop replies not yet sent."""
        for timer in self._waiting:
            timer.cancel()
        self._waiting.clear()


@final
class _Connection(asyncio.Protocol):
    """One TCP connection to a peer of its own."""

    def __init__(self, peer: Peer, open_ones: set[asyncio.Transport]) -> None:
        self._peer = peer
        self._open_ones = open_ones

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self._open_ones.add(self._transport)
        self._replies = _Replies(self._peer, self._transport.write)

    def data_received(self, data: bytes) -> None:
        try:
            self._replies.heard(data)
        except ConnectionResetError:
            self._transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        self._open_ones.discard(self._transport)
        self._replies.forget()


@asynccontextmanager
async def serve_tcp(
    connect: Callable[[], Peer], *, host: str = "127.0.0.1", port: int = 0
) -> AsyncIterator[int]:
    """Serve TCP connections, each with its own peer from `connect`; yields the port, chosen freely for 0.

    With RTU peers this is RTU over TCP.

    Raises:
        LinkError: the address cannot be listened on.
    """
    open_ones: set[asyncio.Transport] = set()
    loop = asyncio.get_running_loop()
    try:
        server = await loop.create_server(lambda: _Connection(connect(), open_ones), host, port)
    except (OSError, OverflowError) as error:
        raise LinkError(f"cannot listen on {host} port {port}: {error}; 0 picks a free port") from error
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for transport in tuple(open_ones):
            transport.abort()
        await server.wait_closed()


@final
class _Terminal:
    """A pseudo-terminal with a peer on its master side. The slave side stays open, as a wired port does."""

    def __init__(self, peer: Peer, baud: int | None) -> None:
        import tty  # noqa: PLC0415 - not on every system; TCP needs none of it

        self._loop = asyncio.get_running_loop()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._replies = _Replies(peer, self._send)
        self._speed = None if baud is None else _speed_code(baud)
        self._loop.add_reader(self._master, self._heard)

    def _heard(self) -> None:
        data = os.read(self._master, _PIECE)
        if self._speed is not None and self._speed != _speed_set(self._slave):
            return  # at another speed it hears no frame
        try:
            self._replies.heard(data)
        except ConnectionResetError:
            self.hang_up()

    def _send(self, data: bytes) -> None:
        with suppress(BlockingIOError):  # nobody reads: the bytes fall off the line
            os.write(self._master, data)

    def hang_up(self) -> None:
        """Take the terminal away, as an adapter that is unplugged; safe to call twice."""
        if self._master < 0:
            return
        self._replies.forget()
        self._loop.remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = -1


def _speed_code(baud: int) -> int:
    import termios  # noqa: PLC0415 - as above

    code: int = getattr(termios, f"B{baud}")
    return code


def _speed_set(terminal: int) -> int:
    import termios  # noqa: PLC0415 - as above

    speed: int = termios.tcgetattr(terminal)[4]
    return speed


@asynccontextmanager
async def serve_pty(peer: Peer, *, link: Path | None = None, baud: int | None = None) -> AsyncIterator[str]:
    """Serve a pseudo-terminal; yields the path that a serial client opens.

    Args:
        peer: who answers.
        link: a stable name for the terminal: a symbolic link there is made anew, and removed in the end.
        baud: the only line speed at which it is heard; any if None.

    Raises:
        LinkError: the link cannot be made.
    """
    terminal = _Terminal(peer, baud)
    try:
        if link is not None:
            _point(link, terminal.path)
        yield str(link or terminal.path)
    finally:
        terminal.hang_up()
        if link is not None:
            _unlink(link, terminal.path)


def _unlink(link: Path, target: str) -> None:
    if link.is_symlink() and str(link.readlink()) == target:
        link.unlink()


def _point(link: Path, target: str) -> None:
    if link.exists() and not link.is_symlink():
        raise LinkError(f"{link} exists and is not a link; choose another name for the serial port")
    try:
        link.unlink(missing_ok=True)
        link.symlink_to(target)
    except OSError as error:
        raise LinkError(
            f"cannot make the link {link}: {error.strerror}; choose a folder you may write to"
        ) from error


BOARD_ID: Final = 2

_REPLY_AFTER_S: Final = 0.004
_JITTER_S: Final = 0.002
_TEMPLATES: Final = ("mock-rtu.yaml", "mock-tcp.yaml")
_LOOP_TEMPLATE: Final = "mock-loop-tcp.yaml"
"""For a unit whose vents stand outside it, with end switches: the bench plays them."""
# Where the shipped bench files say that the mock listens; a stand elsewhere writes its own copies.
_SHIPPED: Final = {
    "unit_rtu": "/tmp/ventproof/unit",  # noqa: S108 - a name for people to type, made and checked by serve_pty
    "frames": "/tmp/ventproof/frames",  # noqa: S108 - as above
    "unit_tcp": "15020",
    "scpi": "socket://127.0.0.1:15025",
    "lines": "rfc2217://127.0.0.1:15026",
}


@final
@dataclass(frozen=True, slots=True)
class Stand:
    """Where the mock unit and its relay boards listen.

    Attributes:
        unit: the unit itself; it knows its true trajectories.
        places: addresses, by what listens there.
        bench_files: bench files for them, written beside the pseudo-terminals.
    """

    unit: MockUnit
    places: dict[str, str]
    bench_files: tuple[Path, ...]


async def serve(settings: MockSettings, folder: Path, stack: AsyncExitStack, *, seed: int = 0) -> Stand:
    """Serve until `stack` is closed.

    The unit listens on a pseudo-terminal (RTU, together with the coil board as a second unit on the line) and on TCP;
    the frames board on a pseudo-terminal; the SCPI switch on TCP; the control lines by RFC 2217. Where vents
    stand outside the unit, the module at its drive terminals answers wherever the unit does. The boards' first
    relays are wired in parallel to the unit's rain terminal. The coil board's second relay has the unit's supply on
    its normally closed contact, its third the cups, its fourth the bucket, and it
    has a communication watchdog; the SCPI switch's second channel is wired to the cups too and its third to the
    bucket; what the unit lacks is not wired.

    Args:
        settings: of the unit.
        folder: for the links to the pseudo-terminals and for the bench files; it is made if need be.
        stack: holds what is served open.
        seed: for the unit's faults and for the jitter of its replies.

    Raises:
        LinkError: something cannot be served.
    """
    await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
    stack.enter_context(alone_in(folder))
    unit = build(settings, start_s=now_s(), seed=seed)

    def contact(name: str) -> Callable[[bool], None]:
        return lambda closed: unit.set_contact(name, now_s(), closed=closed)

    def answer(framing: str) -> Responder:
        devices = devices_of(unit) | ({BOARD_ID: coils} if framing == "rtu" else {})
        return Responder(framing, devices, reply_after_s=_REPLY_AFTER_S, jitter_s=_JITTER_S, seed=seed)  # type: ignore[arg-type]

    def put_supply(energised: bool) -> None:  # noqa: FBT001 - a relay has two states
        unit.set_contact("supply", now_s(), closed=not energised)

    def contact_if_any(name: str) -> Callable[[bool], None]:
        return contact(name) if name in unit.contacts else lambda _: None

    relays = {0: contact("rain"), 1: put_supply, 2: contact_if_any("cups"), 3: contact_if_any("bucket")}
    coils = WatchedBoard(CoilBoard(relays), coils=len(relays))
    frames = FramesBoard({1: contact("rain_2")})
    scpi = ScpiBoard({1: contact("rain_4"), 2: contact_if_any("cups"), 3: contact_if_any("bucket")})
    enter = stack.enter_async_context
    places = {
        "unit_rtu": await enter(serve_pty(answer("rtu"), link=folder / "unit")),
        "unit_tcp": f"127.0.0.1:{await enter(serve_tcp(lambda: answer('tcp')))}",
        "frames": await enter(serve_pty(frames, link=folder / "frames")),
        "scpi": f"socket://127.0.0.1:{await enter(serve_tcp(lambda: scpi))}",
        "lines": await enter(serve_control_lines({"rts": contact("rain_3")})),
    }
    return Stand(unit, places, await asyncio.to_thread(_write_bench_files, folder, places, settings))


def _templates(settings: MockSettings) -> Sequence[str]:
    drives = [group.drive for group in settings.vents.values()]
    played = all(drive is not None and drive.feedback == "end-switches" for drive in drives)
    return (*_TEMPLATES, _LOOP_TEMPLATE) if played else _TEMPLATES


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Hold a folder against a second stand, which would take its names over."""
    with (folder / ".served").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise LinkError(
                f"{folder} is served by another `ventproof mock` already; choose another folder with --out"
            ) from error
        yield


def _write_bench_files(folder: Path, places: dict[str, str], settings: MockSettings) -> tuple[Path, ...]:
    written = []
    for name in _templates(settings):
        text = (shipped_folder("ventproof_bench", "files", checkout="../files") / name).read_text(
            encoding="utf-8"
        )
        for what, shipped in _SHIPPED.items():
            text = text.replace(shipped, places[what].removeprefix("127.0.0.1:"))
        path = folder / name.replace("mock-", "bench-")
        path.write_text(text, encoding="utf-8")
        written.append(path)
    return tuple(written)
