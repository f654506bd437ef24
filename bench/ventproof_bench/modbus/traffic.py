"""Load and worst response times (pure).

Fixed priorities, no pre-emption. The analysis is that of R. I. Davis, A. Burns, R. J. Bril and J. J. Lukkien,
Real-Time Systems 35 (2007) 239-272: every instance within the busy period is examined, since a later one can be worse
than the first. All times are whole microseconds, so that nothing is lost to rounding.

Times of characters and silences are those of MODBUS over Serial Line V1.02 (20 December 2006), 2.5.1, 2.5.1.1 and
2.5.2.

It follows from how `ventproof_bench.modbus.bus`, `ventproof_bench.modbus.polling` and the drivers take turns:

- One transaction at a time, and what is under way is never broken off. A write goes ahead of waiting reads.
- A poller has one read outstanding, and a stimulus one transaction: the write, and after it the read-back. So a
  stimulus's transaction waits for one read at most, and a read for one transaction of a stimulus at most: whichever
  falls free cannot ask again before the other one's turn.
- Where edges are known to be a distance apart, fewer of them fall into a round of polls; they are counted.
- Where vents are played, each round of polls brings a write and its read-back of every one; all of them may go ahead of
  a stimulus, and of a read.

Only answered transactions count. After a fault the bus keeps quiet, and the record has a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, Final, TypeVar, final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.protocols import BusUse, ReadRequest
from ventproof_bench.benchfile.model import BusCommon, InProcessBus, SerialBus, WiredBus

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ventproof_bench.benchfile.model import BusSpec


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """Something that is sent again and again.

    Attributes:
        duration_us: how long it holds the line, more than 0 us.
        period_us: shortest time between two of its instances, more than 0 us.
        jitter_us: how much later than its instant an instance may be ready to be sent, 0 us or more.
    """

    duration_us: int
    period_us: int
    jitter_us: int = 0

    def __post_init__(self) -> None:
        """Refuse times that mean nothing."""
        if self.duration_us <= 0 or self.period_us <= 0 or self.jitter_us < 0:
            raise ValueError(f"{self} needs a duration and a period above zero and a jitter not below it")


def utilisation(messages: Iterable[Message]) -> Fraction:
    """Return the part of the time that the messages hold the line in the long run; above 1 they cannot be sent."""
    return sum((Fraction(m.duration_us, m.period_us) for m in messages), Fraction(0))


def worst_response_us(messages: Sequence[Message], index: int) -> int:
    """Return how long message `index` can take from its instant to the end of its transmission, microseconds.

    Args:
        messages: all that share the line, the most urgent first.
        index: which of them, from 0.

    Raises:
        ValueError: it and the more urgent messages want the line for more than all of the time, so that waits grow
            without end; or for exactly all of it, with something that delays them.
    """
    message, urgent = messages[index], messages[:index]
    mine = messages[: index + 1]
    blocking_us = max((m.duration_us for m in messages[index + 1 :]), default=0)
    wanted = utilisation(mine)
    if wanted > 1 or (wanted == 1 and (blocking_us or any(m.jitter_us for m in mine))):
        raise Refusal(
            f"the messages want the line for {float(100 * wanted):.4g} % of the time",
            "it must be less than all of it",
        )
    busy_us = blocking_us + sum(m.duration_us for m in mine)
    while (longer_us := blocking_us + sum(_ready(m, busy_us) * m.duration_us for m in mine)) != busy_us:
        busy_us = longer_us
    return max(
        message.jitter_us
        + _wait_us(urgent, blocking_us + number * message.duration_us)
        - number * message.period_us
        + message.duration_us
        for number in range(_ready(message, busy_us))
    )


def _ready(message: Message, span_us: int) -> int:
    """Return how many instances can become ready within a span that begins just before the first of them."""
    return -(-(span_us + message.jitter_us) // message.period_us)


def _wait_us(urgent: Sequence[Message], before_us: int) -> int:
    """Return how long an instance waits that has `before_us` of other work ahead of it, urgent messages included.

    One that becomes ready in the very microsecond in which the line falls free still goes first.
    """
    wait_us = before_us
    while (longer_us := before_us + sum(_ready(m, wait_us + 1) * m.duration_us for m in urgent)) != wait_us:
        wait_us = longer_us
    return wait_us


_BITS_OF_CHARACTER: Final = 11  # start, 8 data, parity (or a second stop), stop
_FASTEST_COUNTED_BAUD: Final = 19200  # above this the silent interval no longer shrinks
_FIXED_SILENCE_S: Final = 1.75e-3


def character_time_s(baud: int) -> float:
    """Return the time of one RTU character in seconds.

    Raises:
        ValueError: `baud` is not above zero.
    """
    if baud <= 0:
        raise ValueError(f"baud={baud!r} must be above zero")
    return _BITS_OF_CHARACTER / baud


def silent_interval_s(baud: int) -> float:
    """Return the silence that ends an RTU frame: 3.5 characters up to 19200 Bd, 1.75 ms above.

    Raises:
        ValueError: `baud` is not above zero.
    """
    return _FIXED_SILENCE_S if baud > _FASTEST_COUNTED_BAUD else 3.5 * character_time_s(baud)


AnyBus = TypeVar("AnyBus", bound=BusCommon)

# MODBUS over Serial Line V1.02, 3.2: 9600 and 19200 must be there, others may be.
BAUDS: Final = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_US: Final = 1_000_000
_LONGEST_SINGLE: Final = 1  # registers that a single write carries


@final
@dataclass(frozen=True, slots=True)
class Lasts:
    """How long a transaction holds the bus, silences included: at least and at most, microseconds."""

    shortest_us: int
    longest_us: int


@final
@dataclass(frozen=True, slots=True)
class Load:
    """What is on a bus.

    Attributes:
        poll_every_us: from the beginning of a round of polls to the next.
        reads: the requests of a round, in order.
        writes: of each output on the bus, the write that moves it.
        read_backs: of each output on the bus, the read that proves it.
        played_us: the longest that playing vents holds the bus from one round to the next, microseconds.
    """

    poll_every_us: int
    reads: tuple[Lasts, ...]
    writes: tuple[Lasts, ...]
    read_backs: tuple[Lasts, ...]
    played_us: int = 0

    @property
    def round_us(self) -> int:
        """The longest that a round of polls takes with the vents that it moves, microseconds."""
        return sum(read.longest_us for read in self.reads) + self.played_us

    @property
    def polling(self) -> Fraction:
        """Part of the time that polling holds the bus; above 1 it cannot carry its polls."""
        return Fraction(self.round_us, self.poll_every_us)

    @property
    def edge_us(self) -> int:
        """The longest that a write and its read-back hold the bus, microseconds; 0 without outputs."""
        return _longest(self.writes) + _longest(self.read_backs)


@final
@dataclass(frozen=True, slots=True)
class Budget:
    """The worst that a bus makes of its load, microseconds.

    Attributes:
        latency_us: from a stimulus being due to the acknowledgement of its write, the one before it being done.
        complete_us: from a stimulus being due to the end of its read-back.
        age_us: from a request to the end of the same request's next reply: how old the newest reading can get. What
            the unit itself adds (`refreshed_every`) is not in it. 0 when nothing is polled.
    """

    latency_us: int
    complete_us: int
    age_us: int


def load_of(
    spec: BusSpec,
    requests: Sequence[ReadRequest],
    uses: Sequence[BusUse],
    played: Sequence[tuple[BusUse, float]] = (),
) -> Load:
    """Return the load of a bus.

    Args:
        spec: its declaration.
        requests: what is polled.
        uses: the outputs on it.
        played: the outputs on it that play vents round after round, each with how long such a round is, seconds.
    """
    return Load(
        _up(spec.poll_every),
        tuple(_lasts(spec, 8, 5 + _data_bytes(request)) for request in requests),
        tuple(_write(spec, use) for use in uses),
        tuple(_read_back(spec, use) for use in uses),
        sum(
            ceil(
                (_write(spec, use).longest_us + _read_back(spec, use).longest_us) * spec.poll_every / every_s
            )
            for use, every_s in played
        ),
    )


def _write(spec: BusSpec, use: BusUse) -> Lasts:
    return _lasts(spec, _write_bytes(use), 8)


def _read_back(spec: BusSpec, use: BusUse) -> Lasts:
    return _lasts(spec, 8, 5 + _data_bytes(ReadRequest(1, use.table, 0, use.count)))


def answer_s(spec: BusSpec) -> tuple[float, float]:
    """Return how long the unit takes to answer, at least and at most, seconds; a serial line's own time not counted.

    Unless the bench file says so, no more is known than that a reply that counts comes within the time-out.
    """
    if isinstance(spec, InProcessBus):
        return spec.reply_after, spec.reply_after + spec.reply_jitter
    return 0.0, spec.timeout if spec.answers_within is None else spec.answers_within


def answering_at_once(spec: AnyBus) -> AnyBus:
    """Return the declaration with a unit that answers at once, where it does not say how long answers take.

    What the bus cannot carry then it cannot carry at all.
    """
    if not isinstance(spec, WiredBus) or spec.answers_within is not None:
        return spec
    return spec.model_copy(update={"answers_within": 0.0})


def budget(load: Load, *, edges_apart_us: int | None = None) -> Budget:
    """Return the worst that a bus makes of its load while one stimulus after another is applied.

    Args:
        load: what is on the bus.
        edges_apart_us: shortest time between two edges; unless given, each may follow as soon as the one before it
            was read back.
    """
    read_us = _longest(load.reads)
    waits_us = read_us + load.played_us
    latency_us = waits_us + _longest(load.writes) if load.writes else 0
    complete_us = latency_us + waits_us + _longest(load.read_backs) if load.writes else 0
    replied_us = [_replied_us(load, number, complete_us, edges_apart_us) for number in range(len(load.reads))]
    if not replied_us:
        return Budget(latency_us, complete_us, 0)
    # A round that is not over when the next one is due leaves that one out.
    rounds = max(1, -(-replied_us[-1] // load.poll_every_us))
    before_us, age_us = 0, 0
    for read, reply_us in zip(load.reads, replied_us, strict=True):
        age_us = max(age_us, rounds * load.poll_every_us + reply_us - before_us)
        before_us += read.shortest_us
    return Budget(latency_us, complete_us, age_us)


def _replied_us(load: Load, number: int, complete_us: int, edges_apart_us: int | None) -> int:
    """Return how long after a round's begin the reply to its read `number` is in, at the latest.

    No other round is under way then. A stimulus may be: it was due `complete_us` before the begin, at the earliest,
    which is the jitter of its transactions.
    """
    so_far = load.reads[: number + 1]
    turns_us = sum(read.longest_us for read in so_far) + load.played_us
    turns_us += len(so_far) * max(_longest(load.writes), _longest(load.read_backs))
    if edges_apart_us is None or load.played_us:
        return turns_us
    stimulus = [
        Message(duration_us=longest_us, period_us=edges_apart_us, jitter_us=complete_us)
        for longest_us in (_longest(load.writes), _longest(load.read_backs))
        if longest_us
    ]
    polls = [Message(duration_us=max(1, read.longest_us), period_us=load.poll_every_us) for read in so_far]
    try:
        counted_us = worst_response_us([*stimulus, *polls], len(stimulus) + number)
    except ValueError:  # edges so dense that only taking turns bounds the wait
        return turns_us
    return min(turns_us, counted_us)


def _longest(transactions: Sequence[Lasts]) -> int:
    return max((t.longest_us for t in transactions), default=0)


def _up(span_s: float) -> int:
    """Return a span in whole microseconds, rounded up as written in decimal."""
    return ceil(Fraction(repr(span_s)) * _US)


def _data_bytes(request: ReadRequest) -> int:
    return (request.count + 7) // 8 if request.table in ("coil", "discrete") else 2 * request.count


def _write_bytes(use: BusUse) -> int:
    """Return the length of an RTU frame that writes; one coil or register goes in eight bytes."""
    return 8 if use.count == _LONGEST_SINGLE else 9 + _data_bytes(ReadRequest(1, use.table, 0, use.count))


def _lasts(spec: BusSpec, asked: int, answered: int) -> Lasts:
    """Return how long a transaction takes whose RTU frames have so many bytes.

    On a serial line: the silence before the request, the request, the silence by which the unit knows its end, the
    unit's own time, and the reply.
    """
    least_s, most_s = answer_s(spec)
    if not isinstance(spec, SerialBus):
        return Lasts(int(Fraction(repr(least_s)) * _US), _up(most_s))
    bits = 1 + spec.data_bits + (spec.parity != "none") + spec.stops
    silence_us = Fraction(repr(silent_interval_s(spec.baud))) * _US if spec.link == "rtu" else Fraction(0)
    characters = asked + answered
    if spec.link == "ascii":  # a colon, two characters a byte, the check one byte shorter, CR LF
        characters = 2 * characters + 2
    wire_us = Fraction(characters * bits * _US, spec.baud) + 2 * silence_us
    if spec.answers_within is None:  # the time-out counts from the request and covers all that follows
        longest_us = max(wire_us, silence_us + Fraction(repr(spec.timeout)) * _US)
    else:
        longest_us = wire_us + Fraction(repr(spec.answers_within)) * _US
    return Lasts(int(wire_us), ceil(longest_us))
