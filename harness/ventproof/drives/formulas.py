"""What a demand on drives says, as bounded-time temporal formulas over one or two flags (pure).

In the docstrings p(t) and q(t) say whether a flag is on at t, s is the instant of the stimulus, and G[0,for_s] reads
"at all times from s to s+for_s". A flag is on from the instant at which it turns on until, but not at, the one at which
it turns off. Only what happens in that time counts: a run that began before s counts from s on. `for_s` is None until
the watch is told that the condition ended. A limit belongs to the pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import final


@final
@dataclass(frozen=True, slots=True)
class NeverTogetherFormula:
    """G[0,for_s] not (p and q)."""

    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class PausesFormula:
    """G[0,for_s]: where one of p and q turns on at t, the other was off at all times from t-at_least_s to t."""

    at_least_s: float
    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class RunsAtMostFormula:
    """No stretch of [s, s+for_s] that is longer than at_most_s has p all along."""

    at_most_s: float
    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class StartsAtMostFormula:
    """No number+1 instants of [s, s+for_s] at which p turns on lie less than per_s apart, from first to last."""

    number: int
    per_s: float
    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class StartsAtLeastFormula:
    """There are `number` instants of [s, s+for_s] at least at which p turns on."""

    number: int
    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class StopsAtEndFormula:
    """No stretch of [s, s+for_s] that is longer than within_s has p and q all along: p the drive, q its end switch."""

    within_s: float
    for_s: float | None


@final
@dataclass(frozen=True, slots=True)
class TogetherFormula:
    """No stretch of [s, s+for_s] that is longer than within_s has p unlike q all along."""

    within_s: float
    for_s: float | None


LastingFormula = NeverTogetherFormula | RunsAtMostFormula | StopsAtEndFormula | TogetherFormula
"""Something lasts no longer than a limit."""

FlagsFormula = LastingFormula | PausesFormula | StartsAtMostFormula | StartsAtLeastFormula
"""Everything that is decided by the edges of flags."""


def at_most_s(formula: LastingFormula) -> float:
    """Return how long it may last, s."""
    match formula:
        case NeverTogetherFormula():
            return 0.0
        case RunsAtMostFormula():
            return formula.at_most_s
        case StopsAtEndFormula() | TogetherFormula():
            return formula.within_s


@final
@dataclass(frozen=True, slots=True)
class AgreesFormula:
    """G[0,for_s] m - tolerance <= x <= M + tolerance; m and M are the least and greatest y of the last lag_s.

    Attributes:
        tolerance: how far x may be off, in the signals' unit.
        lag_s: how much older than now what x tells of may be.
        for_s: how long; None until the watch is told that the condition ended.
    """

    tolerance: float
    lag_s: float
    for_s: float | None
