"""What a unit that meets a demand in the middle would show, and what one that plainly misses it would (pure).

A course is a list of corners: seconds after the stimulus, and values; a flag or a counter steps at each, all else goes
straight from one to the next. Before the first and after the last corner it stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import singledispatch
from typing import Final, final

from ventproof.deciders import formulas
from ventproof.deciders.formulas import Formula
from ventproof.envelope.spans import INF

Course = tuple[tuple[float, float], ...]

_MIDDLE: Final = 0.5
_SOON: Final = 0.1
_OUT: Final = 0.4


@final
@dataclass(frozen=True, slots=True)
class Sight:
    """What a signal can show.

    Attributes:
        low, high: the ends of its range.
        rate: its fastest change, per second; a jump where nothing bounds it.
        clear: a difference that no reading can miss.
        stood: where the profile last wanted it before; None where it says nothing.
    """

    low: float
    high: float
    rate: float
    clear: float
    stood: float | None = None

    def far(self, value: float) -> float:
        """Return the end of the range that is farther from a value."""
        return self.high if self.high - value > value - self.low else self.low

    def off(self, value: float, by: float) -> float:
        """Return a value that is off by so much, or as much as the range allows, on the side that has more room."""
        far = self.far(value)
        return min(far, value + by) if far > value else max(far, value - by)

    def way(self, begin_s: float, start: float, end: float, rate: float | None = None) -> Course:
        """Return the corners of a travel."""
        takes_s = abs(end - start) / (rate or self.rate)
        return (begin_s, start), (begin_s + takes_s, end)


@singledispatch
def right(formula: Formula, sight: Sight) -> Iterator[Course]:
    """Yield courses that meet a formula, by a wide margin where that can be."""
    raise AssertionError(f"no correct trajectory for {type(formula).__name__} of {sight}")


@singledispatch
def wrong(formula: Formula, sight: Sight) -> Iterator[Course]:
    """Yield courses that miss a formula, by as much as the signal can; none where its range leaves no such course."""
    raise AssertionError(f"no incorrect trajectory for {type(formula).__name__} of {sight}")


def _arriving(target: float, outside: float, edge_s: float, sight: Sight, tolerance: float) -> Course:
    """Return a travel that comes into the band at `edge_s`."""
    start = sight.off(target, outside)
    before_s = max(0.0, abs(start - target) - tolerance) / sight.rate
    return sight.way(edge_s - before_s, start, target)


@right.register
def _(formula: formulas.ReachesFormula, sight: Sight) -> Iterator[Course]:
    for share in (_MIDDLE, _SOON):
        outside = formula.tolerance + sight.clear
        yield _arriving(formula.target, outside, share * formula.within_s, sight, formula.tolerance)


@wrong.register
def _(formula: formulas.ReachesFormula, sight: Sight) -> Iterator[Course]:
    if abs(sight.far(formula.target) - formula.target) > formula.tolerance:
        yield ((0.0, sight.far(formula.target)),)


@right.register
def _(formula: formulas.StaysFormula, sight: Sight) -> Iterator[Course]:
    low, high = formula.low, formula.high
    if low is None or high is None:
        yield ((0.0, sight.low if low is None else sight.high),)
    else:
        yield ((0.0, min(sight.high, max(sight.low, (low + high) / 2))),)


@wrong.register
def _(formula: formulas.StaysFormula, sight: Sight) -> Iterator[Course]:
    if formula.low is not None and sight.low < formula.low:
        yield ((0.0, sight.low),)
    if formula.high is not None and sight.high > formula.high:
        yield ((0.0, sight.high),)


@right.register
def _(formula: formulas.ReturnsFormula, sight: Sight) -> Iterator[Course]:
    edge_s = formula.not_before_s + _MIDDLE * (formula.within_s - formula.not_before_s)
    yield _arriving(formula.target, formula.tolerance + sight.clear, edge_s, sight, formula.tolerance)


@wrong.register
def _(formula: formulas.ReturnsFormula, sight: Sight) -> Iterator[Course]:
    if abs(sight.far(formula.target) - formula.target) > formula.tolerance:
        yield ((0.0, sight.far(formula.target)),)


def early(formula: formulas.ReturnsFormula, sight: Sight) -> Iterator[Course]:
    """Yield the course of a unit that never waits: at its fastest from where it stood, if that is known."""
    if formula.not_before_s and sight.stood is not None:
        yield sight.way(0.0, sight.stood, formula.target)


@right.register
def _(formula: formulas.UnchangedFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - any place will do
    yield ((0.0, sight.low),)


@wrong.register
def _(formula: formulas.UnchangedFormula, sight: Sight) -> Iterator[Course]:
    yield sight.way(_MIDDLE * formula.for_s, sight.low, sight.high)


@right.register
def _(formula: formulas.EqualsFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - as `wrong` has it
    other = 0.0 if formula.value else 1.0
    for share in (_MIDDLE, _SOON):
        yield (0.0, other), (share * formula.within_s, formula.value)


@wrong.register
def _(formula: formulas.EqualsFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - as `right` has it
    yield ((0.0, 0.0 if formula.value else 1.0),)


@right.register
def _(formula: formulas.CountsFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - as `wrong` has it
    yield (0.0, 0.0), (_MIDDLE * formula.within_s, float(formula.number))


@wrong.register
def _(formula: formulas.CountsFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - as `right` has it
    low, high = formula.required
    yield (0.0, 0.0), (_MIDDLE * formula.within_s, max(0.0, low - 1) if high == INF else high + 1)


@right.register
def _(formula: formulas.StartsMovingFormula, sight: Sight) -> Iterator[Course]:
    for share in (_MIDDLE, _SOON):
        yield sight.way(share * formula.within_s, sight.low, sight.high)


@wrong.register
def _(formula: formulas.StartsMovingFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - any place will do
    yield ((0.0, sight.low),)


@right.register
def _(formula: formulas.MovesAtFormula, sight: Sight) -> Iterator[Course]:
    room = _MIDDLE * formula.rate * formula.within_s
    starts = [sight.off(formula.target, room)]
    if sight.stood is not None:
        starts.append(sight.stood)
    for start in starts:
        yield sight.way(_SOON * formula.within_s, start, formula.target, formula.rate)


@wrong.register
def _(formula: formulas.MovesAtFormula, sight: Sight) -> Iterator[Course]:
    yield ((0.0, sight.far(formula.target)),)


@right.register
def _(formula: formulas.OvershootsAtMostFormula, sight: Sight) -> Iterator[Course]:
    yield ((0.0, sight.off(formula.target, sight.clear)),)


@wrong.register
def _(formula: formulas.OvershootsAtMostFormula, sight: Sight) -> Iterator[Course]:
    far = sight.far(formula.target)
    near = sight.low if far == sight.high else sight.high
    for start, end in ((far, near), (near, far)):
        if abs(start - formula.target) > formula.by and abs(end - formula.target) > formula.by:
            yield sight.way(_SOON * formula.for_s, start, end)


@right.register
def _(formula: formulas.NeverReversesFormula, sight: Sight) -> Iterator[Course]:  # noqa: ARG001 - any place will do
    yield ((0.0, sight.low),)


@wrong.register
def _(formula: formulas.NeverReversesFormula, sight: Sight) -> Iterator[Course]:
    there = min(sight.high, sight.low + sight.rate * _OUT * formula.for_s)
    out = sight.way(0.0, sight.low, there)
    yield (*out, *sight.way(out[-1][0], there, sight.low)[1:])
