"""Client and messages.

Edges on time and safe outputs both need a process of their own: a busy interpreter delays a thread's edges,
and a dead or stopped one makes nothing safe. `ventproof_bench.outputs.line_process` is the other end.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final, Literal, final

from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.errors import (
    BenchError,
    BusFault,
    DriverError,
    EvidenceError,
    InterlockError,
    LimitError,
    LinkError,
    VentproofError,
)
from ventproof_bench.base.evidence import (
    BoardStarved,
    DrivenOutput,
    Edge,
    EdgeReport,
    FoundSetting,
    Gap,
    Poll,
    Unread,
    Window,
)
from ventproof_bench.base.protocols import ReadRequest, Reply
from ventproof_bench.benchfile.model import RegisterOutput
from ventproof_bench.outputs.vents import commanding_buses

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path
    from typing import NoReturn

    from ventproof_bench.base.protocols import EvidenceSink, PartCondition, ReadRequest, Reply, VentPart
    from ventproof_bench.benchfile.model import BenchFile


HEARTBEAT_S: Final = 0.1
"""The harness is heard at least this often while its loop runs."""

WINDOW_S: Final = 0.5
"""The line process makes its outputs safe when it has not heard of the harness for this long."""

# Twice the window: a line process that hangs has by then missed its own look at the harness, too.
MISSED_BEATS: Final = 10
"""Beats in a row that the line process may leave unanswered before it is taken to hang."""

_ERRORS: Final = {
    kind.__name__: kind
    for kind in (BenchError, DriverError, EvidenceError, InterlockError, LimitError, LinkError)
}

Message = dict[str, Any]


@final
class Messages:
    """Takes bytes as they come and hands on whole messages."""

    def __init__(self, take: Callable[[Message], None]) -> None:
        self._take = take
        self._rest = b""

    def feed(self, data: bytes) -> None:
        """Take bytes; calls back once a message."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            self._take(json.loads(line))


def pack(message: Message) -> bytes:
    """Return a message as it goes over the socket. Floats come back exactly as they were."""
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"


def pack_error(error: VentproofError) -> Message:
    """Return an error as a message's field."""
    packed: Message = {"class": type(error).__name__, "text": str(error)}
    if isinstance(error, BusFault):
        times = {"requested_s": error.requested_s, "ended_s": error.ended_s, "doubtful_s": error.doubtful_s}
        packed |= {"kind": error.kind, **times}
    return packed


def unpack_error(packed: Message) -> BenchError:
    """Return the error again, of the same class."""
    if packed["class"] == BusFault.__name__:
        return BusFault(
            packed["kind"],
            packed["text"],
            requested_s=packed["requested_s"],
            ended_s=packed["ended_s"],
            doubtful_s=packed["doubtful_s"],
        )
    return _ERRORS.get(packed["class"], BenchError)(packed["text"])


def pack_window(window: Window) -> list[float]:
    """Return a window as JSON takes it."""
    return [window.earliest_s, window.latest_s]


def pack_edges(edges: Iterable[Edge]) -> list[list[float | bool]]:
    """Return an edge plan as JSON takes it."""
    return [[edge.at_s, edge.closed] for edge in edges]


def unpack_edges(packed: Iterable[list[Any]]) -> list[Edge]:
    """Return the edge plan again."""
    return [Edge(at_s, closed) for at_s, closed in packed]


def pack_reports(reports: Iterable[EdgeReport]) -> list[list[Any]]:
    """Return edge reports as JSON takes them."""
    return [[r.closed, r.due_s, None if r.window is None else pack_window(r.window)] for r in reports]


def unpack_reports(packed: Iterable[list[Any]]) -> list[EdgeReport]:
    """Return the edge reports again."""
    return [EdgeReport(closed, due_s, None if w is None else Window(*w)) for closed, due_s, w in packed]


def pack_reply(reply: Reply) -> list[Any]:
    """Return a bus's reply as JSON takes it."""
    return [list(reply.words), reply.requested_s, reply.replied_s]


def unpack_reply(packed: list[Any]) -> Reply:
    """Return the bus's reply again."""
    words, requested_s, replied_s = packed
    return Reply(tuple(words), requested_s, replied_s)


def pack_done(done: FoundSetting | DrivenOutput) -> Message:
    """Return the message that tells what was found or driven."""
    return {"found" if isinstance(done, FoundSetting) else "driven": asdict(done)}


def unpack_done(message: Message) -> FoundSetting | DrivenOutput:
    """Return what was found or driven again."""
    found = "found" in message
    fields = message["found" if found else "driven"]
    told = {"window": Window(**fields["window"]), "words": tuple(fields["words"])}
    return FoundSetting(**fields | told) if found else DrivenOutput(**fields | told)


def pack_evidence(evidence: Poll | Gap) -> Message:
    """Return the message that hands on what was read, or was not."""
    return {"poll" if isinstance(evidence, Poll) else "gap": asdict(evidence)}


def unpack_evidence(message: Message) -> Poll | Gap:
    """Return what was read, or was not, again."""
    if "gap" in message:
        return Gap(**message["gap"])
    fields = message["poll"]
    unread = tuple(Unread(**one) for one in fields["unread"])
    return Poll(**fields | {"words": tuple(fields["words"]), "unread": unread})


def pack_request(request: ReadRequest) -> list[Any]:
    """Return a read request as JSON takes it."""
    return [request.unit_id, request.table, request.address, request.count]


_START_WITHIN_S: Final = 20.0  # a loaded machine imports slowly
_LEAVE_WITHIN_S: Final = 3.0
_SECOND_TRY_S: Final = 0.5


