"""Boards spoken to in bytes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final, Self, final

from pydantic import Field, model_validator

from ventproof_bench.base.errors import DriverError, Refusal
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.drivers.serial_ports import wire_time_s
from ventproof_bench.yamlfile.fields import FileModel, PortName, PositiveSeconds
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from ventproof_bench.base.evidence import Window
    from ventproof_bench.benchfile.model import BusSpec
    from ventproof_bench.drivers.serial_ports import Port


_CRC_POLYNOMIAL: Final = 0xA001  # x^16 + x^15 + x^2 + 1, reflected: MODBUS over Serial Line V1.02, 6.2.2


def sum8(data: bytes) -> bytes:
    """Return the low byte of the sum of all bytes."""
    return bytes([sum(data) & 0xFF])


def xor8(data: bytes) -> bytes:
    """Return all bytes, exclusive-ored."""
    value = 0
    for byte in data:
        value ^= byte
    return bytes([value])


def lrc(data: bytes) -> bytes:
    """Return the two's complement of the 8-bit sum (MODBUS over Serial Line V1.02, 6.2.1)."""
    return bytes([-sum(data) & 0xFF])


def crc16_modbus(data: bytes) -> bytes:
    """Return CRC-16/MODBUS, low byte first as on the wire (MODBUS over Serial Line V1.02, 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (_CRC_POLYNOMIAL if crc & 1 else 0)
    return crc.to_bytes(2, "little")


CHECKSUMS: Final[dict[str, Callable[[bytes], bytes]]] = {
    "sum8": sum8,
    "xor8": xor8,
    "crc16-modbus": crc16_modbus,
    "lrc": lrc,
}
_FIELDS: Final = ("channel", "state", *CHECKSUMS)
_TOKEN: Final = re.compile(
    r"""\s+|(?P<hex>[0-9A-Fa-f]{2})(?![0-9A-Za-z])"""
    r"""|"(?P<double>[^"]*)"|'(?P<single>[^']*)'|\{(?P<field>[^{}]*)\}"""
)
_QUOTED_FIELD: Final = re.compile(r"\{([^{}]*)\}")


@final
@dataclass(frozen=True, slots=True)
class _Part:
    """Fixed bytes, or a field; a field inside quotes is written in ASCII characters."""

    fixed: bytes = b""
    field: str = ""
    quoted: bool = False


@final
@dataclass(frozen=True, slots=True)
class Template:
    """A frame with places for the channel, the state and checksums.

    Outside quotes `{channel}` and `{state}` are one byte each (state: 01 on, 00 off), a checksum its bytes.
    Inside quotes the channel and the state are decimal digits and a checksum is in upper-case hex digits. A
    checksum covers every byte before it.
    """

    parts: tuple[_Part, ...]

    @staticmethod
    def parse(text: str) -> Template:
        """Read a template such as `55 {channel} 01 {sum8}` or `"RELAY {channel} ON" 0D 0A`.

        Raises:
            ValueError: the text is no template; the message shows where, and what would be right.
        """
        parts: list[_Part] = []
        at = 0
        while at < len(text):
            token = _TOKEN.match(text, at)
            if token is None:
                raise ValueError(
                    f"{text[at : at + 12]!r} in the frame {text!r} is neither a hex byte such as 55, "
                    "nor quoted text, nor a field such as {channel}"
                )
            if token["hex"]:
                parts.append(_Part(bytes.fromhex(token["hex"])))
            elif token["field"] is not None:
                parts.append(_Part(field=_known(token["field"])))
            elif (quoted := token["double"] if token["double"] is not None else token["single"]) is not None:
                parts += _quoted(quoted)
            at = token.end()
        if not parts:
            raise Refusal("the frame is empty", "write hex bytes such as 55 01, or quoted text")
        return Template(tuple(parts))

    def render(self, *, channel: int, on: bool) -> bytes:
        """Return the bytes for a channel and a state.

        Raises:
            ValueError: the channel does not fit into one byte.
        """
        out = bytearray()
        for part in self.parts:
            if not part.field:
                out += part.fixed
            elif part.field in CHECKSUMS:
                check = CHECKSUMS[part.field](bytes(out))
                out += check.hex().upper().encode() if part.quoted else check
            else:
                value = channel if part.field == "channel" else int(on)
                if part.quoted:
                    out += str(value).encode()
                elif not 0 <= value <= 0xFF:  # noqa: PLR2004 - one byte
                    raise Refusal(
                        f"channel {value} does not fit into one byte", "put {channel} in quotes for digits"
                    )
                else:
                    out.append(value)
        return bytes(out)


