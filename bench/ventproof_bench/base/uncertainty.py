"""Uncertainty budgets after the GUM: how well this bench knows a value or an instant (pure).

GUM is JCGM 100:2008, Guide to the expression of uncertainty in measurement; clause numbers are its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


COVERAGE_FACTOR: Final = 2.0
"""k of the expanded uncertainty: about 95 % where the combined distribution is near normal (6.3.3)."""

Distribution = Literal["rectangular", "triangular", "normal"]


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One source of uncertainty.

    Attributes:
        what: where it comes from, in words.
        distribution: shape that was assumed, or `normal` for the standard deviation of readings.
        half_width: bounds ± this far (rectangular, triangular), or the standard deviation (normal); 0 or more.
        freedom: degrees of freedom; infinite for bounds that are certain (G.4.3).
    """

    what: str
    distribution: Distribution
    half_width: float
    freedom: float = math.inf

    @property
    def standard(self) -> float:
        """Standard uncertainty: a/√3 for a rectangle (4.3.7), a/√6 for a triangle (4.3.9), as it is for readings."""
        divisor = {"rectangular": 3.0, "triangular": 6.0, "normal": 1.0}[self.distribution]
        return self.half_width / math.sqrt(divisor)


@final
@dataclass(frozen=True, slots=True)
class UncertaintyBudget:
    """What one quantity's uncertainty is made of; the components do not depend on each other.

    Attributes:
        of: what is uncertain.
        unit: unit of every width in it.
        components: its sources.
    """

    of: str
    unit: str
    components: tuple[Component, ...]

    @property
    def combined(self) -> float:
        """Combined standard uncertainty: the root of the sum of squares (5.1.2), sensitivities being 1."""
        return math.hypot(*(c.standard for c in self.components))

    @property
    def freedom(self) -> float:
        """Effective degrees of freedom."""
        return effective_freedom((c.standard, c.freedom) for c in self.components)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k·u with k = 2 (6.2.1)."""
        return COVERAGE_FACTOR * self.combined


def effective_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom of a sum: the Welch-Satterthwaite formula (G.4.1, equation G.2b).

    Args:
        parts: standard uncertainty and degrees of freedom of each component.

    Returns:
        infinite when no uncertain component has a finite number.
    """
    taken = list(parts)
    total = math.fsum(u**2 for u, _ in taken) ** 2
    known = math.fsum(u**4 / freedom for u, freedom in taken)
    return total / known if known else math.inf


def bounds(what: str, half_width: float) -> Component:
    """Return a component known to lie within ± `half_width`, nothing else being known of it (4.3.7)."""
    return Component(what=what, distribution="rectangular", half_width=half_width)


def resolution(what: str, step: float) -> Component:
    """Return what a display in steps of `step` leaves unknown: a rectangle ± step/2, so 0.29 step (F.2.2.1)."""
    return bounds(what, step / 2)


def within_span(what: str, span_s: float) -> Component:
    """Return an instant known to lie somewhere in a span, as between two polls: span/√12 (4.3.7)."""
    return bounds(what, span_s / 2)


def scatter(what: str, readings: Sequence[float]) -> Component:
    """Return the standard deviation of readings, a type A evaluation of one more such reading (4.2.2).

    Raises:
        ValueError: fewer than two readings.
    """
    if len(readings) < 2:  # noqa: PLR2004 - a deviation needs two
        raise ValueError("a standard deviation needs two readings or more")
    mean = math.fsum(readings) / len(readings)
    variance = math.fsum((r - mean) ** 2 for r in readings) / (len(readings) - 1)
    return Component(
        what=what, distribution="normal", half_width=math.sqrt(variance), freedom=len(readings) - 1
    )
