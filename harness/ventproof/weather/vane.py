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

    def voltage_v(self, wind_from_deg: float, *, supply_v: float, load_ohm: float | None = None) -> float:
        """Return the wiper's voltage at an input that a resistor `load_ohm` pulls to 0 V.

        The load bends the scale: it stands in parallel with the track below the wiper. In the gap the load
        alone holds the input, at 0 V, which reads like the first degree past the gap.

        Args:
            wind_from_deg: compass direction that the wind comes from.
            supply_v: voltage across the track, more than 0 V.
            load_ohm: the input's resistance to 0 V, more than 0; None for one that draws nothing. Such an
                input floats in the gap.

        Raises:
            ValueError: a number is out of its range, or the input floats.
        """
        if not 0 < supply_v < float("inf"):
            raise ValueError(f"supply_v={supply_v!r} must be a finite voltage above 0 V")
        if load_ohm is not None and not load_ohm > 0:
            raise Refusal(f"load_ohm={load_ohm!r} must be more than 0 ohm", "leave it out for no load")
        share = self.share(wind_from_deg)
        if share is None:
            if load_ohm is None:
                raise Refusal(
                    f"at {wind_from_deg!r} degrees the wiper is in the gap and the input floats",
                    "give load_ohm",
                )
            return 0.0
        source_ohm = share * (1 - share) * self.full_ohm  # both halves of the track in parallel
        return share * supply_v if load_ohm is None else share * supply_v * load_ohm / (load_ohm + source_ohm)

    def direction_deg(self, share: float) -> float:
        """Return the compass direction, 0 to below 360 degrees, for a place on the track from 0 to 1.

        Raises:
            ValueError: the place is not on the track.
        """
        if not 0 <= share <= 1:
            raise ValueError(f"share={share!r} of the track must be from 0 to 1")
        along_deg = share * (FULL_TURN_DEG - self.gap_deg)
        return normal_deg(along_deg + self.gap_centre_deg + self.gap_deg / 2)


def normal_deg(angle_deg: float) -> float:
    """Return an angle as a compass direction from 0 to below 360 degrees; 360 is north, as 0 is.

    Raises:
        ValueError: not a finite number.
    """
    if not isfinite(angle_deg):
        raise Refusal(f"{angle_deg!r} is not a direction", "give degrees clockwise from north")
    turned_deg = angle_deg % FULL_TURN_DEG
    return 0.0 if turned_deg == FULL_TURN_DEG else turned_deg  # -1e-20 % 360 is 360.0