def _known(field: str) -> str:
    if field not in _FIELDS:
        raise Refusal(f"{{{field}}} is not a field of a frame", f"{nearest(field, _FIELDS)}")
    return field


def _quoted(text: str) -> list[_Part]:
    parts: list[_Part] = []
    for number, piece in enumerate(_QUOTED_FIELD.split(text)):
        if number % 2:
            parts.append(_Part(field=_known(piece), quoted=True))
        elif not piece.isascii():
            raise Refusal(f"{piece!r} is not ASCII", "write such bytes in hex, outside the quotes")
        elif piece:
            parts.append(_Part(piece.encode("ascii")))
    return parts


_OVERHEAD_S: Final = 0.001  # of the system and the board, beside the time on the wire


class FramesOptions(FileModel):
    """`wired:` of driver `frames`. Frames are templates of hex bytes, quoted ASCII and fields."""

    port: PortName
    """Device path, socket:// or rfc2217://; prefer the stable names below /dev/serial/by-id."""
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 9600
    """Rate of the line; 8 data bits, no parity, 1 stop bit."""
    channel: Annotated[int, Field(ge=0)] = 1
    """The board's number for this relay."""
    on: str
    """Frame that energises the relay, such as `55 {channel} 01 {sum8}`."""
    off: str
    """Frame that releases the relay."""
    reply: str | None = None
    """Frame with which the board answers both, where it does; {state} in it is 01 for on and 00 for off."""
    reply_within: PositiveSeconds = 0.3
    """How long the board may take to answer."""

    @model_validator(mode="after")
    def _can_be_rendered(self) -> Self:
        on, off = self.command(on=True), self.command(on=False)
        if on == off:
            raise ValueError("`on` and `off` are the same frame")
        if self.answer(on=True) == on or self.answer(on=False) == off:
            raise Refusal(
                "`reply` is the command itself, so an echo on the line would pass for the board",
                "leave it out",
            )
        return self

    def command(self, *, on: bool) -> bytes:
        """Return the frame that switches the relay."""
        return Template.parse(self.on if on else self.off).render(channel=self.channel, on=on)

    def answer(self, *, on: bool) -> bytes:
        """Return the frame that the board answers with; empty when it does not answer."""
        return (
            Template.parse(self.reply).render(channel=self.channel, on=on) if self.reply is not None else b""
        )


@final
class FramesContact:
    """One relay of the board."""

    def __init__(self, name: str, options: FramesOptions, port: Port) -> None:
        self._name = name
        self._port = port
        self._within_s = options.reply_within
        self._commands = {on: options.command(on=on) for on in (False, True)}
        self._answers = {on: options.answer(on=on) for on in (False, True)}
        self.notes: list[str] = []
        if options.reply is None:
            self.notes.append(
                f"output {name}: its board does not answer, so only the wiring proves that it switches"
            )

    async def open(self) -> None:
        """Open the port; the board has nothing to be asked that would not switch it."""
        await self._port.open()

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Send the frame and hear the answer, where one is declared."""
        command, expected = self._commands[on], self._answers[on]
        if not expected:
            return await self._port.send(command)
        try:
            heard, window = await self._port.ask(
                command, done=lambda heard: len(heard) >= len(expected), within_s=self._within_s
            )
        except TimeoutError as error:
            raise DriverError(
                f"output {self._name}: its board on {self._port.url} answered {error} within "
                f"{self._within_s:g} s, not {expected.hex(' ')}"
            ) from error
        if heard != expected:
            raise DriverError(
                f"output {self._name}: its board on {self._port.url} answered {heard.hex(' ')}, "
                f"not {expected.hex(' ')}"
            )
        return window

    async def close(self) -> None:
        """Give up the port."""
        await self._port.close()


def _fastest_edge_s(options: FramesOptions, _: Mapping[str, BusSpec]) -> float:
    longest = max(len(options.command(on=on)) + len(options.answer(on=on)) for on in (False, True))
    return wire_time_s(options.port, options.baud, longest) + _OVERHEAD_S


def _build(options: FramesOptions, wiring: Wiring) -> FramesContact:
    return FramesContact(wiring.name, options, wiring.ports.port(options.port, options.baud))


DRIVER: Final = Driver(
    name="frames",
    kind="contact",
    clock="wall",
    about="A relay board on a serial line, spoken to in byte frames that the bench file states.",
    options=FramesOptions,
    build=_build,
    fastest_edge_s=_fastest_edge_s,
    place=lambda options: f"channel {options.channel} of the board on {options.port}",
)
