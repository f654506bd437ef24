"""How values and limits are written in the judge's sentences (pure)."""

from __future__ import annotations

from math import ceil, floor, log10

from harness.judge.verdict import Bounds

_FINE = 0.01
"""An error below this deserves a third decimal."""


def decimals_for(error: float) -> int:
    """Return how many decimals a value deserves whose error is `error`, in the signal's unit."""
    return 3 if 0 < error < _FINE else 2


def value_text(value: float, decimals: int = 2) -> str:
    """Return a value without decimals that say nothing, and never as a power of ten."""
    rounded = round(value, decimals)
    return f"{rounded + 0.0:.{decimals}f}".rstrip("0").rstrip(".") if decimals else f"{rounded:.0f}"


def range_text(bounds: Bounds, unit: str, decimals: int = 2) -> str:
    """Return an interval, or one number where both ends read alike; `unit` begins with its space."""
    low, high = value_text(bounds.low, decimals), value_text(bounds.high, decimals)
    return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"


def outward(value: float, decimals: int, *, up: bool) -> float:
    """Return a limit rounded to 3 significant digits and at most `decimals`, up or down but never across."""
    digits = decimals if not value else min(decimals, 2 - floor(log10(abs(value))))
    scale = 10.0**digits
    return (ceil(value * scale - 1e-6) if up else floor(value * scale + 1e-6)) / scale
