"""What is played on a contact that stands for a bucket or for cups, from any moment on (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import dropwhile
from typing import final

from bench.samples import Edge
from harness.weather.exact import exact
from harness.weather.wind_course import WindCourse, turned_by, wind_edges
from harness.weather.wind_cups import CupAnemometer


@final
@dataclass(frozen=True, slots=True)
class RainPlan:
    """Rain into a bucket.

    Attributes:
        edges: of the bucket's contact; instants count from the rain's beginning.
        lasts_s: how long it rains.
    """

    edges: tuple[Edge, ...]
    lasts_s: float

    def open_from(self, at_s: float) -> float:
        """Return the first instant, from `at_s` on, at which the contact is open: there another rain can take over."""
        opening = next((edge for edge in self.edges if edge.at_s > at_s), None)
        return at_s if opening is None or opening.closed else opening.at_s

    @property
    def ends_s(self) -> float:
        """When the rain and its last edge are over, seconds."""
        return max(self.lasts_s, self.edges[-1].at_s if self.edges else 0.0)

    def after(self, gone_s: float) -> Iterator[Edge]:
        """Yield the edges from the next closure on."""
        return dropwhile(lambda edge: edge.at_s <= gone_s or not edge.closed, self.edges)


@final
@dataclass(frozen=True, slots=True)
class WindPlan:
    """Wind on cups.

    Attributes:
        cups: the cups.
        course: the wind.
        phase: how far the cups stand past their last pulse when it begins, as a share of the way to the next.
    """

    cups: CupAnemometer
    course: WindCourse
    phase: Fraction = Fraction()

    def after(self, gone_s: float) -> Iterator[Edge]:
        """Yield the edges from the next closure on, without end; the contact is open at `gone_s`, or at 0 s before."""
        from_s = max(gone_s, 0.0)
        rest = self.course.rest(from_s) if from_s else self.course
        phase = self._turned(from_s) % 1
        return (Edge(e.at_s + from_s, e.closed) for e in wind_edges(self.cups, rest, phase=phase))

    def open_from(self, at_s: float) -> tuple[float, Fraction]:
        """Return the first instant, from `at_s` on, at which the contact is open, and the cups' phase then.

        There another wind can take over: no pulse is lost, cut short or added.
        """
        turned = self._turned(at_s)
        if turned >= 1 and turned % 1 < exact(self.cups.duty):
            rest = self.course.rest(at_s)
            opening = next(wind_edges(self.cups, rest, phase=turned % 1, closed=True))
            at_s += opening.at_s
            turned = self._turned(at_s)
        return at_s, turned % 1

    def _turned(self, at_s: float) -> Fraction:
        return turned_by(self.cups, self.course, at_s, phase=self.phase)


Plan = RainPlan | WindPlan
