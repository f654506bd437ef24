"""Real wires for the mock's peers: TCP connections and pseudo-terminals, with each reply at its time."""

from __future__ import annotations

import asyncio
import os
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Final, cast, final

from bench.errors import LinkError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from bench.interfaces import Peer

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

    def __init__(self, peer: Peer) -> None:
        import tty  # noqa: PLC0415 - not on every system; TCP needs none of it

        self._loop = asyncio.get_running_loop()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._replies = _Replies(peer, self._send)
        self._loop.add_reader(self._master, self._heard)

    def _heard(self) -> None:
        try:
            self._replies.heard(os.read(self._master, _PIECE))
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


@asynccontextmanager
async def serve_pty(peer: Peer, *, link: Path | None = None) -> AsyncIterator[str]:
    """Serve a pseudo-terminal; yields the path that a serial client opens.

    Args:
        peer: who answers.
        link: a stable name for the terminal: a symbolic link there is made anew, and removed in the end.

    Raises:
        LinkError: the link cannot be made.
    """
    terminal = _Terminal(peer)
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
