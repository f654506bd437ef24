"""The few distribution functions that the statistics need, typed here since SciPy ships no types (pure)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal, final

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


Side = Literal["lower", "upper", "two-sided"]
"""Which bounds a statement makes; one-sided ones spend the whole 1 - confidence on their side."""

_STANDARD = NormalDist()
_SQRT_HALF = math.sqrt(0.5)


@final
@dataclass(frozen=True, slots=True)
class ConfidenceBounds:
    """What a statement with a confidence bounds; the side left open sits at the end of the scale."""

    lower: float
    upper: float


def require_share(name: str, value: float) -> None:
    """Refuse a probability that is not strictly between 0 and 1.

    Raises:
        ValueError: with the name, the value and what would be right.
    """
    if not 0 < value < 1:
        raise ValueError(f"{name}={value!r} must be more than 0 and less than 1, such as 0.95 for 95 %")


def bisected(holds: Callable[[float], bool], inner: float, outer: float) -> tuple[float, float]:
    """Return the neighbours between which `holds` turns from true (at `inner`) to false (at `outer`)."""
    while True:
        middle = inner + (outer - inner) / 2
        if middle in (inner, outer):
            return inner, outer
        if holds(middle):
            inner = middle
        else:
            outer = middle


def normal_cdf(z: float) -> float:
    """Return P(Z <= z) of the standard normal; both tails keep their relative accuracy."""
    return 0.5 * math.erfc(-z * _SQRT_HALF)


def normal_quantile(probability: float) -> float:
    """Return z with P(Z <= z) = `probability`, which lies strictly between 0 and 1."""
    return _STANDARD.inv_cdf(probability)


def normal_between(low: float, high: float) -> float:
    """Return P(low <= Z <= high) without the cancellation of two values near one."""
    if low > 0:
        low, high = -high, -low
    return max(0.0, normal_cdf(high) - normal_cdf(low))


def beta_cdf(x: float, a: float, b: float) -> float:
    """Return the regularised incomplete beta function I_x(a, b); a, b > 0, 0 <= x <= 1."""
    from scipy.special import betainc  # noqa: PLC0415 - SciPy costs 0.3 s to import

    return float(betainc(a, b, x))


def beta_quantile(probability: float, a: float, b: float) -> float:
    """Return x with I_x(a, b) = `probability`; a, b > 0."""
    from scipy.special import betaincinv  # noqa: PLC0415 - SciPy costs 0.3 s to import

    return float(betaincinv(a, b, probability))


def noncentral_t_quantile(probability: float, degrees: int, noncentrality: float) -> float:
    """Return the quantile of the noncentral t distribution with `degrees` >= 1 of freedom."""
    from scipy.special import nctdtrit  # noqa: PLC0415 - SciPy costs 0.3 s to import

    return float(nctdtrit(degrees, noncentrality, probability))


def t_cdf(t: float, degrees: float) -> float:
    """Return P(T <= t) of Student's t distribution with `degrees` > 0 of freedom, whole or not."""
    from scipy.special import stdtr  # noqa: PLC0415 - SciPy costs 0.3 s to import

    return float(stdtr(degrees, t))


def t_quantile(probability: float, degrees: float) -> float:
    """Return t with P(T <= t) = `probability`."""
    from scipy.special import stdtrit  # noqa: PLC0415 - SciPy costs 0.3 s to import

    return float(stdtrit(degrees, probability))


def chi_square_exceeds(x: float, degrees: int) -> float:
    """Return P(X > x) of the chi-square distribution with `degrees` >= 1 of freedom."""
    from scipy.special import chdtrc  # noqa: PLC0415 - SciPy costs 0.3 s to import

    return float(chdtrc(degrees, x))


def integral(of: Callable[[float], float], breaks: Sequence[float]) -> float:
    """Return the integral of `of` from the first to the last of `breaks`, by 40-point Gauss-Legendre panels.

    The breaks (in any order) lie so close that `of` is smooth between neighbours: within a panel of six
    standard deviations of a normal density the rule is exact to about 1e-12.
    """
    from numpy.polynomial.legendre import leggauss  # noqa: PLC0415 - NumPy costs 0.1 s to import

    nodes, weights = (array.tolist() for array in leggauss(40))
    rule = list(zip(nodes, weights, strict=True))
    return math.fsum(
        (b - a) / 2 * weight * of((a + b) / 2 + (b - a) / 2 * node)
        for a, b in pairwise(sorted(set(breaks)))
        for node, weight in rule
    )
