"""One connection to a Modbus line: every way to make it, and an ear on every byte that goes over it.

Only this module knows pymodbus' insides (`ctx`, `call_create`, `response_future`): the minor version is
pinned, and tests/bench/test_bus_traps.py is the contract. Of what pymodbus offers, its retries, its
reconnecting and its handling of local echo are left off: the first two hide from the evidence what
happened.
"""

from __future__ import annotations

import asyncio
import io
import logging
import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, final

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.framer import FramerType

from bench.clock import now_s
from bench.errors import LinkError, open_trouble
from bench.wiring import InProcessBus, RtuOverTcpBus, SerialBus, TcpBus

if TYPE_CHECKING:
    from pymodbus.pdu import ModbusPDU

    from bench.interfaces import Peer
    from bench.replies import Framing
    from bench.wiring import BusSpec

# Bytes that are kept: more than any reply, so that a babbling line fills no memory.
_LONGEST_HEARD: Final = 2048
_CONNECT_S: Final = 3.0  # longest wait for a TCP connection; a lost first packet is sent again after 1 s
_FRAMERS: Final = {"tcp": FramerType.SOCKET, "rtu": FramerType.RTU, "ascii": FramerType.ASCII}
_PTY_MAJORS: Final = range(136, 144)  # Linux: UNIX98 pseudo-terminals

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)  # faults are reported by BusFault alone


def framing_of(spec: BusSpec) -> Framing:
    """Return which frames are spoken on a bus."""
    if isinstance(spec, InProcessBus):
        return spec.framing
    if isinstance(spec, TcpBus):
        return "tcp"
    return "ascii" if spec.link == "ascii" else "rtu"


