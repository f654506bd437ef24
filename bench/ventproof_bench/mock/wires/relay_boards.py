"""Mock relay boards for real wires: each takes commands as its hardware would, and drives contacts."""

from __future__ import annotations

import asyncio
import re
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
class _Relays:
    """Relays that tell of a change, and of a change only."""

    def __init__(self, switches: Switches) -> None:
        self._switches = switches
        self.closed = dict.fromkeys(switches, False)

    def put(self, channel: int, *, closed: bool) -> None:
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
        self._relays = _Relays(switches)

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
        self._relays = _Relays(switches)
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
class ScpiBoard:
    """A switch that speaks a useful part of SCPI, short and long forms; a `base.protocols.Peer`.

    Sources: SCPI-99 volume 1, 6.2.1 (short and long forms) and volume 2, 21.8 (error numbers and texts);
    IEEE 488.2 (common commands, program messages separated by semicolons, responses ended by a line feed).
    """

    _QUEUE: Final = 10

    def __init__(self, switches: Switches) -> None:
        self._relays = _Relays(switches)
        self._errors: list[str] = []
        self._heard = b""

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:  # noqa: ARG002 - the protocol
        """Take bytes; carry out every whole line, and answer its queries in one line."""
        *lines, self._heard = (self._heard + data).split(b"\n")
        replies = []
        for line in lines:
            answers = [self._do(message.strip()) for message in line.decode("ascii", "replace").split(";")]
            if said := [answer for answer in answers if answer is not None]:
                replies.append((0.0, ";".join(said).encode() + b"\n"))
        return replies

    def _do(self, message: str) -> str | None:
        header, _, argument = message.partition(" ")
        for notation, action in _ACTIONS.items():
            if _matches(header, notation):
                return action(self, argument.strip())
        if message:
            self._error(-113, "Undefined header")
        return None

    def _error(self, number: int, text: str) -> None:
        if len(self._errors) < self._QUEUE:
            self._errors.append(f'{number},"{text}"')
        else:
            self._errors[-1] = '-350,"Queue overflow"'

    def _channels(self, argument: str) -> list[int]:
        """Return the channels of a list such as (@1,3:4); of a bad one nothing, and an error is queued."""
        if not argument:
            self._error(-109, "Missing parameter")
            return []
        listed = re.fullmatch(r"\(@(\d+(?::\d+)?(?:,\d+(?::\d+)?)*)\)", argument.replace(" ", ""))
        if listed is None:
            self._error(-102, "Syntax error")
            return []
        channels: list[int] = []
        for part in listed[1].split(","):
            first, _, last = part.partition(":")
            channels += range(int(first), int(last or first) + 1)
        if not set(channels) <= set(self._relays.closed):
            self._error(-222, "Data out of range")
            return []
        return channels

    def switch(self, argument: str, *, closed: bool) -> None:
        """Close or open the listed channels."""
        for channel in self._channels(argument):
            self._relays.put(channel, closed=closed)

    def state(self, argument: str) -> str | None:
        """Answer 1 or 0 for every listed channel."""
        channels = self._channels(argument)
        return ",".join(str(int(self._relays.closed[c])) for c in channels) if channels else None

    def closed_list(self) -> str:
        """Answer the list of closed channels."""
        return f"(@{','.join(str(c) for c, closed in self._relays.closed.items() if closed)})"

    def next_error(self) -> str:
        """Answer the oldest error, and forget it."""
        return self._errors.pop(0) if self._errors else '0,"No error"'

    def clear(self) -> None:
        """Forget all errors."""
        self._errors.clear()

    def reset(self) -> None:
        """Open every channel."""
        for channel in self._relays.closed:
            self._relays.put(channel, closed=False)


def _matches(header: str, notation: str) -> bool:
    """Whether a header means a command in SCPI's notation: ROUTe:CLOSe? is ROUT:CLOS? and route:close?."""
    words, known = header.upper().removeprefix(":").split(":"), notation.split(":")
    return len(words) == len(known) and all(
        word in (k.upper(), re.sub("[a-z]", "", k)) for word, k in zip(words, known, strict=True)
    )


_ACTIONS: Final[dict[str, Callable[[ScpiBoard, str], str | None]]] = {
    "*IDN?": lambda _, __: "ventproof,mock switch,0,1",
    "*OPC?": lambda _, __: "1",
    "*CLS": lambda board, _: board.clear(),
    "*RST": lambda board, _: board.reset(),
    "ROUTe:CLOSe": lambda board, channels: board.switch(channels, closed=True),
    "ROUTe:OPEN": lambda board, channels: board.switch(channels, closed=False),
    "ROUTe:OPEN:ALL": lambda board, _: board.reset(),
    "ROUTe:CLOSe?": lambda board, channels: board.state(channels),
    "ROUTe:CLOSe:STATe?": lambda board, _: board.closed_list(),
    "SYSTem:ERRor?": lambda board, _: board.next_error(),
    "SYSTem:ERRor:NEXT?": lambda board, _: board.next_error(),
}


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
