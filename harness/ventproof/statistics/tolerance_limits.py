"""Response times over repeats: quantiles, and limits that cover a share of all future ones (pure).

A response time is a `Window` counted from its stimulus, in seconds: it lies somewhere in it. A response
that never came, or of which nothing is known, has an infinite end. Every limit takes the conservative end
of each window.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ventproof.statistics.distributions import (
    ConfidenceBounds,
    Side,
    beta_cdf,
    bisected,
    chi_square_exceeds,
    noncentral_t_quantile,
    normal_between,
    normal_quantile,
    require_share,
)
from ventproof_bench.base.evidence import Window

if TYPE_CHECKING:
    from collections.abc import Sequence


# Rounding of the logarithms and of products such as 0.95 * 20 must not ask for one repeat more.
_SLACK = 1e-9
_PANELS = 128
_REACH = 9.0


def quantile(times: Sequence[Window], share: float) -> Window:
    """Return the window of the shortest time that at least `share` of the repeats did not exceed.

    It is an order statistic, so always a time that was seen: no interpolation between repeats. It describes
    these repeats and claims nothing of future ones.

    Args:
        times: at least one response time.
        share: more than 0, at most 1; 0.5 is the (lower) median, 1 the longest.

    Raises:
        ValueError: no times, or a share out of range.
    """
    if not times:
        raise ValueError("times is empty; a quantile needs at least one response time")
    if not 0 < share <= 1:
        raise ValueError(f"share={share!r} must be more than 0 and at most 1")
    rank = max(1, math.ceil(share * len(times) - _SLACK))
    earliest, latest = _sorted_ends(times)
    return Window(earliest[rank - 1], latest[rank - 1])


def _sorted_ends(times: Sequence[Window]) -> tuple[list[float], list[float]]:
    """Return both ends in order: the true r-th time lies between the r-th of each."""
    return sorted(t.earliest_s for t in times), sorted(t.latest_s for t in times)


def order_confidence(repeats: int, coverage: float, *, rank: int, side: Side) -> float:
    """Return the confidence that an order statistic's limit covers `coverage` of any continuous distribution.

    One-sided: the limit is the `rank`-th value from its end, and its coverage is Beta(n + 1 - r, r).
    Two-sided: the interval lies between the `rank`-th values from both ends, Beta(n + 1 - 2r, 2r) (Wilks
    1941). Ties only raise it.
    """
    cut = 2 * rank if side == "two-sided" else rank
    return 1 - beta_cdf(coverage, repeats + 1 - cut, cut) if cut <= repeats else 0.0


def order_repeats(coverage: float, confidence: float, side: Side = "upper") -> int:
    """Return the fewest repeats whose extremes cover `coverage` with `confidence`, whatever the distribution.

    One-sided it is the success-run number: the least n with coverage^n <= 1 - confidence.

    Raises:
        ValueError: a share that is not strictly between 0 and 1.
    """
    require_share("coverage", coverage)
    require_share("confidence", confidence)
    high = 2

    def enough(n: int) -> bool:
        return order_confidence(n, coverage, rank=1, side=side) >= confidence - _SLACK

    while not enough(high):
        high *= 2
    low = 0  # never enough
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def order_limits(
    times: Sequence[Window], coverage: float, confidence: float, side: Side = "upper"
) -> ConfidenceBounds | None:
    """Return distribution-free tolerance limits from order statistics, in seconds (Wilks 1941; ISO 16269-6).

    The tightest rank is taken that still reaches the confidence. None: too few repeats, `order_repeats`
    says how many it takes. A limit may be infinite, when too many responses never came.

    Raises:
        ValueError: a share that is not strictly between 0 and 1.
    """
    require_share("coverage", coverage)
    require_share("confidence", confidence)
    rank = 0
    while order_confidence(len(times), coverage, rank=rank + 1, side=side) >= confidence - _SLACK:
        rank += 1
    if rank == 0:
        return None
    earliest, latest = _sorted_ends(times)
    lower = earliest[rank - 1] if side != "upper" else -math.inf
    return ConfidenceBounds(lower, latest[-rank] if side != "lower" else math.inf)


def normal_factor(repeats: int, coverage: float, confidence: float, side: Side = "upper") -> float:
    """Return the exact factor k of a normal tolerance limit mean + k s (ISO 16269-6).

    One-sided k = t'_C(n - 1, z_p sqrt(n)) / sqrt(n) with the noncentral t quantile. Two-sided k solves
    E[P(chi2_(n-1) > (n - 1) r(x)^2 / k^2)] = C over the mean's error x ~ N(0, 1/n), where r(x) is the half
    width about x that covers p of the standard normal. Neither is Howe's or Natrella's approximation.

    Raises:
        ValueError: fewer than two repeats, or a share that is not strictly between 0 and 1.
    """
    if repeats < 2:  # noqa: PLR2004 - one value has no spread
        raise ValueError(f"repeats={repeats!r} must be at least 2: one value shows nothing about the spread")
    require_share("coverage", coverage)
    require_share("confidence", confidence)
    root = math.sqrt(repeats)
    if side != "two-sided":
        return noncentral_t_quantile(confidence, repeats - 1, normal_quantile(coverage) * root) / root
    return _two_sided_factor(repeats, coverage, confidence)


def _two_sided_factor(repeats: int, coverage: float, confidence: float) -> float:
    degrees = repeats - 1
    step = _REACH / _PANELS
    nodes = [i * step for i in range(_PANELS + 1)]
    # Simpson's rule over one half of the mean's distribution, doubled.
    rule = [1.0 if i in (0, _PANELS) else 4.0 if i % 2 else 2.0 for i in range(_PANELS + 1)]
    density = [
        math.exp(-0.5 * t * t) * math.sqrt(2 / math.pi) * w * step / 3
        for t, w in zip(nodes, rule, strict=True)
    ]
    squares = [_half_width(t / math.sqrt(repeats), coverage) ** 2 for t in nodes]

    def too_small(k: float) -> bool:
        tails = (chi_square_exceeds(degrees * r2 / (k * k), degrees) for r2 in squares)
        return math.fsum(d * tail for d, tail in zip(density, tails, strict=True)) < confidence

    outer = 1.0
    while too_small(outer):
        outer *= 2
    return bisected(too_small, outer / 2 if outer > 1 else 0.01, outer)[1]


def _half_width(centre: float, coverage: float) -> float:
    def too_narrow(r: float) -> bool:
        return normal_between(centre - r, centre + r) < coverage

    return bisected(too_narrow, 0.0, centre + normal_quantile((1 + coverage) / 2) + 1)[1]


def normal_limits(
    times: Sequence[Window], coverage: float, confidence: float, side: Side = "upper"
) -> ConfidenceBounds | None:
    """Return tolerance limits under the assumption that the times are normally distributed, in seconds.

    For times m_i +- h_i the limit is mean(m) + k s(m) + |h| sqrt(1/n + k^2/(n - 1)), with |h| the root of the
    sum of the squares: by the Cauchy-Schwarz inequality no choice of times within the windows gives a higher
    mean + k s. The lower limit mirrors it. None: fewer than two times, or one without an end.

    Raises:
        ValueError: a share that is not strictly between 0 and 1.
    """
    require_share("coverage", coverage)
    require_share("confidence", confidence)
    n = len(times)
    known = all(math.isfinite(t.earliest_s) and math.isfinite(t.latest_s) for t in times)
    if n < 2 or not known:  # noqa: PLR2004 - one value has no spread
        return None
    k = normal_factor(n, coverage, confidence, side)
    middles = [(t.earliest_s + t.latest_s) / 2 for t in times]
    halves = math.hypot(*((t.latest_s - t.earliest_s) / 2 for t in times))
    mean = math.fsum(middles) / n
    spread = math.hypot(*(m - mean for m in middles)) / math.sqrt(n - 1)
    reach = k * spread + halves * math.sqrt(1 / n + k * k / (n - 1))
    return ConfidenceBounds(
        mean - reach if side != "upper" else -math.inf, mean + reach if side != "lower" else math.inf
    )
