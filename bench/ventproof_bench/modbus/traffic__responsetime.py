"""Worst response times of messages that share a line, where what is under way is never broken off (pure).

Fixed priorities, no pre-emption. The analysis is that of R. I. Davis, A. Burns, R. J. Bril and J. J. Lukkien,
Real-Time Systems 35 (2007) 239-272: every instance within the busy period is examined, since a later one can be worse
than the first. All times are whole microseconds, so that nothing is lost to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, final

from bench.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


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


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """How long a message can take from its instant to the end of its transmission.

    Attributes:
        worst_us: the longest of all instances.
        instances_us: of each instance within the busy period, the first one first.
        busy_us: the busy period: how long the line can be taken by this message and more urgent ones.
        blocking_us: the longest less urgent message, which may just have begun.
    """

    worst_us: int
    instances_us: tuple[int, ...]
    busy_us: int
    blocking_us: int


def utilisation(messages: Iterable[Message]) -> Fraction:
    """Return the part of the time that the messages hold the line in the long run; above 1 they cannot be sent."""
    return sum((Fraction(m.duration_us, m.period_us) for m in messages), Fraction(0))


def response(messages: Sequence[Message], index: int) -> Response:
    """Return how long message `index` can take.

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
    instances = tuple(
        message.jitter_us
        + _wait_us(urgent, blocking_us + number * message.duration_us)
        - number * message.period_us
        + message.duration_us
        for number in range(_ready(message, busy_us))
    )
    return Response(worst_us=max(instances), instances_us=instances, busy_us=busy_us, blocking_us=blocking_us)


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
