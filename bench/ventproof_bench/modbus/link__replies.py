"""Whether the bytes that were heard are the reply to the request that was sent (pure).

The frames' shapes are those of the MODBUS Application Protocol Specification V1.1b3 (chapter 6 and 7),
MODBUS over Serial Line V1.02 (2.5.1, 2.5.2) and the MODBUS Messaging on TCP/IP Implementation Guide V1.0b
(3.1.3). Checksums are the framer's business; here nothing but a reply's own header is believed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.interfaces import ReadRequest, Table

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
