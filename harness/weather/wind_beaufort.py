"""The Beaufort scale: the wind's strength in words and numbers that growers use."""

from __future__ import annotations

from bisect import bisect_right
from typing import Final

from bench.errors import Refusal

LOWER_LIMITS_M_PER_S: Final = (0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7)
"""Lower limits of forces 1 to 12, m/s (WMO-No. 306, code table 1100)."""

LOWER_LIMITS_KN: Final = (1, 4, 7, 11, 17, 22, 28, 34, 41, 48, 56, 64)
"""Lower limits of forces 1 to 12, knots (same table). They are not the limits in m/s converted."""


def beaufort(speed_m_per_s: float) -> int:
    """Return the Beaufort force, 0 to 12, of a mean speed in m/s; a speed at a lower limit has that force.

    Raises:
        ValueError: the speed is negative or no number.
    """
    return _force(speed_m_per_s, LOWER_LIMITS_M_PER_S, "m/s")


def beaufort_of_knots(speed_kn: float) -> int:
    """Return the Beaufort force, 0 to 12, of a mean speed in knots, by the table's own limits in knots.

    Between the two tables' limits the forces differ: 34 kn is force 8, and so is 17.2 m/s, which is 33.4 kn.

    Raises:
        ValueError: the speed is negative or no number.
    """
    return _force(speed_kn, LOWER_LIMITS_KN, "kn")


def typical_speed_m_per_s(force: float) -> float:
    """Return the speed of a Beaufort force by the empirical law v = 0.836 B^1.5 (WMO 1946, from memory).

    Raises:
        ValueError: the force is not from 0 to 12.
    """
    highest = len(LOWER_LIMITS_M_PER_S)
    if not 0 <= force <= highest:
        raise ValueError(f"force={force!r} must be from 0 to {highest}")
    return float(0.836 * force**1.5)


def _force(speed: float, limits: tuple[float, ...], unit: str) -> int:
    if not speed >= 0:
        raise Refusal(f"a wind of {speed!r} {unit} has no Beaufort force", f"give a speed from 0 {unit} up")
    return bisect_right(limits, speed)
