"""What a response demands, as bounded-time temporal formulas over one signal (pure).

In the docstrings x(t) is the true value, s the instant of the stimulus; G[a,b] reads "at all times from s+a
to s+b" and F[a,b] "at some time from s+a to s+b". All spans are seconds, all values are in the signal's
unit. A limit belongs to the pass: a value or a time exactly on it is in order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import final

from ventproof.verdict.finding import Bounds


@final
@dataclass(frozen=True, slots=True)
class ReachesFormula:
    """F[0,within_s] G[0,holds_s] |x - target| <= tolerance.

    Attributes:
        target: middle of the band.
        tolerance: half width of the band, at least 0.
        within_s: the hold begins by then.
        holds_s: how long the band is then kept without a break.
    """

    target: float
    tolerance: float
    within_s: float
    holds_s: float = 0.0


@final
@dataclass(frozen=True, slots=True)
class StaysFormula:
    """G[0,for_s] low <= x <= high.

    Attributes:
        low: lower bound, or None for none.
        high: upper bound, or None for none.
        for_s: how long; None until the watch is told that the condition ended.
    """

    low: float | None
    high: float | None
    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class ReturnsFormula:
    """G[0,not_before_s) |x - target| > tolerance, and F[not_before_s,within_s] |x - target| <= tolerance.

    Attributes:
        target: middle of the band.
        tolerance: half width of the band, at least 0.
        not_before_s: until then (exclusive) the signal is outside the band.
        within_s: by then it is in the band; not less than `not_before_s`.
    """

    target: float
    tolerance: float
    not_before_s: float
    within_s: float


@final
@dataclass(frozen=True, slots=True)
class StartsMovingFormula:
    """F[0,within_s] |x - x(s)| > by: the dead time is at most `within_s`."""

    by: float
    within_s: float


@final
@dataclass(frozen=True, slots=True)
class MovesAtFormula:
    """|0.8 |target - x(s)| / (t90 - t10) - rate| <= tolerance, and t90 <= s + within_s.

    t10 and t90 are the first instants at which 10 % and 90 % of the way from x(s) to the target are made: the
    reference levels of transition duration in IEEE Std 181.

    Attributes:
        rate: mean rate of travel, unit/s, without sign.
        tolerance: allowed deviation of the rate, unit/s.
        target: where the signal travels to.
        within_s: 90 % of the way are made by then.
    """

    rate: float
    tolerance: float
    target: float
    within_s: float


@final
@dataclass(frozen=True, slots=True)
class OvershootsAtMostFormula:
    """x(s) <= target and G[0,for_s] x <= target + by, or x(s) >= target and G[0,for_s] x >= target - by."""

    by: float
    target: float
    for_s: float


@final
@dataclass(frozen=True, slots=True)
class NeverReversesFormula:
    """For all u < v in [s, s+for_s]: x(v) >= x(u) - by, or for all such u, v: x(v) <= x(u) + by."""

    by: float
    for_s: float


@final
@dataclass(frozen=True, slots=True)
class UnchangedFormula:
    """G[0,for_s] |x - x(s)| <= tolerance; None demands the same value (flags, states, counters)."""

    tolerance: float | None
    for_s: float


@final
@dataclass(frozen=True, slots=True)
class EqualsFormula:
    """F[0,within_s] x = value, for a flag or a state."""

    value: float
    within_s: float


@final
@dataclass(frozen=True, slots=True)
class CountsFormula:
    """number <= x(after) - x(before) <= most, for a counter (wraps are undone).

    `before` is the last reading that was surely taken before the stimulus, `after` the first that was surely taken
    after s + within_s: what a technician notes down. Readings must show that the counter stood still before the
    stimulus, after `counts_until_s`, or what went before would be counted with it; and that it stood still around
    s + within_s, or it is known only between which two readings the count then was. So this is
    x(s + within_s) - x(s) of a counter that what the bench plays moves, and nothing else.

    Attributes:
        number: by how much it advances at least.
        within_s: seconds after the stimulus.
        counts_until_s: instant until which what was played before may still be counted; infinite: it goes on.
        most: by how much it advances at most; None: by the least exactly.
    """

    number: int
    within_s: float
    counts_until_s: float = float("-inf")
    most: float | None = None

    @property
    def required(self) -> Bounds:
        """By how much it advances at least and at most."""
        return Bounds(self.number, self.number if self.most is None else self.most)


Formula = (
    ReachesFormula
    | StaysFormula
    | ReturnsFormula
    | StartsMovingFormula
    | MovesAtFormula
    | OvershootsAtMostFormula
    | NeverReversesFormula
    | UnchangedFormula
    | EqualsFormula
    | CountsFormula
)
"""Everything that the judge decides."""