@final
class InProcessTransport(asyncio.Transport):
    """Carries bytes to a peer in this process, and its replies back after their delays.

    Args:
        protocol: who hears the replies.
        peer: the far end.
    """

    def __init__(self, protocol: asyncio.Protocol, peer: Peer) -> None:
        super().__init__()
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

    Attributes:
        sent: the last request as it went out.
        sent_s: loop time just before it went out.
        heard: what came in since the last reply was taken, local echo stripped.
        heard_s: loop time of the last byte of any kind.
        lost: why the connection is gone; empty while it stands.
        notes: what the record should say of the connection.
    """

    def __init__(self, spec: BusSpec, peer: Peer | None) -> None:
        self._spec = spec
        self._peer = peer
        self._echo = b""
        self._asking = False
        self._trouble: BaseException | None = None
        self._echoes = isinstance(spec, SerialBus) and spec.local_echo
        self.sent = b""
        self.sent_s = self.heard_s = now_s()
        self.heard = bytearray()
        self.lost = "it was never opened"
        self.notes: list[str] = []
        self._client = AsyncModbusTcpClient(
            getattr(spec, "host", "none"),
            port=getattr(spec, "tcp_port", 0),
            framer=_FRAMERS[framing_of(spec)],
            timeout=_CONNECT_S,
            reconnect_delay=0,
            retries=0,
            trace_packet=self._traced,
        )
        self._client.ctx.call_create = self._dial
        self._client.set_max_no_responses(1 << 62)  # when to hang up is for the bus to say

    async def connect(self) -> None:
        """Connect.

        Raises:
            LinkError: the port or host cannot be opened; the message says why.
        """
        if await self._client.connect():
            self.lost = ""
            self._client.ctx.comm_params.timeout_connect = self._spec.timeout
            return
        self._client.close()
        raise LinkError(f"{where(self._spec)} cannot be opened: {_reason(self._trouble)}") from self._trouble

    async def ask(self, pdu: ModbusPDU) -> ModbusPDU:
        """Send a request and return what pymodbus takes for its reply.

        Raises:
            ModbusException: no reply in time, or none that could be decoded.
            ConnectionException: the connection is gone.
        """
        self.sent_s = now_s()
        self._asking = True
        try:
            return await self._client.execute(False, pdu)  # type: ignore[no-any-return] # noqa: FBT003 - pymodbus' signature
        finally:
            self._asking = False
            self._echo = b""

    def forget(self) -> None:
        """Drop what was heard, and what waits to be sent: an abandoned request must not go out late."""
        self.heard.clear()
        transport: Any = self._client.ctx.transport
        port = getattr(transport, "sync_serial", None)
        if port is not None:
            transport.flush()
            with suppress(*_PORT_ERRORS):
                port.reset_output_buffer()

    def hang_up(self, why: str) -> None:
        """Close the connection; safe to call twice."""
        self.lost = self.lost or why
        self._client.close()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Hand the transport to pymodbus."""
        self._client.ctx.connection_made(transport)

    def data_received(self, data: bytes) -> None:
        """Keep what was heard and when; only what comes after a request reaches pymodbus."""
        self.heard_s = now_s()
        if self._echo:
            data = self._without_echo(data)
        self.heard += data[: _LONGEST_HEARD - len(self.heard)]
        future = self._client.ctx.response_future
        if not (data and self._asking) or future.done():
            return
        try:
            self._client.ctx.data_received(data)
        except Exception as error:  # noqa: BLE001 - whatever the decoder makes of garbage, it is no reply
            if not future.done():
                future.set_exception(ModbusException(f"not decoded: {error}"))

    def connection_lost(self, exc: Exception | None) -> None:
        """End the pending request at once rather than at its time-out."""
        self.lost = self.lost or f"the connection was lost: {exc or 'the far end closed it'}"
        self._client.ctx.connection_lost(exc)
        future = self._client.ctx.response_future
        if self._asking and not future.done():
            future.set_exception(ConnectionException(self.lost))

    def _traced(self, sending: bool, data: bytes) -> bytes:  # noqa: FBT001 - pymodbus' signature
        if sending:
            self.sent = data
            self.sent_s = now_s()
            self._echo = data if self._echoes else b""
        return data

    def _without_echo(self, data: bytes) -> bytes:
        """Return `data` without the bytes of the request that the adapter heard itself send."""
        if data.startswith(self._echo):
            data, self._echo = data[len(self._echo) :], b""
        elif self._echo.startswith(data):
            data, self._echo = b"", self._echo[len(data) :]
        else:
            self._echo = b""
        return data

    async def _dial(self) -> tuple[asyncio.BaseTransport, asyncio.BaseProtocol]:
        try:
            return await self._dialled()
        except Exception as error:
            self._trouble = error
            raise OSError(str(error)) from error  # the one kind that pymodbus turns into "not connected"

    async def _dialled(self) -> tuple[asyncio.BaseTransport, asyncio.BaseProtocol]:
        spec = self._spec
        if isinstance(spec, SerialBus):
            return await self._open_port(spec)
        if isinstance(spec, TcpBus | RtuOverTcpBus):
            loop = asyncio.get_running_loop()
            return await loop.create_connection(lambda: self, spec.host, spec.tcp_port)
        if self._peer is None:
            raise OSError("there is no mock unit at the far end")
        return InProcessTransport(self, self._peer), self

    async def _open_port(self, spec: SerialBus) -> tuple[asyncio.BaseTransport, asyncio.BaseProtocol]:
        from pymodbus.transport.serialtransport import create_serial_connection  # noqa: PLC0415 - loads pyserial

        _refuse_unwaitable(spec.port)
        parity, bits = spec.parity[0].upper(), spec.data_bits
        if _is_pty(spec.port):
            # A pseudo-terminal keeps neither parity nor 7 bits, and pyserial gives up on what does not stick.
            parity, bits = "N", 8
            self.notes.append(f"line parity not exercised: {spec.port} is a pseudo-terminal")
        transport, protocol = await create_serial_connection(
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
        return transport, protocol


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


def _reason(error: BaseException | None) -> str:
    if error is None:
        return f"no answer within {_CONNECT_S:g} s; check address, cable and power"
    if isinstance(error, ConnectionRefusedError):
        return f"{error}; nothing listens there, or the unit takes no further connection"
    return open_trouble(error)
