"""Random showers: rectangular pulses of rain that arrive at random and add up (pure, the same for a seed)."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from math import log
from random import Random
from typing import Final

from bench.errors import Refusal
from harness.weather.exact import Number, more_than_zero, not_negative, shown
from harness.weather.hyetograph import SECONDS_PER_HOUR, Hyetograph, blocks

MOST_SHOWERS: Final = 10_000
"""More showers than this are a slip of the pen: they are one a minute for a week."""


def random_showers(
    *,
    duration_s: Number,
    showers_per_h: Number,
    mean_shower_s: Number,
    mean_mm_per_h: Number,
    seed: int,
) -> Hyetograph:
    """Return showers that begin as a Poisson process, with exponential durations and intensities.

    Where showers overlap their intensities add; the last ones end with the span. It is dry at 0 s. Times are
    rounded to 1 ms and intensities to 0.001 mm/h. In the long run the mean intensity is
    showers_per_h * mean_shower_s / 3600 * mean_mm_per_h, the product of the three means (Campbell's theorem).

    Args:
        duration_s: span to fill, more than 0 s.
        showers_per_h: how many begin in an hour on average, 0 or more.
        mean_shower_s: mean duration of a shower, more than 0 s.
        mean_mm_per_h: mean intensity of a shower, more than 0 mm/h.
        seed: the same seed gives the same rain.

    Raises:
        ValueError: a number is out of its range, or more than `MOST_SHOWERS` are to be expected.
    """
    end_s, rate = more_than_zero("duration_s", duration_s), not_negative("showers_per_h", showers_per_h)
    shower_s = float(more_than_zero("mean_shower_s", mean_shower_s))
    intensity = float(more_than_zero("mean_mm_per_h", mean_mm_per_h))
    expected = rate * end_s / SECONDS_PER_HOUR
    if expected > MOST_SHOWERS:
        raise Refusal(
            (
                f"{shown(rate)} showers an hour over {shown(end_s)} s are some "
                f"{float(expected):.0f} showers, more than {MOST_SHOWERS}"
            ),
            "use fewer or a shorter span",
        )
    draw = Random(seed)  # noqa: S311 - reproducible weather, no secret
    # Both ends stand even without a shower: the rain fills its span. In fractions, so that what is added is taken
    # away again to exactly nothing.
    changes: dict[Fraction, Fraction] = {Fraction(): Fraction(), end_s: Fraction()}
    at_s = Fraction()
    while rate and (at_s := at_s + _thousandths(_exponential(draw, SECONDS_PER_HOUR / float(rate)))) < end_s:
        # The draws keep this order: another one would be another rain for the same seed.
        over_s = min(at_s + _thousandths(_exponential(draw, shower_s)), end_s)
        adds = _thousandths(_exponential(draw, intensity))
        changes[at_s] = changes.get(at_s, Fraction()) + adds
        changes[over_s] = changes.get(over_s, Fraction()) - adds
    return _summed(changes)


def _summed(changes: dict[Fraction, Fraction]) -> Hyetograph:
    spans, now = [], Fraction()
    for start_s, next_s in pairwise(sorted(changes)):
        now += changes[start_s]
        spans.append((next_s - start_s, now))
    return blocks(spans)


def _exponential(draw: Random, mean: float) -> float:
    """Return a draw by inversion: Python promises the same uniform draws for a seed, and no others."""
    return -mean * log(1 - draw.random())


def _thousandths(value: float) -> Fraction:
    return Fraction(round(value * 1000), 1000)
