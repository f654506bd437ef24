"""The mean of a wind, of which a unit forgets with its supply what came before (pure).

Of the time over which it takes its mean, a unit that has just started has seen a part. It may take the rest for calm,
or the mean of that part alone: the table leaves it either.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

if TYPE_CHECKING:
    from ventproof.oracle.timeline import Steps, UncertainState


@dataclass(frozen=True, slots=True)
class WindMean(ABC):
    """A bound of what a unit takes the mean of a wind for; a `PiecewiseCourse`.

    Attributes:
        wind: the lowest or the highest course of the wind.
        over_s: the unit takes the mean over this time.
        powered: when the unit runs.
    """

    wind: Steps
    over_s: float
    powered: UncertainState

    @property
    def first(self) -> float:
        """The mean before the first edge."""
        return self.wind.first

    def edges(self) -> Iterator[float]:
        """Yield the instants between which it is straight."""
        for t_s in (*self.wind.edges(), *self.powered.must.switches_s, *self.powered.may.switches_s):
            yield from (t_s, t_s + self.over_s)

    @abstractmethod
    def ends(self, begin_s: float, end_s: float) -> tuple[float, float]:
        """Return the mean at both ends of a span that has no edge inside."""


@final
@dataclass(frozen=True, slots=True)
class LeastMean(WindMean):
    """The least: of what the unit surely saw, and of calm before."""

    def ends(self, begin_s: float, end_s: float) -> tuple[float, float]:
        """Return the mean at both ends of a span that has no edge inside."""
        since_s = self.powered.must.since(begin_s)
        at_begin, at_end = (self.wind.mean(t_s, self.over_s, since_s) for t_s in (begin_s, end_s))
        return at_begin, at_end


@final
@dataclass(frozen=True, slots=True)
class MostMean(WindMean):
    """The most: while the unit may just have started, the strongest wind since then."""

    def ends(self, begin_s: float, end_s: float) -> tuple[float, float]:
        """Return the mean at both ends of a span that has no edge inside."""
        if begin_s >= self.powered.must.since(begin_s) + self.over_s:
            return self.wind.mean(begin_s, self.over_s), self.wind.mean(end_s, self.over_s)
        since_s = max(begin_s - self.over_s, self.powered.may.since(begin_s))
        strongest = max(self.wind.values(since_s, begin_s), default=0.0)
        return strongest, strongest
