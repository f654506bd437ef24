"""What goes wrong on a wire between a bench and a unit: 24 kinds, each done to one request and its reply.

`BadWire` stands before whatever answers, in virtual time and on real wires alike. A checksum that fits wrong data is no
kind: nothing that reads a register could tell it from the unit's own word, and TCP has a checksum of its own.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from ventproof_bench.base.protocols import Peer
from ventproof_bench.mock.wires.modbus_server import Frame, Framing, encode

Replies = list[tuple[float, bytes]]

_WRITES: Final = frozenset({5, 6, 15, 16})
_REFUSALS: Final = (1, 2, 3, 4, 5, 6, 8, 10, 11)


def decode(framing: Framing, wire: bytes) -> Frame:
    """Take one right frame apart."""
    if framing == "tcp":
        return Frame(wire[6], wire[7:], int.from_bytes(wire[:2]))
    body = wire[:-2] if framing == "rtu" else bytes.fromhex(wire[1:-2].decode())[:-1]
    return Frame(body[0], body[1:])


@dataclass(frozen=True)
class Times:
    """How long the bench waits.

    Attributes:
        timeout_s: for a reply.
        quiet_s: after a fault, before it sends anything again.
        poll_every_s: from one poll to the next.
        longest_s: for which one fault lasts at most.
    """

    timeout_s: float
    quiet_s: float
    poll_every_s: float = 0.1
    longest_s: float = 4.0


@dataclass
class BadWire:
    """A `ventproof_bench.base.protocols.Peer` before another, which spoils what goes through it.

    Args:
        framing: which frames are spoken.
        right: who answers.
        times: how long the bench waits.
        chance: what is drawn comes from here.
        every: so many requests pass from one fault to the next, in the mean.
        after: so many pass before the first.
        kinds: names of the faults that are drawn from.

    Attributes:
        hang_up: cuts the connection now; set by whoever carries it.
        dead_until_s: loop time until which no connection is taken.
        done: requests that a fault befell, by its name.
    """

    framing: Framing
    right: Peer
    times: Times
    chance: random.Random
    every: float
    after: int = 0
    kinds: Sequence[str] = ()
    hang_up: Callable[[OSError], None] = lambda _: None
    dead_until_s: float = 0.0
    done: Counter[str] = field(default_factory=Counter)
    last: bytes = b""
    held: bytes = b""
    _deaf_until_s: float = 0.0
    _next: int = 0
    _again: int = 0
    _begun_s: float | None = None
    _kind: str = ""
    _asked: int = 0

    def __post_init__(self) -> None:
        """Draw the first."""
        self.kinds = self.kinds or kinds_on(self.framing)
        self._draw()
        self._asked = -self.after

    def _draw(self) -> None:
        self._kind, self._begun_s = self.chance.choice(self.kinds), None
        self._next = self._asked + 1 + int(self.chance.expovariate(1 / self.every))
        self._again = 0 if KINDS[self._kind].lasts else min(int(self.chance.paretovariate(1.5)), 20) - 1

    def exchange(self, data: bytes, now_s: float) -> Replies:
        """Take a request; give what comes back in place of the right reply."""
        self._asked += 1
        if now_s < self._deaf_until_s:
            return []
        held, self.held = self.held, b""
        kind = KINDS[self._kind]
        if self._asked < self._next or (kind.of_writes and not self.writes(data)):
            return self._behind(held, self.answer(data, now_s))
        self.done[self._kind] += 1
        self._begun_s = now_s if self._begun_s is None else self._begun_s
        if self._again and now_s < self._begun_s + self.times.longest_s:
            self._again -= 1
        else:
            self._draw()
        return self._behind(held, kind.spoil(self, data, now_s))

    def answer(self, data: bytes, now_s: float) -> Replies:
        """Have a request carried out; return its right replies."""
        replies = list(self.right.exchange(data, now_s))
        if replies:
            self.last = replies[-1][1]
        return replies

    def writes(self, data: bytes) -> bool:
        """Whether a request writes."""
        return decode(self.framing, data).pdu[0] in _WRITES

    def deaf_for(self, span_s: float, now_s: float) -> None:
        """Swallow everything for a while."""
        self._deaf_until_s = now_s + span_s

    def span_s(self, least_s: float, most_s: float) -> float:
        """Draw a span."""
        return self.chance.uniform(least_s, most_s)

    def noise(self, most: int) -> bytes:
        """Draw bytes, one at least."""
        return self.chance.randbytes(self.chance.randint(1, most))

    @staticmethod
    def _behind(held: bytes, replies: Replies) -> Replies:
        """Put a reply that was held back into the piece that comes next."""
        if not (held and replies):
            return replies
        (delay_s, first), *rest = replies
        return [(delay_s, held + first), *rest]


def _changed(wire: BadWire, replies: Replies, change: Callable[[Frame], Frame]) -> Replies:
    return [
        (delay_s, encode(wire.framing, change(decode(wire.framing, reply)))) for delay_s, reply in replies
    ]


def _lost(wire: BadWire, data: bytes, now_s: float) -> Replies:
    wire.answer(data, now_s)
    return []


def _slow(wire: BadWire, data: bytes, now_s: float) -> Replies:
    late_s = wire.span_s(0, wire.times.timeout_s * 0.9)
    pieces = wire.chance.random() < 0.5
    out: Replies = []
    for delay_s, reply in wire.answer(data, now_s):
        if pieces:
            gap_s = late_s / len(reply)
            out += [(delay_s + n * gap_s, reply[n : n + 1]) for n in range(len(reply))]
        else:
            out.append((delay_s + late_s, reply))
    return out


def _delayed(wire: BadWire, data: bytes, now_s: float, late_s: float) -> Replies:
    return [(delay_s + late_s, reply) for delay_s, reply in wire.answer(data, now_s)]


def _late(wire: BadWire, data: bytes, now_s: float) -> Replies:
    times = wire.times
    return _delayed(wire, data, now_s, times.timeout_s + wire.span_s(0, 0.9 * times.quiet_s))


def _too_late(wire: BadWire, data: bytes, now_s: float) -> Replies:
    times = wire.times
    wait_s = times.timeout_s + times.quiet_s
    return _delayed(wire, data, now_s, wait_s + wire.span_s(0, 3 * times.poll_every_s))


def _doubled(wire: BadWire, data: bytes, now_s: float) -> Replies:
    return [(delay_s, 2 * reply) for delay_s, reply in wire.answer(data, now_s)]


def _twin(wire: BadWire, data: bytes, now_s: float) -> Replies:
    replies = wire.answer(data, now_s)
    return [*replies, *_after(wire, replies, [reply for _, reply in replies])]


def _after(wire: BadWire, replies: Replies, more: Sequence[bytes]) -> Replies:
    begun_s = max((delay_s for delay_s, _ in replies), default=0.0)
    return [(begun_s + wire.span_s(0.001, 2.5 * wire.times.poll_every_s), piece) for piece in more]


def _truncated(wire: BadWire, data: bytes, now_s: float) -> Replies:
    return [(d, reply[: wire.chance.randrange(1, len(reply))]) for d, reply in wire.answer(data, now_s)]


def _bytes_beside(wire: BadWire, data: bytes, now_s: float) -> Replies:
    replies = wire.answer(data, now_s)
    if wire.chance.random() < 0.5:
        return [(delay_s, wire.noise(20) + reply) for delay_s, reply in replies]
    return [(delay_s, reply + wire.noise(20)) for delay_s, reply in replies]


def _noise_between(wire: BadWire, data: bytes, now_s: float) -> Replies:
    replies = wire.answer(data, now_s)
    return [*replies, *_after(wire, replies, [wire.noise(60)])]


def _flipped(wire: BadWire, data: bytes, now_s: float) -> Replies:
    out: Replies = []
    for delay_s, reply in wire.answer(data, now_s):
        spoilt = bytearray(reply)
        spoilt[wire.chance.randrange(len(spoilt))] ^= 1 << wire.chance.randrange(8)
        out.append((delay_s, bytes(spoilt)))
    return out


def _wrong_header(wire: BadWire, data: bytes, now_s: float) -> Replies:
    """Change transaction, protocol or length."""
    out: Replies = []
    for delay_s, reply in wire.answer(data, now_s):
        at = wire.chance.choice((0, 2, 4))
        said = int.from_bytes(reply[at : at + 2])
        other = wire.chance.choice((said + 1, said - 1, said ^ 1 << wire.chance.randrange(16), 0)) & 0xFFFF
        other += other == said
        out.append((delay_s, reply[:at] + other.to_bytes(2) + reply[at + 2 :]))
    return out


def _other_unit(wire: BadWire, data: bytes, now_s: float) -> Replies:
    def change(frame: Frame) -> Frame:
        others = [n for n in range(256) if n != frame.unit_id]
        return Frame(wire.chance.choice(others), frame.pdu, frame.transaction)

    return _changed(wire, wire.answer(data, now_s), change)


def _other_function(wire: BadWire, data: bytes, now_s: float) -> Replies:
    def change(frame: Frame) -> Frame:
        code = wire.chance.choice(
            [n for n in (1, 2, 3, 4, 5, 6, 15, 16, 22, 23, 43, 65) if n != frame.pdu[0]]
        )
        return Frame(frame.unit_id, bytes([code]) + frame.pdu[1:], frame.transaction)

    return _changed(wire, wire.answer(data, now_s), change)


def _other_count(wire: BadWire, data: bytes, now_s: float) -> Replies:
    """Change how much a reply says that it holds, and perhaps how much it holds."""

    def change(frame: Frame) -> Frame:
        size = max(0, min(250, frame.pdu[1] + wire.chance.choice((-2, -1, 1, 2, 4))))
        size += size == frame.pdu[1]
        data = frame.pdu[2:]
        if wire.chance.random() < 0.5:
            data = (data + bytes(size))[:size]
        return Frame(frame.unit_id, bytes([frame.pdu[0], size]) + data, frame.transaction)

    return _changed(wire, wire.answer(data, now_s), change)


def _exception(wire: BadWire, data: bytes) -> bytes:
    asked = decode(wire.framing, data)
    pdu = bytes([asked.pdu[0] | 0x80, wire.chance.choice(_REFUSALS)])
    return encode(wire.framing, Frame(asked.unit_id, pdu, asked.transaction))


def _refused(wire: BadWire, data: bytes, _: float) -> Replies:
    return [(wire.span_s(0.001, 0.02), _exception(wire, data))]


def _refused_and_done(wire: BadWire, data: bytes, now_s: float) -> Replies:
    return [(delay_s, _exception(wire, data)) for delay_s, _ in wire.answer(data, now_s)]


def _merged(wire: BadWire, data: bytes, now_s: float) -> Replies:
    wire.held = b"".join(reply for _, reply in wire.answer(data, now_s))
    return []


def _echoed(wire: BadWire, data: bytes, now_s: float) -> Replies:
    return [(0.0, data), *wire.answer(data, now_s)]


def _other_master(wire: BadWire, data: bytes, now_s: float) -> Replies:
    """Another master asks first: another unit, or the same one for something else; and both are heard."""
    asked = decode(wire.framing, data)
    number = asked.unit_id if wire.chance.random() < 0.5 else wire.chance.randrange(1, 248)
    code, count = (asked.pdu[:1], asked.pdu[3:5]) if wire.chance.random() < 0.5 else (b"\x04", b"\0\2")
    theirs = Frame(number, code + wire.chance.randrange(0, 12).to_bytes(2) + count)
    if theirs.pdu[0] in _WRITES:
        theirs = Frame(number, b"\x03\0\0\0\1")
    request = encode(wire.framing, theirs)
    replies = list(wire.right.exchange(request, now_s))
    if number != asked.unit_id:
        size = int.from_bytes(theirs.pdu[3:5]) * (2 if theirs.pdu[0] > 2 else 1)
        pdu = theirs.pdu[:1] + bytes([size]) + wire.chance.randbytes(size)
        replies = [(0.003, encode(wire.framing, Frame(number, pdu)))]
    return sorted([(0.0, request), *replies, *wire.answer(data, now_s)], key=lambda reply: reply[0])


def _cut(wire: BadWire, data: bytes, now_s: float) -> Replies:
    """Reset the connection, before the request is carried out or behind some of the reply."""
    if wire.chance.random() < 0.5:
        wire.hang_up(ConnectionResetError("connection reset by peer"))
        return []
    replies = wire.answer(data, now_s)
    wire.hang_up(ConnectionResetError("connection reset by peer"))
    return [(0.0, reply[: wire.chance.randrange(len(reply))]) for _, reply in replies]


def _no_connection(wire: BadWire, _: bytes, now_s: float) -> Replies:
    wire.dead_until_s = now_s + wire.span_s(0.05, wire.times.longest_s)
    wire.hang_up(ConnectionResetError("connection reset by peer"))
    return []


def _half_open(wire: BadWire, _: bytes, now_s: float) -> Replies:
    wire.deaf_for(wire.span_s(0.05, wire.times.longest_s), now_s)
    return []


def _lied(wire: BadWire, data: bytes, _: float) -> Replies:
    """Acknowledge a write that is not done."""
    asked = decode(wire.framing, data)
    return [(0.004, encode(wire.framing, Frame(asked.unit_id, asked.pdu[:5], asked.transaction)))]


def _marks(wire: BadWire, data: bytes, now_s: float) -> Replies:
    """Lose or double the colon or the end of an ASCII frame, or write its digits small."""
    change = wire.chance.choice(
        (
            lambda reply: reply[1:],
            lambda reply: b":" + reply,
            lambda reply: reply[:-2],
            lambda reply: reply[:-1],
            lambda reply: reply[:-2] + b"\n\r",
            lambda reply: reply + b"\r\n",
            lambda reply: reply.lower(),
        )
    )
    return [(delay_s, change(reply)) for delay_s, reply in wire.answer(data, now_s)]


@dataclass(frozen=True)
class Kind:
    """One kind of fault.

    Attributes:
        spoil: gives what comes back for a request.
        framings: where it happens.
        of_writes: whether it waits for a request that writes.
        lasts: whether it takes a while by itself; any other befalls several requests in a row now and then.
    """

    spoil: Callable[[BadWire, bytes, float], Replies]
    framings: tuple[Framing, ...] = ("tcp", "rtu", "ascii")
    of_writes: bool = False
    lasts: bool = False


_SERIAL: Final[tuple[Framing, ...]] = ("rtu", "ascii")

KINDS: Final = {
    "reply lost": Kind(_lost),
    "slow, or byte by byte": Kind(_slow),
    "after its time-out": Kind(_late),
    "in the place of a later one": Kind(_too_late),
    "doubled": Kind(_doubled),
    "again, later": Kind(_twin),
    "cut short": Kind(_truncated),
    "bytes beside it": Kind(_bytes_beside),
    "noise between": Kind(_noise_between),
    "bit flipped": Kind(_flipped, _SERIAL),
    "wrong header": Kind(_wrong_header, ("tcp",)),
    "another unit": Kind(_other_unit),
    "another function": Kind(_other_function),
    "another count": Kind(_other_count),
    "refused": Kind(_refused),
    "refused, yet done": Kind(_refused_and_done),
    "held for the next": Kind(_merged),
    "echo of the request": Kind(_echoed),
    "another master": Kind(_other_master, _SERIAL),
    "connection reset": Kind(_cut),
    "no connection": Kind(_no_connection, lasts=True),
    "half open": Kind(_half_open, lasts=True),
    "acknowledged, not done": Kind(_lied, of_writes=True),
    "marks of the frame": Kind(_marks, ("ascii",)),
}


def kinds_on(framing: Framing) -> list[str]:
    """Return the names of the faults that a framing can have."""
    return [name for name, kind in KINDS.items() if framing in kind.framings]
