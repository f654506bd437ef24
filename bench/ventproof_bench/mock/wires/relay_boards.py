"""Mock relay boards for real wires: each takes commands as its hardware would, and drives contacts."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any, Final, cast, final

from ventproof_bench.base.errors import LinkError
from ventproof_bench.mock.registers import span

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping, Sequence

    from ventproof_bench.base.protocols import Table

    Switches = Mapping[int, Callable[[bool], None]]
    """What a board's relays switch, by channel: called with True when a relay closes, False when it opens."""


@final
class Relays:
    """Relays that tell of a change, and of a change only."""

    def __init__(self, switches: Switches) -> None:
        self._switches = switches
        self.closed = dict.fromkeys(switches, False)

    def put(self, channel: int, *, closed: bool) -> None:
        """Close or open a relay."""
        if self.closed[channel] != closed:
            self.closed[channel] = closed
            self._switches[channel](closed)


@final
class CoilBoard:
    """A board whose relays are Modbus coils 0, 1, …; a `RegisterBank` for the `Responder` of `modbus_server`.

    Args:
        switches: by coil, from 0 without a gap.
    """

    def __init__(self, switches: Switches) -> None:
        self._relays = Relays(switches)

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:  # noqa: ARG002 - the protocol
        """Return coils."""
        coils = [int(self._relays.closed[coil]) for coil in sorted(self._relays.closed)]
        return span(coils if table == "coil" else [], address, count)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Switch relays, lowest coil first."""
        self.read(table, address, len(words), now_s)
        for coil, word in enumerate(words, start=address):
            self._relays.put(coil, closed=bool(word))


@final
class FramesBoard:
    """A board with four-byte frames: 55, channel, 01 to close or 00 to open, low byte of the sum of these.

    It answers AA, channel, state and sum. A frame with a bad sum or an unknown channel is not answered, and
    what is no frame is skipped byte by byte. Implements `ventproof_bench.base.protocols.Peer`.
    """

    _START: Final = 0x55
    _ANSWER: Final = 0xAA
    _SIZE: Final = 4

    def __init__(self, switches: Switches, *, answers: bool = True) -> None:
        self._relays = Relays(switches)
        self._answers = answers
        self._heard = b""

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:  # noqa: ARG002 - the protocol
        """Take bytes; switch, and answer every good frame."""
        self._heard += data
        replies = []
        while len(self._heard) >= self._SIZE:
            start, channel, state, check = self._heard[: self._SIZE]
            if start != self._START or state > 1 or (start + channel + state) % 256 != check:
                self._heard = self._heard[1:]
                continue
            self._heard = self._heard[self._SIZE :]
            if channel in self._relays.closed:
                self._relays.put(channel, closed=bool(state))
                answer = bytes([self._ANSWER, channel, state])
                replies.append((0.0, answer + bytes([sum(answer) % 256])))
        return replies if self._answers else []


@final
class _Lines:
    """What an RFC 2217 server takes for its serial port: two lines that tell of a change, and settings."""

    def __init__(self, switches: Mapping[str, Callable[[bool], None]]) -> None:
        self._switches = switches
        self._asserted = {"rts": False, "dtr": False}
        self.baudrate, self.bytesize, self.parity, self.stopbits = 9600, 8, "N", 1
        self.rtscts = self.xonxoff = self.break_condition = False
        self.cts = self.dsr = self.ri = self.cd = False

    @property
    def rts(self) -> bool:
        """Request to send."""
        return self._asserted["rts"]

    @rts.setter
    def rts(self, asserted: bool) -> None:
        self._put("rts", asserted=asserted)

    @property
    def dtr(self) -> bool:
        """Data terminal ready."""
        return self._asserted["dtr"]

    @dtr.setter
    def dtr(self, asserted: bool) -> None:
        self._put("dtr", asserted=asserted)

    def _put(self, line: str, *, asserted: bool) -> None:
        if self._asserted[line] != asserted:
            self._asserted[line] = asserted
            if line in self._switches:
                self._switches[line](asserted)

    def drop(self) -> None:
        """Drop both lines, as a port does on its last close."""
        self.rts = self.dtr = False

    def reset_input_buffer(self) -> None:
        """Nothing is buffered."""

    def reset_output_buffer(self) -> None:
        """Nothing is buffered."""


@final
class _LinesConnection(asyncio.Protocol):
    def __init__(self, lines: _Lines, open_ones: set[asyncio.BaseTransport]) -> None:
        self._lines = lines
        self._open_ones = open_ones

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._open_ones.add(transport)
        from serial.rfc2217 import PortManager  # noqa: PLC0415 - heavy, and only this board wants it

        self._manager = PortManager(cast("Any", self._lines), cast("Any", transport))

    def data_received(self, data: bytes) -> None:
        for _ in self._manager.filter(data):
            pass  # bytes for the wire end here: relays hang on the control lines only

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        self._lines.drop()


@asynccontextmanager
async def serve_control_lines(
    switches: Mapping[str, Callable[[bool], None]], *, host: str = "127.0.0.1", port: int = 0
) -> AsyncIterator[str]:
    """Serve relays on the control lines `rts` and `dtr` by RFC 2217: a pseudo-terminal has no such lines.

    Yields:
        The URL to open.

    Raises:
        LinkError: the address cannot be listened on.
    """
    lines, open_ones = _Lines(switches), set[asyncio.BaseTransport]()
    loop = asyncio.get_running_loop()
    try:
        server = await loop.create_server(lambda: _LinesConnection(lines, open_ones), host, port)
    except (OSError, OverflowError) as error:
        raise LinkError(f"cannot listen on {host} port {port}: {error}; 0 picks a free port") from error
    try:
        yield f"rfc2217://{host}:{server.sockets[0].getsockname()[1]}"
    finally:
        server.close()
        for transport in open_ones:
            transport.close()
        await server.wait_closed()
