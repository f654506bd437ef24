"""Client and messages.

Edges on time and safe outputs both need a process of their own: a busy interpreter delays a thread's edges,
and a dead or stopped one makes nothing safe. `ventproof_bench.outputs.line_process` is the other end.
"""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
import tempfile
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, Literal, final

from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import BenchError, DriverError, LinkError, StimulusError
from ventproof_bench.base.evidence import BoardStarved, DrivenOutput, EdgeReport, FoundSetting, Window
from ventproof_bench.benchfile.model import RegisterOutput
from ventproof_bench.outputs.messages import (
    Message,
    Messages,
    pack,
    pack_edges,
    pack_request,
    unpack_done,
    unpack_error,
    unpack_evidence,
    unpack_reply,
    unpack_reports,
)
from ventproof_bench.outputs.parts import OtherProcess, carried_buses
from ventproof_bench.outputs.standby import RESCUE_S

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path
    from typing import NoReturn

    from ventproof_bench.base.protocols import EvidenceSink, PartCondition, ReadRequest, Reply, VentPart
    from ventproof_bench.benchfile.model import BenchFile


HEARTBEAT_S: Final = 0.1
"""The harness is heard at least this often while its loop runs."""

_START_WITHIN_S: Final = 20.0  # a loaded machine imports slowly
_LEAVE_WITHIN_S: Final = 3.0
_SPEAKS_WITHIN_S: Final = 1.0  # a standby that lives has noticed by then that the line process is gone


@final
class _Standby(asyncio.Protocol):
    """What the standby of a line process says.

    Attributes:
        outcome: why the outputs may not be safe once the line process is gone; empty when they are, None where the
            standby cannot tell, being gone itself.
        heard: set whenever it says something.
    """

    def __init__(self, tell: Callable[[Message], None], takes_over: Callable[[str], None]) -> None:
        self.stands_by: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.outcome: asyncio.Future[str | None] = asyncio.get_running_loop().create_future()
        self._tell = tell
        self._takes_over = takes_over
        self._heard = asyncio.Event()
        self._messages = Messages(self._take)
        self._process: OtherProcess | None = None
        self._transport: asyncio.Transport | None = None

    def close(self) -> None:
        """Hear no more of it: it ends by itself, after the line process."""
        if self._transport is not None:
            self._transport.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._messages.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - either way it is gone
        _settle(self.stands_by, None)
        _settle(self.outcome, None)

    def _take(self, message: Message) -> None:
        if "stands_by" in message:
            self._process = OtherProcess(message["stands_by"])
            _settle(self.stands_by, None)
            return
        self._heard.set()
        if "takes_over" in message:
            self._takes_over(message["takes_over"])
        elif "driven" in message:
            self._tell(message)
        elif "safe" in message:
            _settle(self.outcome, "" if message["safe"] else None)
        elif "unsafe" in message:
            _settle(self.outcome, message["unsafe"])

    async def until_safe(self) -> str | None:
        """Wait until it says what became of the outputs of a line process that is gone; returns `outcome`.

        One that says nothing for a second, or does not come to an end, is ended: another must not drive beside it.
        """
        with suppress(TimeoutError):
            async with asyncio.timeout(_SPEAKS_WITHIN_S) as patience:
                await asyncio.wait(
                    (self.outcome, asyncio.ensure_future(self._heard.wait())),
                    return_when=asyncio.FIRST_COMPLETED,
                )
                patience.reschedule(now_s() + 2 * RESCUE_S + _SPEAKS_WITHIN_S)
                return await asyncio.shield(self.outcome)
        if self._process is not None:
            self._process.kill()
        return None


def _settle(future: asyncio.Future[Any], result: object) -> None:
    if not future.done():
        future.set_result(result)


