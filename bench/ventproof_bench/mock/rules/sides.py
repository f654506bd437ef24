"""Which vent groups the unit takes to lie in the lee (pure)."""

from __future__ import annotations

from math import inf, nan
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.rules.settling import Settling, Threshold

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof_bench.mock.faults.behaviour import Behaviour


_ABEAM_DEG: Final = 90.0  # between a vent's direction and the wind's
_PAST_DEG: Final = 1e-9  # straight across is windward yet
_HALF_TURN_DEG: Final = 180.0
_FULL_TURN_DEG: Final = 360.0


@final
class Sides:
    """The side of every vent group that faces somewhere: windward until the vane says otherwise.

    Args:
        faces: compass direction that each group opens towards, degrees.
        dead_band_deg: a group changes its side only once the wind is so much past straight across.
        settles_s: the wind must be there for this long.
        behaviour: what is wrong with the unit.
    """

    def __init__(
        self, faces: Mapping[str, float], dead_band_deg: float, settles_s: float, behaviour: Behaviour
    ) -> None:
        on_deg = _ABEAM_DEG + dead_band_deg * behaviour.lee_band_factor + _PAST_DEG
        off_deg = _ABEAM_DEG - dead_band_deg * behaviour.wind_band_factor
        settles_s *= behaviour.side_settles_factor
        self._exchanged = behaviour.sides_exchanged
        self._wind_from_deg, self._stands_to_s = nan, inf
        self._lee: frozenset[str] = frozenset()
        self._groups = {
            name: (at_deg, Threshold(on_deg, off_deg, rising=True), Settling(settles_s, settles_s))
            for name, at_deg in faces.items()
        }

    @property
    def settling(self) -> Iterator[Settling]:
        """What falls due."""
        return (settling for _, _, settling in self._groups.values())

    def leeward(self, wind_from_deg: float, now_s: float) -> frozenset[str]:
        """Take where the wind comes from, and return the groups that lie in the lee."""
        if wind_from_deg == self._wind_from_deg and now_s < self._stands_to_s:
            return self._lee
        for faces_deg, threshold, settling in self._groups.values():
            threshold.judge(_angle_deg(wind_from_deg, faces_deg))
            settling.change(now_s, state=threshold.on)
            if settling.due_s <= now_s:
                settling.fire()
        lee = frozenset(name for name, (_, _, settling) in self._groups.items() if settling.value)
        self._lee = frozenset(self._groups) - lee if self._exchanged else lee
        self._wind_from_deg = wind_from_deg
        self._stands_to_s = min((settling.due_s for settling in self.settling), default=inf)
        return self._lee


def _angle_deg(one: float, other: float) -> float:
    return abs((one - other + _HALF_TURN_DEG) % _FULL_TURN_DEG - _HALF_TURN_DEG)
