"""One connection; whose reply.

The frames' shapes are those of the MODBUS Application Protocol Specification V1.1b3 (chapter 6 and 7),
MODBUS over Serial Line V1.02 (2.5.1, 2.5.2) and the MODBUS Messaging on TCP/IP Implementation Guide V1.0b
(3.1.3). Checksums are the framer's business; here nothing but a reply's own header is believed.

Of pymodbus it takes the framers, the PDUs and the transport over pyserial, and not the client: its retries and
its reconnecting would hide from the evidence what happened.
"""

from __future__ import annotations

import asyncio
import io
import logging
import os
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, final

from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.framer import FramerAscii, FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU

from ventproof_bench.base.clock import leap, now_s, sleep_sharply_until
from ventproof_bench.base.errors import LinkError, lost_trouble, open_trouble
from ventproof_bench.benchfile.model import InProcessBus, RtuOverTcpBus, SerialBus, TcpBus

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pymodbus.pdu import ModbusPDU

    from ventproof_bench.base.protocols import Peer, ReadRequest, Table
    from ventproof_bench.benchfile.model import BusSpec


Framing = Literal["tcp", "rtu", "ascii"]

NOISE_BYTES: Final = 4
"""Bytes beside a reply that may be noise of a serial line turning round; the shortest reply has 5."""

_READ_CODES: Final[dict[Table, int]] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
_WRITE_ONE: Final = {"coil": 5, "holding": 6}
_WRITE_MANY: Final = {"coil": 15, "holding": 16}
_REFUSED: Final = 0x80

EXCEPTIONS: Final = {
    1: "illegal function: the unit does not offer this kind of access",
    2: "illegal data address: the unit has no such register or coil",
    3: "illegal data value: the unit takes no such value or count",
    4: "server device failure: the unit could not carry it out",
    5: "acknowledge: the unit is still working on it",
    6: "server device busy: the unit cannot take it now",
    8: "memory parity error: the unit's memory is damaged",
    10: "gateway path unavailable: the gateway is not set up for this unit",
    11: "gateway target device failed to respond: the unit behind the gateway is silent",
}
"""What the exception codes mean (chapter 7)."""


@final
@dataclass(frozen=True, slots=True)
class Expected:
    """The reply that a request calls for.

    Attributes:
        unit_id: who answers.
        head: the reply's first bytes from the function code on, all that the request determines.
        length: bytes of the whole reply, from the function code to the end of its data.
    """

    unit_id: int
    head: bytes
    length: int

    @property
    def refused(self) -> Expected:
        """The exception reply to the same request; its code is the unit's choice."""
        return Expected(self.unit_id, bytes([self.head[0] | _REFUSED]), 2)


def expected_of_read(request: ReadRequest) -> Expected:
    """Return what answers a read."""
    data = (request.count + 7) // 8 if request.table in ("coil", "discrete") else 2 * request.count
    return Expected(request.unit_id, bytes([_READ_CODES[request.table], data]), 2 + data)


def expected_of_write(
    unit_id: int, table: Literal["coil", "holding"], address: int, words: Sequence[int]
) -> Expected:
    """Return what answers a write of one entry (function 5 or 6) or of several (15 or 16)."""
    if len(words) == 1:
        # A single coil is written, and given back, as 0xFF00 or 0.
        code, last = _WRITE_ONE[table], (0xFF00 if words[0] else 0) if table == "coil" else words[0]
    else:
        code, last = _WRITE_MANY[table], len(words)
    return Expected(unit_id, bytes([code]) + address.to_bytes(2, "big") + last.to_bytes(2, "big"), 5)


def unlike(requests: Sequence[ReadRequest]) -> ReadRequest | None:
    """Return a read of part of what others read whose reply looks like none of theirs; None if there is none."""
    looks = set(map(expected_of_read, requests))
    parts = (replace(one, count=count) for one in requests for count in range(one.count - 1, 0, -1))
    return next((part for part in parts if expected_of_read(part) not in looks), None)


