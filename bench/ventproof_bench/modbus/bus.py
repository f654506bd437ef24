"""One Modbus bus: one transaction at a time, stimuli ahead of polls, every reply its own request's."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field
from functools import lru_cache, partial
from math import inf
from typing import TYPE_CHECKING, Any, Final, Literal, NoReturn, final

from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from ventproof_bench.base.clock import leap, now_s
from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.protocols import ForeseeingPeer, ReadRequest, Reply
from ventproof_bench.benchfile.model import SerialBus
from ventproof_bench.modbus.link import (
    EXCEPTIONS,
    NOISE_BYTES,
    Expected,
    Link,
    belongs,
    complaint,
    expected_of_read,
    expected_of_write,
    framing_of,
    replies_in,
    where,
)
from ventproof_bench.modbus.register_map import broadcasts_at_zero
from ventproof_bench.modbus.traffic import silent_interval_s

if TYPE_CHECKING:
    from collections.abc import Coroutine, Sequence

    from pymodbus.pdu import ModbusPDU

    from ventproof_bench.base.errors import FaultKind
    from ventproof_bench.base.evidence import Foreseen
    from ventproof_bench.base.protocols import Peer
    from ventproof_bench.benchfile.model import BusSpec


# Unanswered in a row: a TCP connection to a unit that restarted may be dead at the far end.
_SILENT_REQUESTS: Final = 3
_QUIET_WAITS: Final = 5  # a line that was never quiet in this many quiet spans is not going to be
_READS: Final = {
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
}


def _read_of(request: ReadRequest) -> tuple[ModbusPDU, Expected]:
    """Return what asks for a read, and the reply that it calls for."""
    pdu = _READS[request.table](address=request.address, count=request.count, dev_id=request.unit_id)
    return pdu, expected_of_read(request)


@final
@dataclass(slots=True, eq=False)
class _Job:
    """One transaction, waiting or under way."""

    pdu: ModbusPDU
    expected: Expected
    reads: bool
    answered: asyncio.Future[Reply] = field(
        default_factory=lambda: asyncio.get_running_loop().create_future()
    )


@final
@dataclass(frozen=True, slots=True)
class _Alike:
    """Requests in a row whose replies look alike, each answered: the reply to one could pass for that to the next.

    Attributes:
        expected: how the replies look.
        since_s: when the first of them was sent.
    """

    expected: Expected
    since_s: float


@final
class _Silence:
    """While somebody holds it nothing is sent; as a lock, but it tells whether anybody has it or waits for it."""

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._wanted = 0

    @property
    def free(self) -> bool:
        """Whether it is there at once: a lock that was released is not, while somebody was woken to take it."""
        return not self._wanted

    async def acquire(self) -> None:
        """Take it; where it is free, without a turn of the loop."""
        self._wanted += 1
        try:
            await self._lock.acquire()
        except BaseException:
            self._wanted -= 1
            raise

    def release(self) -> None:
        """Let go of it."""
        self._lock.release()
        self._wanted -= 1

    async def __aenter__(self) -> None:
        await self.acquire()

    async def __aexit__(self, *_: object) -> None:
        self.release()


@final
class ModbusBus:
    """A Modbus bus over any link of the bench file. A `ventproof_bench.base.protocols.Bus`.

    A worker task carries out one transaction after another, so that a caller who is cancelled leaves its
    request to end in order and nothing behind that could answer the next. After a fault the line must be
    quiet for the bus's `quiet_s`, every byte heard restarting the wait, before anything else is sent or the
    fault is reported.

    On a serial line a reply too many, which a unit or a gateway gave twice or a fault kept back, may have answered the
    next request of the same shape, and the right one the next again; it is found when one is left over. Then every
    read is in doubt since requests last had another shape or were as far apart as the quiet span, which is at least the
    slowest answer, and a fault says so.

    Args:
        name: the bus's name in the bench file.
        spec: its declaration there.
        peer: the mock unit at the far end, for `link: in-process` only; its replies' delays are its own.

    Attributes:
        silence: while it is held nothing is sent; whoever gets it waits for the transaction under way.
    """

    def __init__(self, name: str, spec: BusSpec, *, peer: Peer | None = None) -> None:
        self.name = name
        self._spec = spec
        self._peer = peer
        self._foreseeing = peer if isinstance(peer, ForeseeingPeer) else None
        self._answers: dict[ReadRequest, tuple[tuple[int, ...], Foreseen]] = {}
        self._framing = framing_of(spec)
        self._silence_s = (
            silent_interval_s(spec.baud) if isinstance(spec, SerialBus) and spec.link == "rtu" else 0.0
        )
        self._silent = 0
        self._dirty = False
        self._alike: _Alike | None = None
        self._owed: Expected | None = None
        self._doubtful_s: dict[Expected, float] = {}
        self._read_of = lru_cache(maxsize=1024)(_read_of)  # one transaction at a time has its PDU
        self._link: Link | None = None
        self._worker: asyncio.Task[None] | None = None
        self._opening = asyncio.Lock()
        self._writes: deque[_Job] = deque()
        self._reads: deque[_Job] = deque()
        self._begun: tuple[_Job, Link] | None = None
        self._wake: asyncio.Future[None] | None = None
        self.silence = _Silence()
        self._lost = asyncio.Event()

    @property
    def lost(self) -> str:
        """Why the connection is gone; empty while it stands."""
        return self._link.lost if self._link is not None else "it was never opened"

    @property
    def good_s(self) -> float:
        """Loop time at which the connection surely stood: a byte came over it, or it was made."""
        return self._link.heard_s if self._link is not None else -inf

    async def until_lost(self) -> None:
        """Wait until the connection that was made last is gone."""
        await self._lost.wait()

    @property
    def notes(self) -> tuple[str, ...]:
        """What the record should say of this bus, known once it is open."""
        return tuple(f"bus {self.name}: {note}" for note in (self._link.notes if self._link else ()))

    async def open(self) -> None:
        """Connect; after a lost connection, connect again; nothing while the connection stands.

        Raises:
            LinkError: the port or host cannot be opened.
        """
        async with self._opening:
            if self._link is not None and not self._link.lost:
                return
            link = Link(self._spec, self._peer, self._lost.set)
            try:
                await link.connect()
            except LinkError as error:
                raise LinkError(f"bus {self.name}: {error}") from error
            self._link, self._silent, self._dirty = link, 0, False
            self._lost.clear()
            self._alike = self._owed = None
            if self._worker is None:
                self._worker = asyncio.get_running_loop().create_task(self._work(), name=f"bus {self.name}")

    async def close(self) -> None:
        """Refuse what is waiting, end the transaction under way, disconnect; safe to call twice.

        A transaction broken off could answer whoever opens the port next, so it is given its time.
        """
        async with self._opening:
            worker, self._worker = self._worker, None
            for job in (*self._writes, *self._reads):
                _settle(job, self._disconnected("it is being closed"))
            self._writes.clear()
            self._reads.clear()
            self._stir()
            if worker is not None:
                await asyncio.gather(worker, return_exceptions=True)
            if self._link is not None:
                self._link.hang_up("it was closed")

    async def read(self, request: ReadRequest) -> Reply:
        """Read once.

        Raises:
            BusFault: no usable reply.
            LinkError: `request` is addressed to every unit at once.
        """
        self._refuse_broadcast(request.unit_id)
        if (reply := self._foreseen_reply(request)) is not None:
            return reply
        reply = await self._queued(self._reads, _Job(*self._read_of(request), reads=True))
        if self._foreseeing is not None:
            self._remember(request, reply, self._foreseeing.foreseen(request.unit_id))
        return reply

    def _remember(self, request: ReadRequest, reply: Reply, foreseen: Foreseen | None) -> None:
        """Remember what will be answered again, if nothing changed between the request and the reply."""
        if foreseen is not None and foreseen.since_s <= reply.requested_s:
            self._answers[request] = reply.words, foreseen
        else:
            self._answers.pop(request, None)

    def _foreseen_reply(self, request: ReadRequest) -> Reply | None:
        """Return the reply of a mock that stands, once the time is over that it takes; None: it has to be asked."""
        if self._foreseeing is None or request not in self._answers:
            return None
        words, foreseen = self._answers[request]
        if self._foreseeing.foreseen(request.unit_id) is not foreseen:
            return None
        requested_s, link = now_s(), self._resting()
        if link is None or requested_s >= foreseen.until_s:
            return None
        if not leap(self._foreseeing.reply_s(requested_s) - requested_s):
            return None
        self._foreseeing.repeat(foreseen, requested_s)
        link.sent_s, link.heard_s = requested_s, now_s()
        return Reply(words, requested_s, link.heard_s)

    async def write(
        self, unit_id: int, table: Literal["coil", "holding"], address: int, words: Sequence[int]
    ) -> Reply:
        """Write coils or holding registers, ahead of waiting reads.

        An adapter that echoes answers a single write as well as a unit does: what counts is what is read
        back.

        Raises:
            BusFault: no usable reply; the write may have been carried out all the same.
            LinkError: it is addressed to every unit at once.
        """
        self._refuse_broadcast(unit_id)
        pdu = _write_pdu(unit_id, table, address, words)
        return await self._queued(
            self._writes, _Job(pdu, expected_of_write(unit_id, table, address, words), reads=False)
        )

    def _refuse_broadcast(self, unit_id: int) -> None:
        if unit_id == 0 and broadcasts_at_zero(self._spec):
            raise LinkError(
                f"bus {self.name}: unit_id 0 is every unit at once, and none answers; use 1 to 247"
            )

    async def _queued(self, queue: deque[_Job], job: _Job) -> Reply:
        if self._worker is None:
            raise self._disconnected()
        if (link := self._resting()) is not None:
            await self.silence.acquire()  # it is free: no turn of the loop
            self._begin(job, link)
        else:
            queue.append(job)
            self._stir()
        return await job.answered

    def _resting(self) -> Link | None:
        """Return the connection where a request may go out at once, the worker having nothing to do; else None.

        Over TCP alone: on a serial line each request waits until the line was silent.
        """
        link = self._link
        if self._framing != "tcp" or link is None or link.lost or self._dirty or not self.silence.free:
            return None
        waits = self._wake is not None and not self._wake.done()
        return link if waits and len(link.heard) <= NOISE_BYTES else None

    def _begin(self, job: _Job, link: Link) -> None:
        """Send a request; the worker sees it through, unless it is answered by now."""
        self._owed = job.expected
        try:
            over = link.begin(job.pdu, partial(self._take, job, link))
        except Exception as error:  # noqa: BLE001 - as the worker would tell it
            gone = isinstance(error, ConnectionException)
            _settle(job, self._disconnected(requested_s=link.sent_s) if gone else error)
            over, self._owed = True, None
        if over and self._owed is None:
            self.silence.release()
        else:
            self._begun = job, link
            self._stir()

    def _stir(self) -> None:
        if self._wake is not None and not self._wake.done():
            self._wake.set_result(None)

    async def _work(self) -> None:
        loop = asyncio.get_running_loop()
        while self._worker is not None or self._begun is not None:
            if self._begun is not None:
                (job, link), self._begun = self._begun, None
                try:
                    await self._see_through(job, self._over(link, link.ended()))
                finally:
                    self.silence.release()
                continue
            if not (self._writes or self._reads):
                self._wake = loop.create_future()
                await self._wake
                continue
            async with self.silence:
                if self._writes or self._reads:  # unless it was closed meanwhile
                    job = (self._writes or self._reads).popleft()
                    if not job.answered.done():  # given up while it waited
                        await self._see_through(job, self._transact(job))

    async def _see_through(self, job: _Job, transaction: Coroutine[Any, Any, None]) -> None:
        try:
            await transaction
        except BusFault as fault:
            _settle(job, self._in_doubt(job, fault))
        except Exception as error:  # noqa: BLE001 - a caller must never wait for a worker that died
            _settle(job, error)
        except asyncio.CancelledError:
            _settle(job, self._disconnected())
            raise

    async def _transact(self, job: _Job) -> None:
        link = self._link
        if link is None or link.lost:
            raise self._disconnected()
        began_s = now_s()
        if self._dirty or len(link.heard) > NOISE_BYTES:
            if not await self._quiet(link):
                text = "the line does not fall silent: noise, or another master talks on it"
                raise self._fault("mismatch", text, began_s)
        elif began_s - link.sent_s >= self._spec.quiet_s:
            self._alike = None  # the slowest answer to what was sent before has come
        if job.expected in self._doubtful_s:
            raise self._fault("mismatch", "a reply came that nothing had asked for", began_s)
        self._owed = job.expected
        asked = link.ask(job.pdu, partial(self._take, job, link), silence_s=self._silence_s)
        await self._over(link, asked)

    async def _over(self, link: Link, asked: Coroutine[Any, Any, None]) -> None:
        """Wait for the reply to a request that was sent; what was not its reply is a fault."""
        try:
            await asked
        except ConnectionException:
            raise self._disconnected(requested_s=link.sent_s) from None
        except ModbusException:
            await self._unanswered(link)
        if self._owed is not None:
            await self._give_up("mismatch", complaint(link.sent, bytes(link.heard)), link)

    def _take(self, job: _Job, link: Link, answer: ModbusPDU) -> None:
        """Settle a job whose reply came; what is not its reply leaves it owed."""
        self._silent = 0
        refused = answer.isError()
        expected = job.expected.refused if refused else job.expected
        if not belongs(self._framing, link.sent, expected, bytes(link.heard)):
            return
        link.heard.clear()
        self._owed = None
        # An exception looks like any other of its function: it is no sign that what was asked before is answered.
        if not refused and (self._alike is None or self._alike.expected != job.expected):
            self._alike = _Alike(job.expected, link.sent_s)
        if refused:
            meaning = EXCEPTIONS.get(answer.exception_code, "not defined by the standard")
            text = f"the unit refused with exception {answer.exception_code}, {meaning}"
            fault = self._fault("exception", text, link.sent_s, code=answer.exception_code)
            _settle(job, self._in_doubt(job, fault))
            return
        words = (answer.registers or answer.bits)[: job.pdu.count] if job.reads else ()
        _settle(job, Reply(tuple(map(int, words)), link.sent_s, link.heard_s))

    async def _unanswered(self, link: Link) -> NoReturn:
        if len(link.heard) > NOISE_BYTES:
            self._silent = 0
            text = complaint(link.sent, bytes(link.heard))
            text += f", and whether a reply needs more than {self._spec.timeout:g} s"
            await self._give_up("mismatch", text, link)
        self._silent += 1
        text = f"no reply within {self._spec.timeout:g} s"
        over_tcp = self._framing == "tcp" or self._spec.link == "rtu-over-tcp"
        hopeless = over_tcp and self._silent >= _SILENT_REQUESTS
        await self._give_up("timeout", text, link, hang_up=hopeless)

    async def _give_up(self, kind: FaultKind, text: str, link: Link, *, hang_up: bool = False) -> NoReturn:
        """Report a fault once the line is quiet, so that nothing late can answer the next request."""
        await self._quiet(link)
        if hang_up:
            link.hang_up(f"{text}, {self._silent} times in a row")
        raise self._fault(kind, text, link.sent_s)

    def _doubt(self, heard: bytes) -> None:
        """Doubt the reads of requests alike if more replies to them were heard than is owed."""
        alike = self._alike
        if self._framing != "tcp" and alike is not None:  # there each reply names its request
            owed = int(self._owed == alike.expected)
            if replies_in(self._framing, heard, alike.expected) > owed:
                self._doubtful_s.setdefault(alike.expected, alike.since_s)

    def _in_doubt(self, job: _Job, fault: BusFault) -> BusFault:
        """Return a fault that also says since when what its caller was given is in doubt, if it is."""
        since_s = self._doubtful_s.pop(job.expected, None)
        if since_s is None:
            return fault
        return BusFault(
            fault.kind,
            f"{fault}; more replies came than were asked for, and each since may be that to the request before",
            requested_s=fault.requested_s,
            ended_s=fault.ended_s,
            doubtful_s=since_s,
            code=fault.code,
        )

    async def _quiet(self, link: Link) -> bool:
        """Wait until nothing was heard for the quiet span; whether that came true in time."""
        self._dirty = True
        began_s = silent_since_s = now_s()
        while not link.lost:
            now = now_s()
            silent_since_s = max(silent_since_s, link.heard_s)
            if now >= silent_since_s + self._spec.quiet_s:
                self._dirty = False
                break
            if now - began_s >= _QUIET_WAITS * self._spec.quiet_s:
                break
            await asyncio.sleep(silent_since_s + self._spec.quiet_s - now)
        self._doubt(bytes(link.heard))
        link.forget()
        self._alike = self._owed = None
        return not self._dirty

    def _fault(self, kind: FaultKind, text: str, requested_s: float, code: int | None = None) -> BusFault:
        return BusFault(kind, f"bus {self.name}: {text}", requested_s=requested_s, ended_s=now_s(), code=code)

    def _disconnected(self, why: str = "", *, requested_s: float | None = None) -> BusFault:
        why = why or (self._link.lost if self._link else "it was never opened")
        text = f"{where(self._spec)} is not connected: {why}"
        return self._fault("disconnected", text, now_s() if requested_s is None else requested_s)


def _write_pdu(
    unit_id: int, table: Literal["coil", "holding"], address: int, words: Sequence[int]
) -> ModbusPDU:
    if table == "coil":
        bits = [bool(word) for word in words]
        coils = WriteSingleCoilRequest if len(words) == 1 else WriteMultipleCoilsRequest
        return coils(dev_id=unit_id, address=address, bits=bits)
    registers = WriteSingleRegisterRequest if len(words) == 1 else WriteMultipleRegistersRequest
    return registers(dev_id=unit_id, address=address, registers=list(words))


def _settle(job: _Job, outcome: Reply | Exception) -> None:
    """Give the caller the outcome, unless it has gone."""
    if job.answered.done():
        return
    if isinstance(outcome, Reply):
        job.answered.set_result(outcome)
    else:
        job.answered.set_exception(outcome)
