"""What a unit takes a wind or a rain to be over time, as far as the weather tells; for limits that follow it (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, inf
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof.oracle.targets import Range
from ventproof.oracle.tips import fallen_s, falling

if TYPE_CHECKING:
    from ventproof.oracle.means import LeastMean, MostMean
    from ventproof.oracle.timeline import Steps, UncertainState


_PIECES: Final = 12
"""A mean that changes is followed in so many pieces of its time."""
_ROUNDING_S: Final = 1e-9
"""What computing an instant may lose."""


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
        least: the least that the unit takes it for, m/s.
        most: the most.
        off_by: how far off it may see it, m/s.
    """

    least: LeastMean
    most: MostMean
    off_by: float

    def edges(self) -> Iterator[float]:
        """Yield the edges of both, and the pieces between in which they follow the wind."""
        edges = sorted({*self.least.edges(), *self.most.edges()})
        piece_s = self.least.over_s / _PIECES
        for begin_s, next_s in pairwise([*edges, inf]):
            yield begin_s
            if next_s < inf and any(len({*its.ends(begin_s, next_s)}) > 1 for its in (self.least, self.most)):
                pieces = ceil((next_s - begin_s) / piece_s)
                yield from (begin_s + number * piece_s for number in range(1, pieces))

    def within(self, from_s: float, to_s: float) -> Range:
        """Return between which values the mean is; it is straight between two edges."""
        least, most = min(self.least.ends(from_s, to_s)), max(self.most.ends(from_s, to_s))
        return Range(least - self.off_by, most + self.off_by)


@final
@dataclass(frozen=True, slots=True)
class MeasuredRain:
    """The intensity of the last tips: between the least and the most since the first of them surely fell.

    Attributes:
        low: the lowest course of the rain itself, mm/h.
        high: the highest.
        powered: when the unit runs; it forgets all tips with its supply.
        tips_mm: rain that makes as many tips as give the intensity.
        forgotten_s: after so long without as much rain the unit takes it to be over.
        over_at: at this intensity, mm/h, the unit may take the rain to be over, and then measures none.
        off_by: how far off it may see the intensity, mm/h.
    """

    low: Steps
    high: Steps
    powered: UncertainState
    tips_mm: float
    forgotten_s: float
    over_at: float
    off_by: float

    def edges(self) -> Iterator[float]:
        """Yield each jump and each start, and when what was before may count no longer."""
        yield from self.powered.may.switches_s
        for since_s in {*self.low.edges(), *self.high.edges(), *self.powered.must.switches_s}:
            forgotten_s = since_s + self.forgotten_s
            yield from (since_s, forgotten_s, min(fallen_s(self.low, self.tips_mm, since_s), forgotten_s))

    def within(self, from_s: float, to_s: float) -> Range:  # noqa: ARG002 - as every `MeasuredWeather`
        """Return between which values the intensity is."""
        begin_s = max(self._counts_from_s(from_s), from_s - self.forgotten_s)
        seen_s = max(begin_s, self.powered.may.since(from_s))
        most = max(self.high.values(seen_s, from_s), default=0.0)
        # A unit that has not seen all tips yet measures by fewer, or nothing.
        surely = begin_s >= self.powered.must.since(from_s) - _ROUNDING_S
        least = min(self.low.values(begin_s, from_s)) if surely else 0.0
        return Range(0.0 if least <= self.over_at else least - self.off_by, most + self.off_by)

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
