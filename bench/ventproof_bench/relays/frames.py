"""Byte frames written as text: hex bytes, quoted ASCII, the channel, the state and checksums (pure)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.errors import Refusal
from bench.wording import nearest

if TYPE_CHECKING:
    from collections.abc import Callable

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