def belongs(framing: Framing, sent: bytes, expected: Expected, heard: bytes) -> bool:
    """Whether `heard` holds the expected reply and, a little noise on a serial line apart, nothing else.

    On TCP the transaction identifier must be the request's, 0 included: a reply that carries another cannot
    be told from a late one. On a serial line nothing tells replies apart but their order, so a second reply
    beside the first is refused.
    """
    head = bytes([expected.unit_id]) + expected.head
    if framing == "tcp":
        # Transaction, protocol 0, and a length that counts the unit identifier, too.
        start = sent[:2] + b"\0\0" + (expected.length + 1).to_bytes(2, "big") + head
        return len(heard) == expected.length + 7 and heard.startswith(start)
    start, total = _shape(framing, expected)
    heard = heard.upper() if framing == "ascii" else heard
    at = heard.find(start)
    return 0 <= at <= NOISE_BYTES and at + total <= len(heard) <= total + NOISE_BYTES


def replies_in(framing: Framing, heard: bytes, expected: Expected) -> int:
    """Return how many replies to a request, refusals too, `heard` seems to hold on a serial line.

    Only their heads and lengths count: it is asked where something is wrong already, and one too many is no harm.
    """
    shapes = [_shape(framing, one) for one in (expected, expected.refused)]
    heard = heard.upper() if framing == "ascii" else heard
    count = at = 0
    while at < len(heard):
        total = next(
            (size for head, size in shapes if heard.startswith(head, at) and at + size <= len(heard)), 0
        )
        count += total > 0
        at += total or 1
    return count


def _shape(framing: Framing, expected: Expected) -> tuple[bytes, int]:
    """Return how a reply begins on a serial line, and how many bytes it has."""
    head = bytes([expected.unit_id]) + expected.head
    if framing == "rtu":
        return head, expected.length + 3
    return b":" + head.hex().upper().encode(), 2 * expected.length + 7


def complaint(sent: bytes, heard: bytes) -> str:
    """Return what may be wrong when the bytes heard are not the reply that was called for."""
    if len(heard) >= len(sent) and heard.startswith(sent):
        return "the line gives the request back: declare `local_echo: true`, or the unit is not connected"
    return (
        f"{len(heard)} bytes came that are not the reply to this request: {heard[:16].hex(' ')}; "
        "check baud rate, parity, unit_id and whether anything else talks on the line"
    )


# Bytes that are kept: more than any reply, so that a babbling line fills no memory.
_LONGEST_HEARD: Final = 2048
_CONNECT_S: Final = 3.0  # longest wait for a TCP connection; a lost first packet is sent again after 1 s
_NO_ANSWER: Final = f"no answer within {_CONNECT_S:g} s; check address, cable and power"
_SPIN_S: Final = 150e-6  # of a silence: waking up from a sleep takes about as long
_LAST_TRANSACTION: Final = 0xFFFF
_REPLIES_KNOWN: Final = 16
_FRAMERS: Final = {"tcp": FramerSocket, "rtu": FramerRTU, "ascii": FramerAscii}
_PTY_MAJORS: Final = range(136, 144)  # Linux: UNIX98 pseudo-terminals

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)  # faults are reported by BusFault alone


def framing_of(spec: BusSpec) -> Framing:
    """Return which frames are spoken on a bus."""
    if isinstance(spec, InProcessBus):
        return spec.framing
    if isinstance(spec, TcpBus):
        return "tcp"
    return "ascii" if spec.link == "ascii" else "rtu"


class _Decoder(DecodePDU):
    """Knows the replies that came last: most of what a unit says it has said before."""

    def __init__(self) -> None:
        super().__init__(is_server=False)
        self._known = lru_cache(maxsize=_REPLIES_KNOWN)(super().decode)

    def decode(self, frame: bytes) -> ModbusPDU | None:
        """Return what a reply says; as long as nothing else is decoded, it is the caller's alone."""
        return self._known(frame)


