"""Two groups; change points (pure).

Each value is known as a window that surely holds it, since it was polled. Statistics work on the windows' middles;
what the windows leave open is then added on both sides, so that no interval is narrower than the polling allows.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Final, Literal, NamedTuple, final

from ventproof.statistics.distributions import require_share, t_cdf, t_quantile
from ventproof.verdict.finding import Bounds

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence


Standing = Literal["same", "changed", "undecided"]
"""Whether a shift surely lies within its limit, surely beyond it, or neither can be said."""

MOST_REPEATS: Final = 1000
"""Repeats beyond which nobody is told to repeat."""

_ROUNDING: Final = 1e-9  # a shift that exceeds its limit by less lies on it, and so within it


class Contrast(NamedTuple):
    """A difference of two means, its standard error, and that error's degrees of freedom.

    With one value in each group there is no error to speak of: `degrees` is 0, `error` infinite.
    """

    difference: float
    error: float
    degrees: float


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """By how much the candidate differs from the base, in the unit of the values.

    Attributes:
        runs: values of the base and of the candidate.
        estimate: difference of the means, candidate minus base.
        interval: holds the difference: with the stated confidence, or with one value in each group for certain for
            those two and without a word about others.
        chance: whether the interval speaks of further runs; false with one value in each group.
        limit: up to this much, either way and inclusive, counts as the same.
        least: a change is surely more than this; at most the limit.
        effect: of all pairs, the share in which the candidate's value is surely greater less the share in which it is
            surely smaller, -1 to 1 (Cliff 1993); overlapping windows are ties.
        p_within: probability of values that differ this much, were the true shift no more than `least`.
        standing: of this comparison by itself.
        repeats: how many on each side would probably decide, None when decided, 0 when no number would since the
            windows are too wide; that is always so of one value each, which nothing else leaves open.
    """

    runs: tuple[int, int]
    estimate: float
    interval: Bounds
    chance: bool
    limit: float
    least: float
    effect: float
    p_within: float
    standing: Standing
    repeats: int | None


def shift(
    base: Sequence[Bounds],
    candidate: Sequence[Bounds],
    *,
    limit: float,
    confidence: float,
    least: float | None = None,
) -> Shift:
    """Compare two groups of windows.

    Args:
        base: at least one window; each holds one value.
        candidate: likewise.
        limit: largest difference that counts as the same, at least 0.
        confidence: of the two-sided interval, strictly between 0 and 1. `same` is then the two one-sided tests of
            equivalence (Schuirmann 1987) at (1 - confidence) / 2 each, `changed` the test against `least` at the same
            level.
        least: what is surely more than this has changed, unless it is surely within the limit; the limit unless stated.

    Raises:
        ValueError: a group is empty, a limit is negative or less than `least`, or the confidence out of range.
    """
    require_share("confidence", confidence)
    least = limit if least is None else least
    _require_limits(limit, least)
    found = contrast([_middle(w) for w in base], [_middle(w) for w in candidate])
    spare = statistics.fmean(map(_half, base)) + statistics.fmean(map(_half, candidate))
    reach = spare
    if found.degrees > 0 and found.error > 0:
        reach += t_quantile((1 + confidence) / 2, found.degrees) * found.error
    interval = Bounds(found.difference - reach, found.difference + reach)
    edge, least_edge = limit + _ROUNDING, least + _ROUNDING
    beyond = max(interval.low, -interval.high) > least_edge
    within = max(-interval.low, interval.high) <= edge
    standing: Standing = "same" if within else "changed" if beyond else "undecided"
    return Shift(
        runs=(len(base), len(candidate)),
        estimate=found.difference,
        interval=interval,
        chance=found.degrees > 0,
        limit=limit,
        least=least,
        effect=cliff(base, candidate),
        # Twice the one tail: nobody said beforehand in which direction it would shift.
        p_within=min(1.0, 2 * _exceeds(abs(found.difference) - spare - least_edge, found)),
        standing=standing,
        repeats=None
        if standing != "undecided"
        else _repeats(found, base, candidate, (limit - spare, least + spare), confidence),
    )


def _require_limits(limit: float, least: float) -> None:
    if limit < 0:
        raise ValueError(f"limit={limit!r} must not be negative")
    if not 0 <= least <= limit:
        raise ValueError(f"least={least!r} must be from 0 to limit={limit!r}")


def contrast(base: Sequence[float], candidate: Sequence[float]) -> Contrast:
    """Return the difference of two means with its standard error, without assuming equal spreads (Welch 1947).

    s^2 = s1^2/n1 + s2^2/n2 with (s^2)^2 / ((s1^2/n1)^2/(n1-1) + (s2^2/n2)^2/(n2-1)) degrees of freedom. A group of one
    is taken to spread as the other does.

    Raises:
        ValueError: a group is empty.
    """
    if not base or not candidate:
        raise ValueError(f"{len(base)} values and {len(candidate)}: a comparison takes at least one of each")
    difference = statistics.fmean(candidate) - statistics.fmean(base)
    if len(base) == 1 and len(candidate) == 1:
        return Contrast(difference, math.inf, 0)
    if len(base) == 1 or len(candidate) == 1:
        several = max(base, candidate, key=len)
        return Contrast(
            difference, statistics.stdev(several) * math.sqrt(1 + 1 / len(several)), len(several) - 1
        )
    parts = [(statistics.variance(group) / len(group), len(group) - 1) for group in (base, candidate)]
    squared = sum(part for part, _ in parts)
    if squared == 0:
        return Contrast(difference, 0.0, sum(free for _, free in parts))
    # Divided through by the sum: the square of a tiny variance would vanish.
    degrees = 1 / sum((part / squared) ** 2 / free for part, free in parts)
    return Contrast(difference, math.sqrt(squared), degrees)


def _exceeds(distance: float, found: Contrast) -> float:
    """Return the probability that the difference strays by more than `distance`; all or nothing without spread."""
    if found.degrees == 0 or found.error == 0:
        return float(distance <= 0)
    return t_cdf(-distance / found.error, found.degrees)


def cliff(base: Sequence[Bounds], candidate: Sequence[Bounds]) -> float:
    """Return how surely a value of the candidate is the greater one, -1 to 1; overlapping windows are ties.

    For exact values it is 2 U / (n m) - 1 of the Mann-Whitney U (Cliff 1993).
    """
    greater = sum(c.low > b.high for b in base for c in candidate)
    smaller = sum(c.high < b.low for b in base for c in candidate)
    return (greater - smaller) / (len(base) * len(candidate))


def holm(probabilities: Sequence[float]) -> list[float]:
    """Return the probabilities adjusted for their number, in the given order (Holm 1979).

    To flag those of at most `alpha` flags none wrongly with a probability of at least 1 - alpha, however the
    comparisons depend on each other.
    """
    order = sorted(range(len(probabilities)), key=lambda index: probabilities[index])
    adjusted = [0.0] * len(probabilities)
    most = 0.0
    for rank, index in enumerate(order):
        most = max(most, min(1.0, (len(order) - rank) * probabilities[index]))
        adjusted[index] = most
    return adjusted


def fewer_passes(base: tuple[int, int], candidate: tuple[int, int]) -> float:
    """Return the probability that so few of the candidate's runs pass, were it as good as the base (Fisher 1935).

    Fisher's exact test, one-sided: hypergeometric tail with all totals given.

    Args:
        base: passes, and runs in all.
        candidate: likewise.

    Raises:
        ValueError: more passes than runs.
    """
    for passes, runs in (base, candidate):
        if not 0 <= passes <= runs:
            raise ValueError(f"passes={passes!r} must be from 0 to runs={runs!r}")
    passes, runs = base[0] + candidate[0], base[1] + candidate[1]
    fewest = max(0, passes - base[1])
    ways = sum(
        math.comb(candidate[1], k) * math.comb(base[1], passes - k) for k in range(fewest, candidate[0] + 1)
    )
    return ways / math.comb(runs, passes)


def _repeats(
    found: Contrast,
    base: Sequence[Bounds],
    candidate: Sequence[Bounds],
    clear: tuple[float, float],
    confidence: float,
) -> int:
    """Return how many repeats on each side would probably decide, if estimate and spread stay as they are.

    Args:
        found: the difference as it is.
        base: the base's windows.
        candidate: the candidate's.
        clear: the difference below which it is the same and the one beyond which it has changed, both as far as the
            windows' middles must show it.
        confidence: of the interval.
    """
    # What either answer leaves for chance: to stay within the limit, or to lie beyond it.
    same, changed = clear
    room = max(same - abs(found.difference), abs(found.difference) - changed)
    groups = [[_middle(w) for w in group] for group in (base, candidate) if len(group) > 1]
    # Without a group of several runs nothing is known of chance, and what is open is open for the windows.
    if not room > 0 or not groups:
        return 0
    variance = statistics.fmean(statistics.variance(group) for group in groups)

    def decides(runs: int) -> bool:
        return t_quantile((1 + confidence) / 2, 2 * runs - 2) * math.sqrt(2 * variance / runs) < room

    # More runs never undo a decision: both factors fall. Where not even the most decide, the most are returned.
    low, high = 2, MOST_REPEATS
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle + 1, high)
    return low


def _middle(window: Bounds) -> float:
    return (window.low + window.high) / 2


def _half(window: Bounds) -> float:
    return (window.high - window.low) / 2


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
