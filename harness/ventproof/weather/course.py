"""Piecewise-linear courses of a quantity in time: what the weather does, before any sensor sees it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterable


MOST_POINTS: Final = 1_000_000
"""Longest trace: more is a slip of the pen (a day at 10 Hz is 864,000 points)."""


@final
@dataclass(frozen=True, slots=True)
class Trace:
    """A quantity between its first and its last point, linear from point to point.

    Two points at one instant are a step: the value there is the second.

    Attributes:
        times_s: instants, finite, never falling; at least two, the last later than the first.
        values: one finite value for each instant, in whatever unit the trace is of.
    """

    times_s: tuple[float, ...]
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        times_s, values = self.times_s, self.values
        if len(times_s) != len(values):
            raise Refusal(f"{len(times_s)} instants and {len(values)} values", "give each instant one value")
        if not 2 <= len(times_s) <= MOST_POINTS:  # noqa: PLR2004 - a line has two ends
            raise Refusal(f"{len(times_s)} points make no trace", f"give 2 to {MOST_POINTS}")
        for number in (*times_s, *values):
            if not isfinite(number):
                raise ValueError(f"{number!r} in a trace must be a finite number")
        for before_s, after_s in pairwise(times_s):
            if after_s < before_s:
                raise Refusal(
                    f"the instant {after_s!r} s comes after {before_s!r} s", "instants must not fall"
                )
        if times_s[0] == times_s[-1]:
            raise Refusal(f"the trace begins and ends at {times_s[0]!r} s", "it must last more than 0 s")

    @classmethod
    def through(cls, points: Iterable[tuple[float, float]]) -> Trace:
        """Return the trace through `(instant in s, value)` points."""
        pairs = tuple(points)
        return cls(tuple(t for t, _ in pairs), tuple(v for _, v in pairs))

    @property
    def start_s(self) -> float:
        """The first instant, seconds."""
        return self.times_s[0]

    @property
    def end_s(self) -> float:
        """The last instant, seconds."""
        return self.times_s[-1]

    @property
    def duration_s(self) -> float:
        """How long the trace lasts, seconds."""
        return self.end_s - self.start_s

    def at(self, at_s: float) -> float:
        """Return the value at an instant; at a step, the value after it.

        Raises:
            ValueError: the instant lies outside the trace.
        """
        self._check(at_s)
        after = bisect_right(self.times_s, at_s)
        if after == len(self.times_s):
            return self.values[-1]
        return self._between(after - 1, at_s)

    def before(self, at_s: float) -> float:
        """Return the value just before an instant; at a step, the value before it.

        Raises:
            ValueError: the instant lies outside the trace.
        """
        self._check(at_s)
        here = bisect_left(self.times_s, at_s)
        if here == 0:
            return self.values[0]
        return self._between(here - 1, at_s)

    def largest(self) -> float:
        """Return the largest value anywhere on the trace."""
        return max(self.values)

    def smallest(self) -> float:
        """Return the smallest value anywhere on the trace."""
        return min(self.values)

    def part(self, from_s: float, to_s: float) -> Trace:
        """Return the trace between two instants, on the same time axis.

        Raises:
            ValueError: the span is empty or reaches outside the trace.
        """
        if not from_s < to_s:
            raise Refusal(f"a part from {from_s!r} s to {to_s!r} s has no span", "end it after its beginning")
        first, last = self.at(from_s), self.before(to_s)
        inner = slice(bisect_right(self.times_s, from_s), bisect_left(self.times_s, to_s))
        return Trace(
            (from_s, *self.times_s[inner], to_s),
            (first, *self.values[inner], last),
        )

    def _between(self, left: int, at_s: float) -> float:
        a_s, b_s = self.times_s[left], self.times_s[left + 1]
        if a_s == b_s:
            return self.values[left + 1]
        u, v = self.values[left], self.values[left + 1]
        share = (at_s - a_s) / (b_s - a_s)
        # Rounding must not leave the line's own range: cups that just turn would stand still.
        return min(max(u * (1 - share) + v * share, min(u, v)), max(u, v))

    def _check(self, at_s: float) -> None:
        if not self.start_s <= at_s <= self.end_s:
            raise ValueError(
                f"{at_s!r} s is outside the trace, which runs from {self.start_s!r} s to {self.end_s!r} s"
            )


def constant(value: float, *, for_s: float) -> Trace:
    """Return a trace that keeps one value for `for_s` seconds (more than 0)."""
    return Trace((0.0, for_s), (value, value))


def ramp(first: float, last: float, *, for_s: float) -> Trace:
    """Return a trace that goes from one value to another in `for_s` seconds (more than 0)."""
    return Trace((0.0, for_s), (first, last))
