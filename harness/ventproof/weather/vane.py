"""Wind direction: the potentiometer vane with its gap."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Final, final

from ventproof_bench.base.errors import Refusal

FULL_TURN_DEG: Final = 360.0
_ROUNDING_DEG: Final = 1e-9  # differences of decimal fractions: both ends of the track belong to it


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class PotentiometerVane:
    """A wind vane whose shaft turns a potentiometer without end stops.

    The track begins at one edge of a gap and runs clockwise to the other edge. In the gap the wiper touches
    nothing. The gap commonly lies about north and is a few degrees wide (common practice, no source).

    Attributes:
        full_ohm: resistance of the whole track, more than 0.
        gap_deg: width of the gap, from 0 to less than 360 degrees.
        gap_centre_deg: compass direction of the gap's middle when the vane is mounted as it should be.
    """

    full_ohm: float
    gap_deg: float = 5.0
    gap_centre_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.full_ohm < float("inf"):
            raise ValueError(f"full_ohm={self.full_ohm!r} must be a finite resistance above 0 ohm")
        if not 0 <= self.gap_deg < FULL_TURN_DEG:
            raise ValueError(f"gap_deg={self.gap_deg!r} must be from 0 to less than 360")
        normal_deg(self.gap_centre_deg)

    def share(self, wind_from_deg: float) -> float | None:
        """Return how far along the track the wiper stands, 0 to 1, or None where it touches nothing."""
        track_deg = FULL_TURN_DEG - self.gap_deg
        along_deg = normal_deg(wind_from_deg - self.gap_centre_deg - self.gap_deg / 2)
        if FULL_TURN_DEG - along_deg < _ROUNDING_DEG:
            along_deg = 0.0
        return min(along_deg / track_deg, 1.0) if along_deg < track_deg + _ROUNDING_DEG else None

    def resistance_ohm(self, wind_from_deg: float) -> float | None:
        """Return the resistance from the track's beginning to the wiper, or None in the gap (an open circuit)."""
        share = self.share(wind_from_deg)
        return None if share is None else share * self.full_ohm


def normal_deg(angle_deg: float) -> float:
    """Return an angle as a compass direction from 0 to below 360 degrees; 360 is north, as 0 is.

    Raises:
        ValueError: not a finite number.
    """
    if not isfinite(angle_deg):
        raise Refusal(f"{angle_deg!r} is not a direction", "give degrees clockwise from north")
    turned_deg = angle_deg % FULL_TURN_DEG
    return 0.0 if turned_deg == FULL_TURN_DEG else turned_deg  # -1e-20 % 360 is 360.0
