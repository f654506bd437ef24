"""Axes: from values to pixels, and the round numbers to write beside them (pure)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, final

_STEPS: Final = (1.0, 2.0, 5.0, 10.0)
_TIME_STEPS_S: Final = (
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    1200.0,
    1800.0,
    3600.0,
    7200.0,
    14400.0,
    28800.0,
    86400.0,
)


@final
@dataclass(frozen=True, slots=True)
class Scale:
    """Maps low to start_px and high to end_px; high is above low."""

    low: float
    high: float
    start_px: float
    end_px: float

    def __call__(self, value: float) -> float:
        """Return the pixel of a value."""
        share = (value - self.low) / (self.high - self.low)
        return self.start_px + share * (self.end_px - self.start_px)

    @property
    def per_px(self) -> float:
        """How much of the value one pixel is."""
        return (self.high - self.low) / abs(self.end_px - self.start_px)

    def ticks(self, most: int, *, time: bool = False) -> list[tuple[float, str]]:
        """Return round values in range, `most` at most, each with its text."""
        span = self.high - self.low
        step = _step(span / most, time=time)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [(n * step, f"{n * step:.{digits}f}") for n in range(first, last + 1)]


def _step(least: float, *, time: bool) -> float:
    if time and least > 20:  # noqa: PLR2004 - from here on people count in minutes
        return next((s for s in _TIME_STEPS_S if s >= least), math.ceil(least / 86400) * 86400.0)
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * s for s in _STEPS if power * s >= least * (1 - 1e-9))


def padded(low: float, high: float, share: float = 0.06) -> tuple[float, float]:
    """Return a range with some room on either side; never an empty one."""
    room = (high - low) * share or max(1.0, abs(low) * share)
    return low - room, high + room


def spread(wanted: list[float], apart: float, top: float, bottom: float) -> list[float]:
    """Return places as near as can be to the wanted ones, at least `apart`, between top and bottom, in their order."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = list(wanted)
    least = top
    for i in order:
        placed[i] = least = max(wanted[i], least)
        least += apart
    most = bottom
    for i in reversed(order):
        placed[i] = most = min(placed[i], most)
        most -= apart
    return placed
