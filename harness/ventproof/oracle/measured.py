"""What a unit takes a wind or a rain to be over time, as far as the weather tells; for limits that follow it (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof.oracle.targets import Range
from ventproof.oracle.tips import fallen_s, falling

if TYPE_CHECKING:
    from ventproof.oracle.timeline import Steps


_PIECES: Final = 12
"""A mean that changes is followed in so many pieces of its time."""


class MeasuredWeather(Protocol):
    """Between which values a unit takes a wind or a rain to be."""

    def edges(self) -> Iterator[float]:
        """Yield the instants between which it changes little, or not at all."""

    def within(self, from_s: float, to_s: float) -> Range:
        """Return between which values it is in a span that has no edge inside."""


@final
@dataclass(frozen=True, slots=True)
class MeasuredWind:
    """The mean of a wind.

    Attributes:
        low: the lowest course of the wind itself, m/s.
        high: the highest.
        over_s: the unit takes the mean over this time.
        off_by: how far off it may see it, m/s.
    """

    low: Steps
    high: Steps
    over_s: float
    off_by: float

    def edges(self) -> Iterator[float]:
        """Yield the pieces of the time after each jump, until the mean has followed it."""
        jumps_s = sorted({t_s for course in (self.low, self.high) for t_s, _ in course.jumps})
        followed_s = -inf
        for jump_s, next_s in pairwise([*jumps_s, inf]):
            yield from (jump_s, jump_s + self.over_s)
            followed_s = max(followed_s, jump_s)
            while followed_s < min(next_s, jump_s + self.over_s):
                yield followed_s
                followed_s += self.over_s / _PIECES

    def within(self, from_s: float, to_s: float) -> Range:
        """Return between which values the mean is; it is straight between two edges."""
        ends_s = (from_s, to_s)
        low = min(self.low.mean(t_s, self.over_s) for t_s in ends_s)
        high = max(self.high.mean(t_s, self.over_s) for t_s in ends_s)
        return Range(low - self.off_by, high + self.off_by)


@final
@dataclass(frozen=True, slots=True)
class MeasuredRain:
    """The intensity of the last tips: between the least and the most since the first of them surely fell.

    Attributes:
        low: the lowest course of the rain itself, mm/h.
        high: the highest.
        tips_mm: rain that makes as many tips as give the intensity.
        forgotten_s: after so long without as much rain the unit takes it to be over.
        over_at: at this intensity, mm/h, the unit may take the rain to be over, and then measures none.
        off_by: how far off it may see the intensity, mm/h.
    """

    low: Steps
    high: Steps
    tips_mm: float
    forgotten_s: float
    over_at: float
    off_by: float

    def edges(self) -> Iterator[float]:
        """Yield each jump, and when it may count no longer."""
        for jump_s in {t_s for course in (self.low, self.high) for t_s, _ in course.jumps}:
            yield from (
                jump_s,
                jump_s + self.forgotten_s,
                min(fallen_s(self.low, self.tips_mm, jump_s), jump_s + self.forgotten_s),
            )

    def within(self, from_s: float, to_s: float) -> Range:
        """Return between which values the intensity is."""
        begin_s = max(self._counts_from_s(from_s), from_s - self.forgotten_s)
        values = [value for course in (self.low, self.high) for value in _values(course, begin_s, to_s)]
        least = min(values)
        return Range(0.0 if least <= self.over_at else least - self.off_by, max(values) + self.off_by)

    def _counts_from_s(self, to_s: float) -> float:
        """Return since when the rain of the last tips has surely fallen, up to an instant."""
        missing = self.tips_mm
        for begin_s, rains_to_s, mm_per_s in reversed([*falling(self.low)]):
            end_s = min(rains_to_s, to_s)
            if mm_per_s and end_s > begin_s:
                if missing <= mm_per_s * (end_s - begin_s):
                    return end_s - missing / mm_per_s
                missing -= mm_per_s * (end_s - begin_s)
        return -inf


def _values(course: Steps, from_s: float, to_s: float) -> Iterator[float]:
    """Yield the values of a course in a span."""
    yield course.at(from_s)
    yield from (value for t_s, value in course.jumps if from_s < t_s < to_s)
