"""What tests count: pulses of cups, tips of a bucket, and the plain weather that brings them."""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING

from ventproof.weather.anemometer import turned, turned_instants
from ventproof.weather.course import Trace
from ventproof.weather.exact import exact
from ventproof.weather.hyetograph import ramp
from ventproof.weather.rain_gauge import tip_instants_s

if TYPE_CHECKING:
    from ventproof.weather.anemometer import CupAnemometer
    from ventproof.weather.exact import Number
    from ventproof.weather.hyetograph import Hyetograph
    from ventproof.weather.rain_gauge import TippingBucket


def pulse_count(cups: CupAnemometer, wind: Trace, *, phase: Number = 0) -> int:
    """Return how many pulses a wind makes, from how far it turns the cups."""
    return floor(turned(cups, wind) + exact(phase))


def pulse_instants(cups: CupAnemometer, wind: Trace, *, phase: Number = 0) -> tuple[float, ...]:
    """Return the instants at which the contact closes."""
    return tuple(turned_instants(cups, wind, exact(phase), Fraction(1)))


def tip_count(rain: Hyetograph, bucket: TippingBucket) -> int:
    """Return how often a bucket tips."""
    return len(tip_instants_s(rain, bucket))


def steady_rain(mm_per_h: Number, *, duration_s: Number) -> Hyetograph:
    """Return rain of one intensity."""
    return ramp(mm_per_h, mm_per_h, duration_s=duration_s)


def jump(first: float, last: float, *, at_s: float, for_s: float) -> Trace:
    """Return a wind that jumps from one speed to another, and lasts `for_s` seconds in all."""
    return Trace((0.0, at_s, at_s, for_s), (first, first, last, last))
