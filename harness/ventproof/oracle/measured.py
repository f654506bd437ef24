"""What a unit takes a wind or a rain to be over time, as far as the weather tells; for limits that follow it (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.oracle.targets import Range

if TYPE_CHECKING:
    from ventproof.oracle.timeline import Steps


_PIECES: Final = 12
"""A mean that changes is followed in so many pieces of its time."""


@final
@dataclass(frozen=True, slots=True)
class MeasuredValue:
    """Between which values a unit takes a wind or a rain to be.

    Attributes:
        low: the lowest course of the weather itself.
        high: the highest.
        over_s: the unit takes the mean over this time; 0 for one that goes by single pulses.
        since_s: it may still go by what was so long ago.
        off_by: how far off it may see the value.
    """

    low: Steps
    high: Steps
    over_s: float
    since_s: float
    off_by: float

    def edges(self) -> Iterator[float]:
        """Yield the instants between which it changes little, or not at all."""
        jumps_s = sorted({t_s for course in (self.low, self.high) for t_s, _ in course.jumps})
        step_s = self.over_s / _PIECES
        followed_s = float("-inf")
        for number, jump_s in enumerate(jumps_s):
            yield from (jump_s, jump_s + self.over_s, jump_s + self.since_s)
            if not step_s:
                continue
            next_s = jumps_s[number + 1] if number + 1 < len(jumps_s) else float("inf")
            followed_s = max(followed_s, jump_s)
            while followed_s < min(next_s, jump_s + self.over_s):
                yield followed_s
                followed_s += step_s

    def within(self, from_s: float, to_s: float) -> Range:
        """Return between which values it is in a span that has no edge inside."""
        if self.since_s:
            values = [*self._values(self.low, from_s, to_s), *self._values(self.high, from_s, to_s)]
            return Range(min(values) - self.off_by, max(values) + self.off_by)
        ends_s = (from_s, to_s)
        low = min(self.low.mean(t_s, self.over_s) for t_s in ends_s)
        high = max(self.high.mean(t_s, self.over_s) for t_s in ends_s)
        return Range(low - self.off_by, high + self.off_by)

    def _values(self, course: Steps, from_s: float, to_s: float) -> Iterator[float]:
        """Yield the values of a course from the earliest that may count to the end of a span."""
        begin_s = from_s - self.since_s
        yield course.at(begin_s)
        yield from (value for t_s, value in course.jumps if begin_s < t_s < to_s)