def carried_buses(file: BenchFile) -> tuple[str, ...]:
    """Return the buses that carry outputs or command vents that are played, in the file's order.

    The line process owns them, polls too.
    """
    named = {output.wired.get("bus") for output in file.outputs.values()} | commanding_buses(file)
    return tuple(name for name in file.buses if name in named)


@final
class _Line(asyncio.Protocol):
    """One line process and the socket to it."""

    def __init__(self, tell: Callable[[FoundSetting | DrivenOutput], None], saw: EvidenceSink) -> None:
        self.lost: str | None = None
        self._tell = tell
        self._saw = saw
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
        ours, theirs = socket.socketpair()
        # Our copy of its end is closed: while it is open here, the process's death would not show as an end of file.
        with theirs:
            self._process = subprocess.Popen(  # noqa: ASYNC220, S603 - a few ms; our own module
                [sys.executable, "-m", "ventproof_bench.outputs.line_process", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                start_new_session=True,  # a kill of the harness's whole group must not reach the guard
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=self._stderr,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            )
        await asyncio.get_running_loop().create_unix_connection(lambda: self, sock=ours)
        try:
            async with asyncio.timeout(_START_WITHIN_S):
                await asyncio.shield(self._ready)
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
        self._unanswered = 0
        self._messages.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """The process is gone: whoever waits learns it at once."""
        self._lose("it died" if exc is None else f"it died ({exc})")

    def _take(self, message: Message) -> None:
        if "ready" in message:
            self._ready.set_result(None)
        elif "leaves" in message:
            self._lose(message["leaves"])
        elif "found" in message or "driven" in message:
            self._tell(unpack_done(message))
        elif "poll" in message or "gap" in message:
            self._saw(unpack_evidence(message))
        elif "id" in message:
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
        if self._unanswered >= MISSED_BEATS:
            self._lose("it hangs")
            return
        self._unanswered += 1
        self._transport.write(b'{"beat":1}\n')
        self._beating = asyncio.get_running_loop().call_later(HEARTBEAT_S, self._beat)

    def _lose(self, reason: str) -> None:
        if self.lost is not None:
            return
        self.lost = f"the line process, which owns the outputs, is lost: {reason}{self._last_words()}"
        if self._beating is not None:
            self._beating.cancel()
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
        self._lose("it was closed")
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
        self._sink: EvidenceSink | None = None
        # What a second process must know, should the first be lost: what was found, and what may have been written.
        self._found: dict[str, Sequence[int]] = {}
        self._owed: set[str] = set()

    async def open(self) -> None:
        """Start the line process; it opens ports and shared buses, reads settings, and drives all else to safe.

        Raises:
            LinkError: the process, a port or a bus cannot be opened.
            DriverError: hardware does not answer, or cannot be made safe.
        """
        await self._open(None)

    async def _open(self, owed: Mapping[str, Sequence[int]] | None) -> None:
        line = _Line(self._told, self._saw)
        try:
            await line.start()
            file = self._file.model_dump_json(exclude_unset=True)
            opened = await self._opened(line, file, owed)
        except BaseException:
            await line.leave()
            raise
        self._line = line  # only now: nobody may ask it anything before its buses and outputs are there
        self.shared = opened["shared"]
        self.notes += (note for note in opened["notes"] if note not in self.notes)

    async def _opened(self, line: _Line, file: str, owed: Mapping[str, Sequence[int]] | None) -> Message:
        """Have the process open the bench; where it does not answer, it may have driven outputs already."""
        try:
            ledger = str(self._ledger.absolute()) if self._ledger else None
            opened: Message = await line.ask("open", file=file, owed=owed, ledger=ledger)
        except BaseException as error:
            self.driven |= line.lost is not None or not isinstance(error, BenchError)
            raise
        self.driven = True
        return opened

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

    def _saw(self, evidence: Poll | Gap) -> None:
        if self._sink is not None:  # what was on its way when that ended is no evidence any more
            self._sink(evidence)

    async def condition(self, vent: str, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of a played vent, as `LocalOutputs.condition` does."""
        return Window(*await self.ask("condition", vent=vent, parts=parts))

    async def starve(self, board: str, contact: str | None) -> BoardStarved:
        """Feed a board no longer for once, as `LocalOutputs.starve` does."""
        return BoardStarved(**await self.ask("starve", board=board, contact=contact))

    async def make_safe(self, *, vents_play_on: bool = False) -> None:
        """Drive outputs to their safe states and put back settings; by a new line process, should the first be lost.

        Raises:
            DriverError: an output cannot be made safe; every one was tried.
            LinkError: no line process could make the outputs safe.
        """
        if self._line is None:
            return
        try:
            await self._line.ask("make_safe", vents_play_on=vents_play_on)
        except LinkError:
            if self._line.lost is None:
                raise
            await self._make_safe_anew()

    async def close(self) -> None:
        """Make safe, let go of every port and bus, and end the process; safe to call twice."""
        if self._line is None:
            return
        line = self._line
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
        """Opening makes safe: a second process opens what the lost one held, and lets go of it."""
        lost, self._line = self._line, None
        if lost is None:
            return
        owed = {name: self._found.get(name, ()) for name in self._owed}
        # Not asked: one that hangs holds the ports that the second one has to open.
        lost.kill()
        await lost.leave()
        self.notes.append(f"{lost.lost}; a second one made the outputs safe")
        try:
            try:
                await self._open(owed)
            except BenchError:  # the first may still hold a port for a moment
                await asyncio.sleep(_SECOND_TRY_S)
                await self._open(owed)
        except BenchError:
            self.notes[-1] = f"{lost.lost}; a second one could not make the outputs safe"
            raise
        second = self._line
        self._line = None
        if second is not None:
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
