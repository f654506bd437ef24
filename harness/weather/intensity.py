"""Names for rain intensity; the scales disagree, so the scale is always named (pure)."""

from __future__ import annotations

from fractions import Fraction
from typing import Final, Literal

from bench.errors import Refusal
from harness.weather.exact import Number, not_negative

Scale = Literal["wmo", "ams"]

# WMO-No. 8 Volume I, annex on criteria for precipitation intensity: lower limits in mm/h (that a limit belongs to the
# class above it is from memory).
_WMO: Final = ((50, "violent"), (10, "heavy"), (Fraction(5, 2), "moderate"), (0, "slight"))
# AMS Glossary of Meteorology, "rain": upper limits in mm/h, inclusive, given to 0.1 mm/h.
_AMS: Final = ((Fraction(5, 2), "light"), (Fraction(38, 5), "moderate"))


def classify(mm_per_h: Number, scale: Scale) -> str:
    """Return the name of an intensity; `dry` at 0.

    `wmo` has slight, moderate from 2.5, heavy from 10, violent from 50 mm/h, of means over 10 minutes. `ams` has
    light up to 2.5, moderate up to 7.6, heavy above; it leaves gaps of 0.1 mm/h, so the intensity is first
    rounded to that, halves up. What is more than 0 is never dry.

    Args:
        mm_per_h: intensity, 0 or more.
        scale: `wmo` or `ams`; they differ between 7.6 and 10 mm/h.

    Raises:
        ValueError: a negative intensity, or no such scale.
    """
    rate = not_negative("mm_per_h", mm_per_h)
    if scale not in ("wmo", "ams"):
        raise Refusal(f"{scale!r} is not a scale of rain intensity", "write 'wmo' or 'ams'")
    if rate == 0:
        return "dry"
    if scale == "wmo":
        return next(name for lower, name in _WMO if rate >= lower)
    tenths = Fraction((rate * 10 + Fraction(1, 2)).__floor__(), 10)
    return next((name for upper, name in _AMS if tenths <= upper), "heavy")
