"""Mean wind and gusts as the trade defines them, exact on piecewise-linear winds."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import fsum
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from ventproof.weather.course import Trace

GUST_S: Final = 3.0
"""Averaging time of a gust (WMO-No. 306, volume I.1, regulation 15.5.5: a peak gust is a three-second average)."""

MEAN_WIND_S: Final = 600.0
"""Averaging time of the mean wind, ten minutes (WMO-No. 8, part I, chapter 5)."""


_ROUNDING_S: Final = 1e-9


@final
@dataclass(frozen=True, slots=True)
class Peak:
    """The largest running mean of a span: its value, and the instant at which its window ends."""

    value: float
    at_s: float


def mean(trace: Trace, from_s: float, to_s: float) -> float:
    """Return the mean over a span, which must last more than 0 s."""
    # Not the difference of two areas from the start: late in a long trace that would lose its digits.
    cut = trace.part(from_s, to_s)
    pieces = pairwise(zip(cut.times_s, cut.values, strict=True))
    return fsum((b - a) * (u + v) / 2 for (a, u), (b, v) in pieces) / (to_s - from_s)


@final
class Areas:
    """The integrals of a trace from its start."""

    def __init__(self, trace: Trace) -> None:
        self._trace = trace
        pieces = pairwise(zip(trace.times_s, trace.values, strict=True))
        self._to_points = tuple(accumulate(((b - a) * (u + v) / 2 for (a, u), (b, v) in pieces), initial=0.0))

    def to(self, at_s: float) -> float:
        """Return the integral to an instant."""
        times_s = self._trace.times_s
        left = min(bisect_right(times_s, at_s), len(times_s) - 1) - 1
        ends = self._trace.at(times_s[left]) + self._trace.before(at_s) if at_s > times_s[left] else 0.0
        return self._to_points[left] + (at_s - times_s[left]) * ends / 2


def running_mean(wind: Trace, at_s: float, window_s: float) -> float:
    """Return the mean over the `window_s` seconds that end at `at_s`.

    Raises:
        ValueError: the window is not longer than 0 s, or begins before the wind does.
    """
    from_s = at_s - window_s
    # 0.6 - 0.5 falls short of 0.1: a window that was meant to begin with the wind does.
    return mean(wind, wind.start_s if abs(from_s - wind.start_s) < _ROUNDING_S else from_s, at_s)


def mean_wind(wind: Trace, at_s: float) -> float:
    """Return the ten-minute mean that ends at `at_s`.

    Raises:
        ValueError: the wind began less than ten minutes before.
    """
    return running_mean(wind, at_s, MEAN_WIND_S)


def gust(wind: Trace, from_s: float, to_s: float, *, window_s: float = GUST_S) -> Peak:
    """Return the gust of a period: the largest running mean whose window lies inside the period.

    On lines a running mean is a chain of parabolas. It is largest where a point of the wind enters or leaves
    the window, or where the wind is as strong at the window's end as at its beginning; all of these
    are tried, so nothing between samples is missed.

    Raises:
        ValueError: the period is shorter than the window, or reaches outside the wind.
    """
    if not 0 < window_s <= to_s - from_s:
        raise Refusal(
            f"a period from {from_s!r} s to {to_s!r} s holds no window of {window_s!r} s",
            "lengthen the period",
        )
    cut = wind.part(from_s, to_s)
    first_s = from_s + window_s
    corners = {*cut.times_s, *(t + window_s for t in cut.times_s)}
    ends = sorted({first_s, to_s, *(t for t in corners if first_s < t < to_s)})
    areas = Areas(cut)

    def mean_ending(at_s: float) -> float:
        return (areas.to(at_s) - areas.to(max(cut.start_s, at_s - window_s))) / window_s

    candidates = [*ends, *(t for a, b in pairwise(ends) if (t := _crest(cut, a, b, window_s)) is not None)]
    return max(
        (Peak(mean_ending(t), t) for t in sorted(candidates)),
        key=lambda peak: (peak.value, -peak.at_s),
    )


def _crest(wind: Trace, a_s: float, b_s: float, window_s: float) -> float | None:
    """Return where, between two corners, the wind at the window's end falls below that at its beginning."""
    if b_s - a_s < _ROUNDING_S:
        return None

    # Both are lines between corners. They are read inside, where rounding cannot put them across a step.
    def steepness(at_s: float) -> float:
        return wind.at(at_s) - wind.at(max(wind.start_s, at_s - window_s))

    early, late = steepness(a_s + (b_s - a_s) / 4), steepness(b_s - (b_s - a_s) / 4)
    rising, falling = early + (early - late) / 2, late - (early - late) / 2
    if not rising > 0 > falling:
        return None
    return a_s + (b_s - a_s) * (rising / (rising - falling))
