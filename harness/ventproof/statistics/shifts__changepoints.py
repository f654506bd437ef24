"""Where the mean of a sequence changes (pure)."""

from __future__ import annotations

import math
import statistics
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

_PER_CHANGE: Final = 3.0
"""Penalty of a change in units of ln n: one for its place, one for the new mean, one against chance; our choice."""

_MAD_OF_NORMAL: Final = 0.6745
"""Median absolute deviation of a normal distribution, in standard deviations."""


def noise_of(values: Sequence[float]) -> float:
    """Return the standard deviation of what scatters about a mean that seldom changes; at least 2 values.

    Median of the absolute differences of neighbours over 0.6745 sqrt 2, of an even number the lower: one step among
    others does not move it, and of three values two that are alike tell how far the third is from them.
    """
    steps = [abs(b - a) for a, b in pairwise(values)]
    return statistics.median_low(steps) / (_MAD_OF_NORMAL * math.sqrt(2)) if steps else 0.0


def changes(values: Sequence[float], noise: float, places: Collection[int] | None = None) -> list[int]:
    """Return the indices at which a new mean begins: those that a penalised sum of squares is least with.

    Sum of squares about the means of the segments, over the square of the noise, plus 3 ln n for each change; the
    least of all divisions, found by dynamic programming (optimal partitioning; Jackson et al. 2005).

    Args:
        values: in order.
        noise: standard deviation about a mean, more than 0.
        places: indices at which a change may be; None: anywhere.

    Raises:
        ValueError: the noise is not more than 0.
    """
    if not noise > 0:
        raise ValueError(f"noise={noise!r} must be more than 0")
    count = len(values)
    if count == 0:
        return []
    centre = statistics.fmean(values)  # sums of squares lose fewer digits about it
    sums = [0.0, *accumulate(v - centre for v in values)]
    squares = [0.0, *accumulate((v - centre) ** 2 for v in values)]
    penalty = _PER_CHANGE * math.log(max(count, 2))

    def cost(first: int, end: int) -> float:
        total = sums[end] - sums[first]
        return max(0.0, squares[end] - squares[first] - total * total / (end - first)) / noise**2

    ends = [
        0,
        *(n for n in sorted(places if places is not None else range(1, count)) if 0 < n < count),
        count,
    ]
    least = {0: -penalty}
    before: dict[int, int] = {}
    for position, end in enumerate(ends[1:], start=1):
        least[end], before[end] = min(
            (least[first] + penalty + cost(first, end), first) for first in ends[:position]
        )
    found: list[int] = []
    place = before[count]
    while place > 0:
        found.append(place)
        place = before[place]
    return found[::-1]