@final
class InProcessTransport(asyncio.Transport):
    """Carries bytes to a peer in this process, and its replies back after their delays.

    Args:
        protocol: who hears the replies.
        peer: the far end.
        leaps_s: one reply within this time comes at once in virtual time, where nothing else happens meanwhile.
    """

    def __init__(self, protocol: asyncio.Protocol, peer: Peer, leaps_s: float = 0.0) -> None:
        super().__init__()
        self._leaps_s = leaps_s
        self._protocol = protocol
        self._peer = peer
        self._loop = asyncio.get_running_loop()
        self._closed = False
        self._last_due_s = 0.0
        protocol.connection_made(self)

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Hand the bytes to the peer now; replies keep their order."""
        now = self._loop.time()
        try:
            replies = self._peer.exchange(bytes(data), now)
        except OSError as error:
            self._loop.call_soon(self._lose, error)
            return
        for delay_s, reply in replies:
            self._last_due_s = max(self._last_due_s, now + delay_s)
            alone = len(replies) == 1 and self._last_due_s <= now + self._leaps_s
            if alone and leap(self._last_due_s - now):
                self._deliver(reply)
            else:
                self._loop.call_at(self._last_due_s, self._deliver, reply)

    def close(self) -> None:
        """Let go; replies still under way are lost."""
        self._closed = True

    def is_closing(self) -> bool:
        """Whether the connection is gone."""
        return self._closed

    def _deliver(self, reply: bytes) -> None:
        if not self._closed:
            self._protocol.data_received(reply)

    def _lose(self, error: OSError) -> None:
        if not self._closed:
            self._protocol.connection_lost(error)


@final
class Link(asyncio.Protocol):
    """One connection, made by `connect` and used until it is lost; a new connection takes a new `Link`.

    Args:
        spec: how the bus is declared.
        peer: the mock unit at the far end, in process only.
        gone: called when the connection, once made, is gone.

    Attributes:
        sent: the last request as it went out.
        sent_s: loop time just before it went out.
        heard: what came in since the last reply was taken, local echo stripped.
        heard_s: loop time of the last byte of any kind.
        lost: why the connection is gone; empty while it stands.
        notes: what the record should say of the connection.
    """

    def __init__(self, spec: BusSpec, peer: Peer | None, gone: Callable[[], None]) -> None:
        self._gone = gone
        self._spec = spec
        self._peer = peer
        self._framer = _FRAMERS[framing_of(spec)](_Decoder())
        self._transport: asyncio.Transport | None = None
        self._numbered = framing_of(spec) == "tcp"
        self._number = 0
        self._asked: ModbusPDU | None = None
        self._take: Callable[[ModbusPDU], None] = lambda _: None
        self._send: Callable[[bytes], None] = lambda _: None
        self._answer: asyncio.Future[ModbusPDU] = asyncio.get_running_loop().create_future()
        self._frame = b""
        self._echo = b""
        self._echoes = isinstance(spec, SerialBus) and spec.local_echo
        self.sent = b""
        self.sent_s = self.heard_s = now_s()
        self.heard = bytearray()
        self.lost = "it was never opened"
        self.notes: list[str] = []

    async def connect(self) -> None:
        """Connect.

        Raises:
            LinkError: the port or host cannot be opened; the message says why.
        """
        patience = asyncio.timeout(_CONNECT_S)
        try:
            async with patience:
                self._transport = await self._dial()
                self._send = _sends(self._transport)
        except Exception as error:
            reason = _NO_ANSWER if patience.expired() else _reason(error)
            raise LinkError(f"{where(self._spec)} cannot be opened: {reason}") from error
        self.lost = ""

    async def ask(self, pdu: ModbusPDU, take: Callable[[ModbusPDU], None], *, silence_s: float = 0.0) -> None:
        """Send a request, and wait until what pymodbus takes for its reply was taken.

        Args:
            pdu: the request.
            take: is given the reply: over TCP, where each names its request, as it comes; else a turn of the loop
                later, so that another one beside it is seen.
            silence_s: for so long nothing is heard before it is sent.

        Raises:
            ModbusException: no reply in time, or none that could be decoded.
            ConnectionException: the connection is gone.
        """
        frame = self._framed(pdu)  # before the silence is over: it takes its time, too
        if silence_s:
            await sleep_sharply_until(self.heard_s + silence_s, _SPIN_S)
        self._put_out(pdu, frame, take)
        await self.ended()

    def begin(self, pdu: ModbusPDU, take: Callable[[ModbusPDU], None]) -> bool:
        """Send a request over TCP now, as `ask` does; return whether its reply was taken already, as a mock's may be.

        Otherwise `ended` must follow. Raises `ConnectionException`: the connection is gone.
        """
        try:
            self._put_out(pdu, self._framed(pdu), take)
        except Exception:
            self._asked = None
            raise
        if not self._answer.done() or self._answer.exception() is not None:
            return False
        self._asked = None
        return True

    async def ended(self) -> None:
        """Wait until the reply to what was sent was taken. Raises as `ask` does."""
        try:
            answer = await self._answered()
            if not self._numbered:
                self._take(answer)
        finally:
            self._asked = None
            self._echo = b""

    def _framed(self, pdu: ModbusPDU) -> bytes:
        if self._numbered:
            self._number = self._number % _LAST_TRANSACTION + 1
        pdu.transaction_id = self._number
        return self._framer.buildFrame(pdu)

    def _put_out(self, pdu: ModbusPDU, frame: bytes, take: Callable[[ModbusPDU], None]) -> None:
        # Before anything can fail: whoever reports the fault needs the time of this request, not of the last.
        self.sent_s = now_s()
        if self.lost:
            raise ConnectionException(self.lost)
        # What came before belongs to no reply to this request.
        self._asked, self._take, self._frame = pdu, take, b""
        self._answer = asyncio.get_running_loop().create_future()
        self.sent = frame
        self._echo = self.sent if self._echoes else b""
        self._send(self.sent)

    async def _answered(self) -> ModbusPDU:
        if self._answer.done():
            return self._answer.result()
        late_s = self.sent_s + self._spec.timeout
        late = asyncio.get_running_loop().call_at(late_s, self._late, self._answer)
        try:
            return await self._answer
        finally:
            late.cancel()

    @staticmethod
    def _late(answer: asyncio.Future[ModbusPDU]) -> None:
        if not answer.done():
            answer.set_exception(ModbusException("no reply in time"))

    def forget(self) -> None:
        """Drop what was heard, and what waits to be sent: an abandoned request must not go out late."""
        self.heard.clear()
        transport: Any = self._transport
        port = getattr(transport, "sync_serial", None)
        if port is not None:
            transport.flush()
            with suppress(*_PORT_ERRORS):
                port.reset_output_buffer()

    def hang_up(self, why: str) -> None:
        """Close the connection; safe to call twice."""
        if not self.lost:
            self.lost = why
            self._gone()
        if self._transport is not None:
            self._transport.close()

    def data_received(self, data: bytes) -> None:
        """Keep what was heard and when; only what comes after a request can be a reply."""
        self.heard_s = now_s()
        if self._echo:
            data = self._without_echo(data)
        self.heard += data[: _LONGEST_HEARD - len(self.heard)]
        if not data or self._asked is None or self._answer.done():
            return
        self._frame += data
        if len(self._frame) > self._framer.MAX_SIZE:
            self._frame = b""
            return
        try:
            used, pdu = self._framer.handleFrame(self._frame, self._asked.dev_id, self._asked.transaction_id)
        except Exception as error:  # noqa: BLE001 - whatever the decoder makes of garbage, it is no reply
            self._answer.set_exception(ModbusException(f"not decoded: {error}"))
            return
        self._frame = self._frame[used:]
        if pdu is not None:
            try:
                if self._numbered:
                    self._take(pdu)
            except Exception as error:  # noqa: BLE001 - whoever asked is told, and not that the connection broke
                self._answer.set_exception(error)
            else:
                self._answer.set_result(pdu)

    def connection_lost(self, exc: Exception | None) -> None:
        """End the pending request at once rather than at its time-out."""
        self.hang_up(f"the connection was lost: {lost_trouble(exc)}")
        if self._asked is not None and not self._answer.done():
            self._answer.set_exception(ConnectionException(self.lost))

    def _without_echo(self, data: bytes) -> bytes:
        """Return `data` without the bytes of the request that the adapter heard itself send."""
        if data.startswith(self._echo):
            data, self._echo = data[len(self._echo) :], b""
        elif self._echo.startswith(data):
            data, self._echo = b"", self._echo[len(data) :]
        else:
            # What differs is no echo: a reply or noise, and is judged as that.
            self._echo = b""
        return data

    async def _dial(self) -> asyncio.Transport:
        spec = self._spec
        if isinstance(spec, SerialBus):
            return await self._open_port(spec)
        if isinstance(spec, TcpBus | RtuOverTcpBus):
            loop = asyncio.get_running_loop()
            transport, _ = await loop.create_connection(lambda: self, spec.host, spec.tcp_port)
            return transport
        if self._peer is None:
            raise OSError("there is no mock unit at the far end")
        return InProcessTransport(self, self._peer, spec.timeout)

    async def _open_port(self, spec: SerialBus) -> asyncio.Transport:
        from pymodbus.transport.serialtransport import create_serial_connection  # noqa: PLC0415 - loads pyserial

        _refuse_unwaitable(spec.port)
        parity, bits = spec.parity[0].upper(), spec.data_bits
        if _is_pty(spec.port):
            # A pseudo-terminal keeps neither parity nor 7 bits, and pyserial gives up on what does not stick.
            parity, bits = "N", 8
            self.notes.append(f"line parity not exercised: {spec.port} is a pseudo-terminal")
        transport, _ = await create_serial_connection(
            asyncio.get_running_loop(),
            lambda: self,
            spec.port,
            baudrate=spec.baud,
            bytesize=bits,
            parity=parity,
            stopbits=spec.stops,
            timeout=0,
        )
        _claim(transport)
        return transport


def _sends(transport: Any) -> Callable[[bytes], None]:  # noqa: ANN401 - pymodbus' serial transport or another
    """Return what sends bytes at once; pymodbus' serial transport would wait for a turn of the loop."""
    write: Callable[[bytes], None] = transport.write
    ready = getattr(transport, "intern_write_ready", None)
    if ready is None:
        return write

    def send(data: bytes) -> None:
        write(data)
        ready()

    return send


