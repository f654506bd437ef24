"""The standby: a second guard that watches the line process, and makes its outputs safe where that was killed or hangs.

Two processes never drive. The standby has no port open until the line process is gone: it kills it first, and only a
process that has ended lets go of its end of the line between the two. One that was stopped can so not wake up and
drive again. A line process that has made its outputs safe says so before it leaves; then there is nothing to do.
"""

from __future__ import annotations

import asyncio
import os
import signal
import socket
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, final

from ventproof_bench.base.clock import now_s, wall_loop
from ventproof_bench.base.errors import BenchError
from ventproof_bench.outputs.messages import Message, Messages, pack, pack_done
from ventproof_bench.outputs.parts import OtherProcess, parts_of, raise_priority

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import NoReturn

    from ventproof_bench.benchfile.model import BenchFile


BEAT_S: Final = 0.05
"""The line process is heard at least this often while its loop runs."""

RESCUE_S: Final = 10.0
"""The standby tries for so long to reach and to read back what it made safe; then it leaves, and says so."""

_STOPPED_BEATS: Final = 4  # unheard, and the system says that it is stopped
_GONE_WITHIN_S: Final = (
    0.5  # a process that was killed ends; one in a driver's system call writes nothing new either
)


@final
class StandbyLine:
    """The line process's end of the line to its standby.

    Args:
        line: the socket.
    """

    def __init__(self, line: socket.socket) -> None:
        line.settimeout(0)
        self._line = line
        self._unsent = b""

    def beat(self) -> bool:
        """Let it hear of this process; returns whether it still listens."""
        # Not behind what it has no room for, being stopped: nothing else may be lost for want of it.
        return self._send(b"" if self._unsent else pack({"beat": 1}))

    def say(self, message: Message) -> None:
        """Say something, at once unless it has no room for it."""
        self._send(pack(message))

    def _send(self, data: bytes) -> bool:
        self._unsent += data
        try:
            self._unsent = self._unsent[self._line.send(self._unsent) :]
        except BlockingIOError:
            pass
        except OSError:
            self._unsent = b""
            return False
        return True


@final
class _Heard(asyncio.Protocol):
    """Takes messages from one socket, and says when it is closed."""

    def __init__(self, take: Callable[[Message], None]) -> None:
        self.closed = asyncio.Event()
        self._messages = Messages(take)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._messages.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - either way it is gone
        self.closed.set()

    def say(self, message: Message) -> None:
        """Send, if anybody is still there."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(pack(message))


@final
class _Standby:
    def __init__(self, file: BenchFile, line_process: OtherProcess) -> None:
        self.harness = _Heard(lambda _: None)
        self.line = _Heard(self._take)
        self._file = file
        self._process = line_process
        self._unheard = 0
        self._armed = self._left = False
        self._found: dict[str, Any] = {}
        self._owed: set[str] = set()

    def _take(self, message: Message) -> None:
        self._unheard = 0
        self._armed |= "armed" in message
        self._left |= "left" in message
        if "found" in message:
            self._found[message["found"]] = message["words"]
        elif "owed" in message:
            self._owed.add(message["owed"])
        elif "restored" in message:
            self._owed.discard(message["restored"])

    async def watch(self) -> None:
        """Watch the line process until it is gone; make safe what it did not."""
        reason = await self._until_gone()
        if self._left or not self._armed:
            # It said that all is safe; or it was never open, and so drove nothing away from its safe state.
            self.harness.say({"safe": self._left})
        else:
            await self._take_over(reason)

    async def _until_gone(self) -> str:
        """Wait until the line process is gone, is stopped, or hangs; returns which."""
        while not self.line.closed.is_set():
            # Looks are counted, and not time: a standby that was stopped or busy itself blames nobody.
            self._unheard += 1
            try:
                async with asyncio.timeout(BEAT_S):
                    await self.line.closed.wait()
            except TimeoutError:
                if self._unheard >= _STOPPED_BEATS and self._process.is_stopped():
                    return "it was stopped"
                if self._unheard * BEAT_S >= self._file.heartbeat_limit:
                    return "it hangs"
        return "it died"

    async def _take_over(self, reason: str) -> None:
        self.harness.say({"takes_over": reason})
        await self._end_line_process()
        outputs, buses = parts_of(self._file)
        outputs.tell = lambda done: self.harness.say(pack_done(done))
        owed = {name: self._found.get(name, ()) for name in self._owed}
        begun_s = now_s()
        try:
            async with asyncio.timeout(2 * RESCUE_S):  # a driver that hangs must not keep the process
                await outputs.rescue(owed, patience_s=RESCUE_S)
        except (BenchError, TimeoutError) as error:
            self.harness.say({"unsafe": f"{error or 'a driver hangs'}, tried for {now_s() - begun_s:.1f} s"})
        else:
            self.harness.say({"safe": True})
        for bus in buses.values():
            await bus.close()

    async def _end_line_process(self) -> None:
        self._process.kill()
        with suppress(TimeoutError):
            async with asyncio.timeout(_GONE_WITHIN_S):
                await self.line.closed.wait()


async def _stand_by(standby: _Standby, harness: socket.socket, line: socket.socket) -> None:
    loop = asyncio.get_running_loop()
    await loop.create_unix_connection(lambda: standby.harness, sock=harness)
    await loop.create_unix_connection(lambda: standby.line, sock=line)
    standby.harness.say({"stands_by": os.getpid()})
    await standby.watch()
    await asyncio.sleep(0)  # one turn, in which the socket takes the last word


def stand_by(file: BenchFile, harness: socket.socket, line: socket.socket, line_process: int) -> NoReturn:
    """Watch a line process until it is gone, in a process of its own, then end.

    Args:
        file: the bench.
        harness: is told what becomes of the outputs; it may be gone.
        line: what the line process says; its end is the line process's end.
        line_process: number of that process, which lives.
    """
    os.setsid()  # a kill of the line process's group must not reach it
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # it ends by itself, after the line process
    raise_priority()
    standby = _Standby(file, OtherProcess(line_process))
    with asyncio.Runner(loop_factory=wall_loop) as runner:
        runner.run(_stand_by(standby, harness, line))
        os._exit(0)  # outputs are safe; a driver's thread that hangs must not keep the process
