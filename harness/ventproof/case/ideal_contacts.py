"""What is read of the contacts of a drive that follows an ideal course (pure).

The drive is in the middle of what is declared of it, and goes at its own rate, whatever the course's. Where it stands
before is known exactly, as if an end switch had just told it: no bench knows more.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace
from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.plant.contacts import packed
from ventproof_bench.plant.vent import Vent, VentTravel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.case.ideal import Course
    from ventproof_bench.plant.contacts import ReckonedTraits

_RESTED_S: Final = 1e4
"""So long before the stimulus nothing had moved."""
_THERE_PERCENT: Final = 1e-6


def _middle(span: tuple[float, float]) -> float:
    return sum(span) / 2


def uncertain_percent(traits: ReckonedTraits) -> float:
    """Return by how much a single run leaves open where a vent comes to stand, however short it is and well read."""
    travel = traits.travel
    late_s = sum(span[1] - span[0] for span in (travel.dead_time_s, travel.coast_s))
    return (traits.rate_per_s or 0.0) * late_s + travel.play_percent[1] - travel.play_percent[0]


@final
class IdealContacts:
    """The contacts of a course.

    Args:
        course: the corners.
        traits: what is declared of the position.

    Attributes:
        traits: the same, and that the place where it begins is known.
    """

    def __init__(self, course: Course, traits: ReckonedTraits) -> None:
        start = course[0][1]
        self.traits = replace(traits, flags=(*traits.flags, "begin"), known_at=(*traits.known_at, start))
        travel = traits.travel
        self._travel = VentTravel(
            open_s=_middle(travel.open_s),
            close_s=_middle(travel.close_s),
            dead_time_s=_middle(travel.dead_time_s),
            coast_s=_middle(travel.coast_s),
            play_percent=_middle(travel.play_percent),
            both=travel.both,
        )
        self._vent = Vent(self._travel, -_RESTED_S, percent=start)
        self._edges: list[tuple[float, bool, bool]] = [(-_RESTED_S, False, False)]
        for at_s, opens, closes in self._driven(course):
            self._edges.append((at_s, opens, closes))
            self._vent.switch(at_s, opens=opens, closes=closes)

    def _driven(self, course: Course) -> Iterator[tuple[float, bool, bool]]:
        """Yield when the contacts change, and to what."""
        travel, free_s = self._travel, -_RESTED_S
        for (at_s, before), (_, after) in pairwise(course):
            if before == after:
                continue
            full_s = travel.open_s if after > before else travel.close_s
            begin_s = max(free_s, at_s - travel.dead_time_s)
            run_s = abs(after - before) / 100.0 * full_s + travel.dead_time_s - travel.coast_s
            free_s = begin_s + max(0.0, run_s)
            yield begin_s, after > before, after < before
            yield free_s, False, False

    def read(self, at_s: float) -> float:
        """Return what is read of contacts and flags at an instant, packed."""
        _, opens, closes = self._edges[bisect_right(self._edges, at_s, key=itemgetter(0)) - 1]
        position = self._vent.position_at(at_s)
        return packed(
            [opens, closes, *(abs(position - place) < _THERE_PERCENT for place in self.traits.known_at)]
        )
