"""Conformity under measurement uncertainty: what a reading near its limit proves, and a rule's risks (pure).

The terms and clause numbers are those of JCGM 106:2012 (also ISO/IEC Guide 98-4); the numbers are from
memory. All quantities of one call share one unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, final

from ventproof.statistics.distributions import integral, normal_between, normal_cdf

if TYPE_CHECKING:
    from collections.abc import Callable


# Beyond 12 standard deviations a normal distribution holds less than 1e-32: nothing that a double can add to 1.
_REACH = 12.0
# Where the integrals are cut: about means and limits, or what is much finer than the process slips between two nodes.
_STEPS = (-_REACH, -6.0, -3.0, 0.0, 3.0, 6.0, _REACH)


def _require(*, met: bool, message: str) -> None:
    if not met:
        raise ValueError(message)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """A closed interval: tolerance limits or acceptance limits. A side without a limit is infinite.

    Raises:
        ValueError: no side has a limit, or the lower one lies above the upper one.
    """

    lower: float = -math.inf
    upper: float = math.inf

    def __post_init__(self) -> None:
        """Refuse impossible values."""
        _require(
            met=self.lower <= self.upper and self.lower < math.inf and self.upper > -math.inf,
            message=f"lower={self.lower!r} must not be above upper={self.upper!r}",
        )
        _require(
            met=math.isfinite(self.lower) or math.isfinite(self.upper),
            message="limits without a finite side decide nothing; give lower, upper or both",
        )


@final
@dataclass(frozen=True, slots=True)
class Normal:
    """A normal uncertainty; `standard` > 0 is the standard uncertainty u."""

    standard: float

    def __post_init__(self) -> None:
        """Refuse impossible values."""
        _require(
            met=0 < self.standard < math.inf,
            message=f"standard={self.standard!r} must be finite and more than zero",
        )

    def between(self, low: float, high: float) -> float:
        """Return the probability that the error lies in `[low, high]`."""
        return normal_between(low / self.standard, high / self.standard)


@final
@dataclass(frozen=True, slots=True)
class Rectangular:
    """An uncertainty with bounds only: any error within +- `half_width` > 0 is as likely (GUM 4.3.7)."""

    half_width: float

    def __post_init__(self) -> None:
        """Refuse impossible values."""
        _require(
            met=0 < self.half_width < math.inf,
            message=f"half_width={self.half_width!r} must be finite and more than zero",
        )

    @property
    def standard(self) -> float:
        """The standard uncertainty u = a / sqrt(3), GUM (JCGM 100:2008) 4.3.7."""
        return self.half_width / math.sqrt(3)

    def between(self, low: float, high: float) -> float:
        """Return the probability that the error lies in `[low, high]`."""
        a = self.half_width
        inside = min(high, a) - max(low, -a)
        return min(1.0, max(0.0, inside / (2 * a)))


Uncertainty = Normal | Rectangular


def conformance(estimate: float, uncertainty: Uncertainty, tolerance: Limits) -> float:
    """Return p_c, the probability that the true value lies within the tolerance limits (7.2, 7.3 and 7.4).

    For a normal uncertainty p_c = Phi((T_U - y) / u) - Phi((T_L - y) / u); for a rectangular one the part of
    `[y - a, y + a]` that lies between the limits. The state of knowledge is the measurement alone.

    Raises:
        ValueError: `estimate` is not finite.
    """
    _require(met=math.isfinite(estimate), message=f"estimate={estimate!r} must be a finite number")
    return uncertainty.between(tolerance.lower - estimate, tolerance.upper - estimate)


def guarded(tolerance: Limits, guard_band: float) -> Limits:
    """Return the limits drawn in by `guard_band` on each side that has one.

    A positive band is guarded acceptance (8.3.2): values inside conform. Zero is simple acceptance (8.2): the
    limits themselves, where the specific risk is up to one half. A negative band widens the limits, and
    values outside them do not conform: guarded rejection (8.3.3).

    Raises:
        ValueError: the band is no finite number, or leaves no value to accept.
    """
    _require(met=math.isfinite(guard_band), message=f"guard_band={guard_band!r} must be a finite number")
    lower, upper = tolerance.lower + guard_band, tolerance.upper - guard_band
    _require(
        met=lower <= upper,
        message=f"guard_band={guard_band!r} leaves nothing between {tolerance.lower!r} and "
        f"{tolerance.upper!r}; it must be at most {(tolerance.upper - tolerance.lower) / 2!r}",
    )
    return Limits(lower=lower, upper=upper)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisks:
    """What a decision rule does to a whole lot (9.5); each is a share of all units, 0 to 1.

    Attributes:
        consumer: share that is accepted and does not conform: a false pass.
        producer: share that is rejected and conforms: a false fail.
    """

    consumer: float
    producer: float


def global_risks(
    *,
    process_mean: float,
    process_sd: float,
    measurement_sd: float,
    tolerance: Limits,
    acceptance: Limits | None = None,
) -> GlobalRisks:
    """Return the risks over a lot with a normal process and normal measurement errors (9.5.3, 9.5.4).

    With the process density g0, R_C is the integral over the true values outside the tolerance limits of
    `g0(eta) [Phi((A_U - eta) / u) - Phi((A_L - eta) / u)]`; R_P the integral over those inside of g0 times
    the complement. Both are integrated numerically to about 1e-10.

    Args:
        process_mean: mean of the true values over the lot.
        process_sd: their standard deviation.
        measurement_sd: standard uncertainty u_m of one reading.
        tolerance: limits that the true value must keep.
        acceptance: limits that the reading must keep; None is simple acceptance.

    Raises:
        ValueError: a value is not finite, or a standard deviation is not more than zero.
    """
    _require(met=math.isfinite(process_mean), message=f"process_mean={process_mean!r} must be finite")
    for name, value in (("process_sd", process_sd), ("measurement_sd", measurement_sd)):
        _require(met=0 < value < math.inf, message=f"{name}={value!r} must be finite and more than zero")
    accept, error = acceptance or tolerance, Normal(measurement_sd)
    density = NormalDist(process_mean, process_sd).pdf

    def accepted(eta: float) -> float:
        return density(eta) * error.between(accept.lower - eta, accept.upper - eta)

    def rejected(eta: float) -> float:
        below = normal_cdf((accept.lower - eta) / measurement_sd)
        return density(eta) * (below + normal_cdf((eta - accept.upper) / measurement_sd))

    marks = [process_mean + k * process_sd for k in _STEPS]
    steep = [edge + k * measurement_sd for edge in (accept.lower, accept.upper) for k in _STEPS]

    def over(of: Callable[[float], float], start: float, end: float) -> float:
        start, end = max(start, marks[0]), min(end, marks[-1])
        inner = [m for m in (*marks, *steep) if start < m < end]
        return integral(of, [start, *inner, end]) if start < end else 0.0

    return GlobalRisks(
        consumer=over(accepted, -math.inf, tolerance.lower) + over(accepted, tolerance.upper, math.inf),
        producer=over(rejected, tolerance.lower, tolerance.upper),
    )
