"""MA, V, ohm; drift."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from math import isfinite
from random import Random
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class LevelScale:
    """A straight line between a measured quantity and the level that carries it.

    Attributes:
        from_value, to_value: the measuring range, in the quantity's unit; a falling range is allowed.
        from_level, to_level: the levels at its two ends, in mA, V or ohm.
    """

    from_value: float
    to_value: float
    from_level: float
    to_level: float

    def __post_init__(self) -> None:
        for number in (self.from_value, self.to_value, self.from_level, self.to_level):
            if not isfinite(number):
                raise ValueError(f"{number!r} in a scale must be a finite number")
        if self.from_value == self.to_value:
            raise Refusal(
                f"a range from {self.from_value!r} to {self.to_value!r} has no span", "give two values"
            )
        if self.from_level == self.to_level:
            raise Refusal(
                f"levels from {self.from_level!r} to {self.to_level!r} carry nothing", "give two levels"
            )

    def level(self, value: float) -> float:
        """Return the level that carries a value; outside the range the line goes on."""
        share = (value - self.from_value) / (self.to_value - self.from_value)
        return self.from_level * (1 - share) + self.to_level * share

    def value(self, level: float) -> float:
        """Return the value that a level carries; outside the range the line goes on."""
        share = (level - self.from_level) / (self.to_level - self.from_level)
        return self.from_value * (1 - share) + self.to_value * share


def level_scale(levels: tuple[float, float], from_value: float, to_value: float) -> LevelScale:
    """Return the scale of a measuring range.

    Args:
        levels: at the two ends of the range, such as 4 and 20 mA (IEC 60381-1, direct current signals), or 0 and
            10 V, where a broken wire looks like the range's beginning.
        from_value: one end of the range.
        to_value: its other end.
    """
    return LevelScale(from_value=from_value, to_value=to_value, from_level=levels[0], to_level=levels[1])


@final
@dataclass(frozen=True, slots=True)
class EndLevels:
    """What the terminals see of a broken and of a shorted wire, in the level's unit."""

    broken: float
    shorted: float


END_LEVELS: Final[dict[str, EndLevels]] = {
    "current": EndLevels(broken=0.0, shorted=24.0),
    "voltage": EndLevels(broken=0.0, shorted=0.0),
    "resistance": EndLevels(broken=1e7, shorted=0.0),
}
"""Usual levels by what the wire carries, in mA, V and ohm (common practice, no source).

A shorted two-wire transmitter leaves the current to the supply and the input's protection: 24 mA stands for
'well above 21 mA'. A broken voltage wire reads 0 V where the input pulls it down. A broken resistive wire
is infinite; 10 Mohm stands for it, since an output must be able to play it.
"""


FAULT_UP_TO_MA: Final = 3.6
FAULT_FROM_MA: Final = 21.0
"""A 4-20 mA transmitter signals a failure at most and at least so (NAMUR NE 43, from memory)."""


DRIFT_STEP_S: Final = 0.5
"""A drift is played in steps of this length."""


def drift(by: float, *, over_s: float) -> Iterator[tuple[float, float]]:
    """Yield instants (s) and errors of a value that comes to be wrong evenly, and stays so."""
    for step in count(1):
        at_s = step * DRIFT_STEP_S
        if at_s >= over_s:
            break
        yield at_s, by * at_s / over_s
    yield over_s, by


def chatter(by: float, *, every_s: float, seed: int) -> Iterator[tuple[float, float]]:
    """Yield instants (s) and errors of a value that jumps up and down by turns, without end; the first is at 0 s."""
    sign = 1.0
    for at_s in _instants(every_s, seed):
        yield at_s, sign * by
        sign = -sign


def contact_chatter(*, every_s: float, seed: int) -> Iterator[Edge]:
    """Yield the edges of a loose contact that opens and closes at random, without end; it closes at 0 s."""
    closed = True
    for at_s in _instants(every_s, seed):
        yield Edge(at_s, closed=closed)
        closed = not closed


def bounced(edges: Iterable[Edge], *, times: int, each_s: float) -> Iterator[Edge]:
    """Yield the edges of a contact that opens and closes again after each closure, so many times, before it rests.

    Args:
        edges: without bounce; each closure lasts longer than its bounce, `2 * times * each_s`.
        times: how often it opens again.
        each_s: how long it is closed, and open, at a time.
    """
    for edge in edges:
        yield edge
        for number in range(1, 2 * times + 1) if edge.closed else ():
            yield Edge(edge.at_s + number * each_s, closed=number % 2 == 0)


def _instants(every_s: float, seed: int) -> Iterator[float]:
    """Yield instants from 0 s on, half to one and a half of `every_s` apart."""
    draw = Random(seed)  # noqa: S311 - reproducible chatter, no secret
    at_s = 0.0
    while True:
        yield at_s
        at_s += every_s * (0.5 + draw.random())