def where(spec: BusSpec) -> str:
    """Return what a bus is reached through, for messages."""
    if isinstance(spec, SerialBus):
        return f"port {spec.port}"
    if isinstance(spec, InProcessBus):
        return "the in-process line"
    return f"{spec.host} port {spec.tcp_port}"


def _port_errors() -> tuple[type[Exception], ...]:
    try:
        import termios  # noqa: PLC0415 - not on every system
    except ImportError:
        return (OSError, ValueError)
    return (OSError, ValueError, termios.error)  # termios.error is no OSError


_PORT_ERRORS: Final = _port_errors()


def _is_pty(port: str) -> bool:
    try:
        return os.major(Path(port).stat().st_rdev) in _PTY_MAJORS
    except OSError:
        return False  # a URL, or nothing at all: opening it will tell


def _refuse_unwaitable(port: str) -> None:
    """Refuse a pyserial URL whose kind of port has no file descriptor: asyncio cannot wait for it."""
    import serial  # noqa: PLC0415 - only benches with serial lines need it

    kind = type(serial.serial_for_url(port, do_not_open=True))
    if kind.fileno is io.RawIOBase.fileno:
        raise OSError("this kind of port cannot be waited for; use a device path, or link rtu-over-tcp")


def _claim(transport: Any) -> None:  # noqa: ANN401 - pymodbus' serial transport
    """Keep programs off the port that do not heed file locks."""
    with suppress(ImportError, *_PORT_ERRORS):
        import fcntl  # noqa: PLC0415 - not on every system
        import termios  # noqa: PLC0415

        fcntl.ioctl(transport.sync_serial.fileno(), termios.TIOCEXCL)


def _reason(error: Exception) -> str:
    if isinstance(error, ConnectionRefusedError):
        return f"{error}; nothing listens there, or the unit takes no further connection"
    return open_trouble(error)