@final
class _Line(asyncio.Protocol):
    """One line process, its standby, and the sockets to both.

    Args:
        file: the bench.
        outputs: is told what they say.
    """

    def __init__(self, file: BenchFile, outputs: LineOutputs) -> None:
        self.lost: str | None = None
        self.longest_silence_s = 0.0
        self.standby = _Standby(outputs.take, self._lose)
        self._file = file
        self._outputs = outputs
        self._heard_s = now_s()
        # Twice the limit: a line process that hangs has by then missed its own look at the harness, too.
        self._missed_beats = 2 * file.heartbeat_limit / HEARTBEAT_S
        self._messages = Messages(self._take)
        self._waiting: dict[int, asyncio.Future[Any]] = {}
        self._asked = 0
        self._unanswered = 0
        self._ready = asyncio.get_running_loop().create_future()
        self._beating: asyncio.TimerHandle | None = None
        self._transport: asyncio.Transport | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._stderr = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process

    async def start(self) -> None:
        """Start the process and wait until it listens.

        Raises:
            LinkError: it does not come up.
        """
        pairs = [socket.socketpair(), socket.socketpair()]
        theirs = [pair[1] for pair in pairs]
        with tempfile.TemporaryFile() as bench:
            bench.write(self._file.model_dump_json(exclude_unset=True).encode())
            bench.seek(0)
            self._process = subprocess.Popen(  # noqa: ASYNC220, S603 - a few ms; our own module
                [
                    sys.executable,
                    "-m",
                    "ventproof_bench.outputs.line_process",
                    *(str(end.fileno()) for end in theirs),
                ],
                pass_fds=[end.fileno() for end in theirs],
                start_new_session=True,  # a kill of the harness's whole group must not reach the guard
                stdin=bench,
                stdout=subprocess.DEVNULL,
                stderr=self._stderr,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            )
        # Our copies of its ends: while they are open here, the process's death would not show as an end of file.
        for end in theirs:
            end.close()
        loop = asyncio.get_running_loop()
        await loop.create_unix_connection(lambda: self, sock=pairs[0][0])
        await loop.create_unix_connection(lambda: self.standby, sock=pairs[1][0])
        try:
            async with asyncio.timeout(_START_WITHIN_S):
                await asyncio.shield(self._ready)
                await asyncio.shield(self.standby.stands_by)
        except TimeoutError:
            self._lose(f"it did not start within {_START_WITHIN_S:g} s")
        if self.lost is not None:
            raise LinkError(self.lost)
        self._beat()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Hand answers to who waits for them."""
        # Whatever comes shows that it lives, not the answer to a beat alone.
        self._unanswered, self._heard_s = 0, now_s()
        self._messages.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """The process is gone: whoever waits learns it at once."""
        if exc is not None and self._transport is not None:
            # A write that fails comes before what is still to be read: the process's last words.
            with suppress(OSError):
                self._messages.feed(os.read(self._transport.get_extra_info("socket").fileno(), 1 << 20))
        self._lose("it died" if exc is None else f"it died ({exc})")

    def _take(self, message: Message) -> None:
        if "ready" in message:
            self._ready.set_result(None)
        elif "leaves" in message:
            self._heard_s = message["since_s"]
            self._lose(message["leaves"])
        elif "beat" in message:
            self.longest_silence_s = message["beat"]
        elif "id" in message:
            self._answered(message)
        else:
            self._outputs.take(message)

    def _answered(self, message: Message) -> None:
        waiting = self._waiting.pop(message["id"], None)
        if waiting is None or waiting.done():
            return
        if "error" in message:
            waiting.set_exception(unpack_error(message["error"]))
        else:
            waiting.set_result(message["result"])

    def _beat(self) -> None:
        """Say that the harness lives. Counted, not timed: a harness that was busy blames nobody."""
        assert self._transport is not None
        if self._unanswered >= self._missed_beats:
            self._lose("it hangs")
            return
        self._unanswered += 1
        self._transport.write(b'{"beat":1}\n')
        self._beating = asyncio.get_running_loop().call_later(HEARTBEAT_S, self._beat)

    def _lose(self, reason: str, *, leaving: bool = False) -> None:
        if self.lost is not None:
            return
        self.lost = f"the line process, which owns the outputs, is lost: {reason}{self._last_words()}"
        if self._beating is not None:
            self._beating.cancel()
        if not leaving:
            # First: whatever else fails by it is no news.
            self._outputs.broke(StimulusError(self.lost, since_s=self._heard_s))
        # Whoever waits in `start` is woken, and looks at `lost` next.
        if not self._ready.done():
            self._ready.set_result(None)
        waiting, self._waiting = self._waiting, {}
        for future in waiting.values():
            if not future.done():
                future.set_exception(LinkError(self.lost))

    def _last_words(self) -> str:
        if self._stderr.closed:
            return ""
        said = os.pread(self._stderr.fileno(), 65536, 0)  # the process shares the file's position
        lines = said.decode("utf-8", "replace").strip().splitlines()
        return f" ({lines[-1]})" if lines else ""

    async def ask(self, op: str, **fields: Any) -> Any:  # noqa: ANN401 - whatever the op gives back
        """Have the process do something.

        Raises:
            LinkError: the process is lost.
            BenchError: what it ran into, as it raised it.
        """
        if self.lost is not None or self._transport is None:
            raise LinkError(self.lost or "the line process, which owns the outputs, was not started")
        self._asked += 1
        answer = self._waiting[self._asked] = asyncio.get_running_loop().create_future()
        number = self._asked
        self._transport.write(pack({"id": number, "op": op, **fields}))
        try:
            return await answer
        except asyncio.CancelledError:
            if self.lost is None:
                self._transport.write(pack({"cancel": number}))
            raise
        finally:
            self._waiting.pop(number, None)

    async def leave(self) -> None:
        """Let go of the process: it makes its outputs safe when the socket closes, and ends."""
        # Before the socket closes, so that its end is not told as a death.
        self._lose("it was closed", leaving=True)
        if self._transport is not None:
            self._transport.abort()
        process, deadline_s = self._process, now_s() + _LEAVE_WITHIN_S
        if process is None:
            return
        while process.poll() is None:
            # It was given time to make safe; one that hangs would hold its ports for ever.
            if now_s() > deadline_s:
                process.kill()
                deadline_s = now_s() + _LEAVE_WITHIN_S
            await sleep_until(now_s() + 0.005)
        self.standby.close()
        self._stderr.close()

    def kill(self) -> None:
        """End a process that hangs, stopped or not; it makes nothing safe any more."""
        if self._process is not None:
            with suppress(ProcessLookupError):
                self._process.kill()


@final
class LineOutputs:
    """Implements `ventproof_bench.base.protocols.Outputs` through a line process.

    Args:
        file: the bench; its outputs, and the buses that carry them, live in the line process from `open` on.
        ledger: where the operations of relays are added up; None: nowhere.

    Attributes:
        buses: the buses that the line process owns, for whoever polls them.
        notes: what the record should say of the outputs; complete once they are open.
        shared: whether others could move a relay of the bench, over a network, or its board; known once open.
        tell: takes what was found of the unit's settings and what was driven of the bench's own accord.
        driven: whether an output was commanded, or may have been.
        broke: takes why the run cannot go on, as it happens.
        longest_silence_s: how long the line process heard nothing of the harness at most; known once they are closed.
    """

    def __init__(self, file: BenchFile, ledger: Path | None = None) -> None:
        self._ledger = ledger
        self.buses: Mapping[str, LineBus] = {name: LineBus(name, self) for name in carried_buses(file)}
        self.notes: list[str] = []
        self.shared = False
        self.tell: Callable[[FoundSetting | DrivenOutput], None] = lambda _: None
        self.driven = False
        self._file = file
        self._line: _Line | None = None
        self.broke: Callable[[BenchError], None] = lambda _: None
        self.longest_silence_s = 0.0
        self._sink: EvidenceSink | None = None
        # What a second process must know, should the first and its standby be lost: what was found, and what may have
        # been written.
        self._found: dict[str, Sequence[int]] = {}
        self._owed: set[str] = set()

    async def open(self) -> None:
        """Start the line process; it opens ports and shared buses, reads settings, and drives all else to safe.

        Raises:
            LinkError: the process, a port or a bus cannot be opened.
            DriverError: hardware does not answer, or cannot be made safe.
        """
        line = _Line(self._file, self)
        try:
            await line.start()
            opened = await self._opened(line)
        except BaseException:
            await line.leave()
            raise
        self._line = line  # only now: nobody may ask it anything before its buses and outputs are there
        self.shared = opened["shared"]
        self.notes += (note for note in opened["notes"] if note not in self.notes)

    async def _opened(self, line: _Line) -> Message:
        """Have the process open the bench; where it does not answer, it may have driven outputs already."""
        try:
            ledger = str(self._ledger.absolute()) if self._ledger else None
            opened: Message = await line.ask("open", ledger=ledger)
        except BaseException as error:
            self.driven |= line.lost is not None or not isinstance(error, BenchError)
            raise
        self.driven = True
        return opened

    def take(self, message: Message) -> None:
        """Take what is told of the outputs; for this module's own use."""
        if "found" in message or "driven" in message:
            self._told(unpack_done(message))
        elif "broke" in message:
            self.broke(unpack_error(message["broke"]))
        elif "note" in message:
            self.notes.append(message["note"])
        elif self._sink is not None:  # what was on its way when the playing ended is no evidence any more
            self._sink(unpack_evidence(message))

    def _told(self, done: FoundSetting | DrivenOutput) -> None:
        if isinstance(done, FoundSetting):
            self._found[done.output] = done.words
        else:
            self.driven = True
            if not done.trouble:
                self._owed.discard(done.output)
        self.tell(done)

    @property
    def lost(self) -> str | None:
        """Why the line process is lost, or None while it lives."""
        return None if self._line is None else self._line.lost

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open now; the window holds the electrical edge, bounce included."""
        return Window(*await self.ask("contact", name=name, closed=closed))

    async def train(self, name: str, edges: Sequence[Edge], *, start_s: float) -> list[EdgeReport]:
        """Play edges at absolute deadlines, as `ventproof_bench.outputs.outputs.LocalOutputs.train` does."""
        return unpack_reports(await self.ask("train", name=name, edges=pack_edges(edges), start_s=start_s))

    async def stop(self, name: str, *, from_s: float | None = None) -> None:
        """End an output's trains, as `ventproof_bench.outputs.outputs.LocalOutputs.stop` does."""
        await self.ask("stop", name=name, from_s=from_s)

    async def level(self, name: str, value: float) -> Window:
        """Set a level output, or a setting of the unit, as `LocalOutputs.level` does."""
        if isinstance(self._file.outputs.get(name), RegisterOutput):
            self._owed.add(name)
        return Window(*await self.ask("level", name=name, value=value))

    async def look(self) -> None:
        """Look whether the relays that others could move are as they were left, as `LocalOutputs.look` does."""
        await self.ask("look")

    async def play(self, sink: EvidenceSink) -> NoReturn:
        """Have the vents played, as `LocalOutputs.play` does."""
        self._sink = sink
        try:
            await self.ask("play")
        finally:
            self._sink = None
        raise LinkError("the vents are played no more")

    async def condition(self, vent: str, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of a played vent, as `LocalOutputs.condition` does."""
        return Window(*await self.ask("condition", vent=vent, parts=parts))

    async def starve(self, board: str, contact: str | None) -> BoardStarved:
        """Feed a board no longer for once, as `LocalOutputs.starve` does."""
        return BoardStarved(**await self.ask("starve", board=board, contact=contact))

    async def make_safe(self, *, vents_play_on: bool = False, patience_s: float = 0.0) -> None:
        """Drive outputs to their safe states and put back settings; by the standby, should the line process be lost.

        Raises:
            DriverError: an output cannot be made safe; every one was tried.
            LinkError: no line process could make the outputs safe.
        """
        if self._line is None:
            return
        try:
            await self._line.ask("make_safe", vents_play_on=vents_play_on, patience_s=patience_s)
        except LinkError:
            if self._line.lost is None:
                raise
            await self._make_safe_anew()

    async def close(self) -> None:
        """Make safe, let go of every port and bus, and end the process; safe to call twice."""
        if self._line is None:
            return
        line = self._line
        self.longest_silence_s = line.longest_silence_s
        silence = f"the harness was silent for {line.longest_silence_s:.2f} s at most"
        self.notes.append(
            f"{silence}; after {self._file.heartbeat_limit:g} s the outputs would have been made safe"
        )
        try:
            await line.ask("close")
        except LinkError:
            if line.lost is None:
                raise
            await self._make_safe_anew()
        finally:
            self._line = None
            await line.leave()

    async def _make_safe_anew(self) -> None:
        """Have the standby make safe, or a second line process where that is lost, too."""
        lost, self._line = self._line, None
        if lost is None:
            return
        # Not asked: one that hangs holds the ports that the next one has to open.
        lost.kill()
        unsafe = await lost.standby.until_safe()
        await lost.leave()
        if unsafe:
            raise DriverError(f"the standby could not make the outputs safe: {unsafe}")
        if unsafe == "":
            self.notes.append(f"{lost.lost}; the outputs were made safe by it or its standby")
            return
        self.notes.append(f"{lost.lost}; a second one made the outputs safe")
        try:
            await self._rescue()
        except BenchError:
            self.notes[-1] = f"{lost.lost}; a second one could not make the outputs safe"
            raise

    async def _rescue(self) -> None:
        owed = {name: self._found.get(name, ()) for name in self._owed}
        second = _Line(self._file, self)
        try:
            await second.start()
            await second.ask("rescue", owed=owed)
        finally:
            await second.leave()

    async def ask(self, op: str, **fields: Any) -> Any:  # noqa: ANN401 - whatever the op gives back
        """Have the line process do something; for this module's own use.

        Raises:
            LinkError: the process is lost, or not started.
        """
        if self._line is None:
            raise LinkError("the outputs are not open")
        return await self._line.ask(op, **fields)


@final
class LineBus:
    """A `base.protocols.Bus` that the line process owns, because it carries outputs."""

    def __init__(self, name: str, outputs: LineOutputs) -> None:
        self.name = name
        self._outputs = outputs

    async def open(self) -> None:
        """Connect again after a fault; the first time the outputs do it."""
        await self._outputs.ask("bus_open", bus=self.name)

    async def close(self) -> None:
        """Disconnect; nothing to do once the outputs are closed."""
        with suppress(LinkError):
            await self._outputs.ask("bus_close", bus=self.name)

    async def read(self, request: ReadRequest) -> Reply:
        """Read once, behind waiting writes."""
        return unpack_reply(await self._outputs.ask("read", bus=self.name, request=pack_request(request)))

    async def write(
        self, unit_id: int, table: Literal["coil", "holding"], address: int, words: Sequence[int]
    ) -> Reply:
        """Write, ahead of waiting reads."""
        place = {"unit_id": unit_id, "table": table, "address": address, "words": list(words)}
        return unpack_reply(await self._outputs.ask("write", bus=self.name, **place))
