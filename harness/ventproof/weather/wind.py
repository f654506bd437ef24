"""Endless wind, gusts."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import chain, pairwise, repeat
from math import ceil, cos, fsum, pi
from typing import TYPE_CHECKING, Final, final

from ventproof.weather.anemometer import CupAnemometer, turned, turned_instants
from ventproof.weather.course import Trace, constant
from ventproof.weather.exact import exact
from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterator


_STEADY_S: Final = 600.0
"""A steady wind is played in spans of this length."""
_DECIMALS: Final = 6
"""Speeds in whole micrometres a second: the same on every machine."""


@final
@dataclass(frozen=True, slots=True)
class WindCourse:
    """A wind from 0 s on.

    Attributes:
        first: traces that are blown once, one after the other.
        then: the trace that is blown after them, again and again.
    """

    first: tuple[Trace, ...]
    then: Trace

    @property
    def settles_s(self) -> float:
        """When what repeats begins, seconds."""
        return sum(trace.duration_s for trace in self.first)

    @property
    def fastest_m_per_s(self) -> float:
        """The highest speed, m/s."""
        return max(trace.largest() for trace in (*self.first, self.then))

    @property
    def slowest_m_per_s(self) -> float:
        """The lowest speed, m/s."""
        return min(trace.smallest() for trace in (*self.first, self.then))

    def traces(self) -> Iterator[Trace]:
        """Yield what is blown, one after the other, without end."""
        return chain(self.first, repeat(self.then))

    def rest(self, from_s: float) -> WindCourse:
        """Return what is still to come at an instant, which is the new one's 0 s."""
        left_s = from_s
        for number, trace in enumerate(self.first):
            if left_s < trace.duration_s:
                return WindCourse((_cut(trace, left_s), *self.first[number + 1 :]), self.then)
            left_s -= trace.duration_s
        left_s %= self.then.duration_s
        return WindCourse((_cut(self.then, left_s),) if left_s else (), self.then)


def _cut(trace: Trace, from_s: float) -> Trace:
    return trace.part(trace.start_s + from_s, trace.end_s)


def steady(speed_m_per_s: float) -> WindCourse:
    """Return a wind that keeps its speed."""
    return WindCourse((), constant(speed_m_per_s, for_s=_STEADY_S))


def settling(trace: Trace) -> WindCourse:
    """Return a wind that follows a trace and keeps the speed at its end."""
    return WindCourse((trace,), constant(trace.values[-1], for_s=_STEADY_S))


def held(course: WindCourse, every_s: float) -> Iterator[tuple[float, float]]:
    """Yield instants and speeds of a wind that is shown by one value after the other; without end, or until it is even.

    Each value is the mean of the wind until the next instant, so that means over longer times are right. The instants
    are so far apart, and there is one at each step of the wind.
    """
    begun_s, last = 0.0, None
    for number, trace in enumerate(course.traces()):
        for from_s, to_s in pairwise(_instants(trace, every_s)):
            speed = round(_mean(trace.part(from_s, to_s)), _DECIMALS)
            if speed != last:
                yield begun_s + from_s - trace.start_s, speed
                last = speed
        if number >= len(course.first) and trace.smallest() == trace.largest():
            return
        begun_s += trace.duration_s


def held_off_by(course: WindCourse, every_s: float) -> float:
    """Return how far a wind is from the value that shows it, at most, m/s."""
    parts = (
        trace.part(from_s, to_s)
        for trace in (*course.first, course.then)
        for from_s, to_s in pairwise(_instants(trace, every_s))
    )
    return max(max(part.largest() - _mean(part), _mean(part) - part.smallest()) for part in parts)


def _instants(trace: Trace, every_s: float) -> list[float]:
    """Return when a trace is shown anew, and its end."""
    times_s = trace.times_s
    if trace.smallest() == trace.largest():
        return [trace.start_s, trace.end_s]
    steps_s = {a for a, b in pairwise(times_s) if a == b}
    even_s = (trace.start_s + k * every_s for k in range(ceil(trace.duration_s / every_s)))
    return sorted({*even_s, *steps_s, trace.end_s})


def _mean(trace: Trace) -> float:
    pieces = pairwise(zip(trace.times_s, trace.values, strict=True))
    return fsum((b_s - a_s) * (u + v) / 2 for (a_s, u), (b_s, v) in pieces) / trace.duration_s


def turned_by(cups: CupAnemometer, course: WindCourse, at_s: float, *, phase: Fraction) -> Fraction:
    """Return how many pulse distances the cups have turned by an instant, `phase` at 0 s; exactly.

    Raises:
        ValueError: a wind that cannot blow or is too fast.
    """
    left_s, sum_turned = at_s, phase
    for trace in course.first:
        if left_s <= 0:
            return sum_turned
        sum_turned += turned(cups, trace if left_s >= trace.duration_s else _head(trace, left_s))
        left_s -= trace.duration_s
    if left_s > 0:
        times, left_s = divmod(left_s, course.then.duration_s)
        sum_turned += int(times) * turned(cups, course.then)
    return sum_turned + (turned(cups, _head(course.then, left_s)) if left_s > 0 else 0)


def _head(trace: Trace, to_s: float) -> Trace:
    return trace.part(trace.start_s, trace.start_s + to_s)


def wind_edges(
    cups: CupAnemometer, course: WindCourse, *, phase: Fraction = Fraction(), closed: bool = False
) -> Iterator[Edge]:
    """Yield the contact's edges in a wind, without end; no more once the cups stand still for ever.

    The contact closes at each pulse and opens `duty` of a pulse distance later. At 0 s it is as `closed` says,
    whatever the phase. Cups that come to rest on a closed contact keep it closed; where they rest for ever, it opens
    at the end of what turned them. Each trace is solved from its own start, so that nothing adds up along it.

    Raises:
        ValueError: a wind that cannot blow or is too fast.
    """
    duty, from_s, stands_for_ever = exact(cups.duty), 0.0, turned(cups, course.then) == 0
    for number, trace in enumerate(course.traces()):
        if stands_for_ever and number == len(course.first):
            if closed:
                yield Edge(from_s, closed=False)
            return
        closings = turned_instants(cups, trace, phase, Fraction(1))
        openings = turned_instants(cups, trace, phase, duty if phase < duty else 1 + duty)
        if phase < duty and not closed:
            next(openings, None)  # of a pulse that came before 0 s
        shift_s = from_s - trace.start_s
        for at_s, closes in _merged(closings, openings, closes=not closed):
            yield Edge(at_s + shift_s, closed=closes)
            closed = closes
        phase = (phase + turned(cups, trace)) % 1
        from_s += trace.duration_s


def _merged(
    closings: Iterator[float], openings: Iterator[float], *, closes: bool
) -> Iterator[tuple[float, bool]]:
    """Yield instants with what happens then, by turns."""
    while True:
        at_s = next(closings if closes else openings, None)
        if at_s is None:
            return
        yield at_s, closes
        closes = not closes


_COSINE_LINES = 100  # lines a gust: the largest error of a chord is rise * pi**2 / 4 / 100**2, under 0.03 %


def cosine_gust(base: float, rise: float, *, at_s: float, lasts_s: float, for_s: float) -> Trace:
    """Return a wind with one 1-cosine gust: base + rise / 2 * (1 - cos(2 pi (t - at) / lasts)).

    The discrete gust of the trade (common practice, no source): it leaves and meets the base wind without a kink,
    peaks at `base + rise` half-way, and has the mean `base + rise / 2`. It is drawn with 100 lines, exact at their
    ends, which touches the peak and keeps the mean.

    Args:
        base: steady wind, m/s, 0 or more.
        rise: how far the peak stands above it, m/s; negative for a lull that stays at or above 0 m/s.
        at_s: when the gust begins, s, 0 or more.
        lasts_s: how long it lasts, s, more than 0.
        for_s: length of the whole trace, s; the gust must end inside.

    Raises:
        ValueError: a number is out of its range.
    """
    _check(base, rise, at_s, lasts_s, for_s)
    gust = [
        (at_s + lasts_s * (k / _COSINE_LINES), base + rise * (1 - cos(2 * pi * k / _COSINE_LINES)) / 2)
        for k in range(_COSINE_LINES)
    ]
    return _framed(base, [*gust, (at_s + lasts_s, base)], for_s)


def rectangular_gust(base: float, rise: float, *, at_s: float, lasts_s: float, for_s: float) -> Trace:
    """Return a wind that jumps by `rise` for `lasts_s` seconds and falls back at once.

    No real wind does this; it is the hardest case for a gust filter and the easiest to compute by hand.

    Args:
        base: steady wind, m/s, 0 or more.
        rise: height of the gust above it, m/s; negative for a lull that stays at or above 0 m/s.
        at_s: when the gust begins, s, 0 or more.
        lasts_s: how long it lasts, s, more than 0.
        for_s: length of the whole trace, s; the gust must end inside.

    Raises:
        ValueError: a number is out of its range.
    """
    _check(base, rise, at_s, lasts_s, for_s)
    to_s = at_s + lasts_s
    return _framed(base, [(at_s, base), (at_s, base + rise), (to_s, base + rise), (to_s, base)], for_s)


def _framed(base: float, gust: list[tuple[float, float]], for_s: float) -> Trace:
    before = [(0.0, base)] if gust[0][0] > 0 else []
    after = [(for_s, base)] if gust[-1][0] < for_s else []
    return Trace.through([*before, *gust, *after])


def _check(base: float, rise: float, at_s: float, lasts_s: float, for_s: float) -> None:
    if not base >= 0:
        raise ValueError(f"base={base!r} m/s must not be negative")
    if not base + rise >= 0:
        raise Refusal(f"rise={rise!r} m/s takes the wind of {base!r} m/s below 0", f"give {-base!r} or more")
    if not at_s >= 0:
        raise ValueError(f"at_s={at_s!r} s must not be negative")
    if not lasts_s > 0:
        raise ValueError(f"lasts_s={lasts_s!r} s must be more than 0 s")
    if not at_s + lasts_s <= for_s:
        raise Refusal(
            f"a gust from {at_s!r} s to {at_s + lasts_s!r} s does not fit in for_s={for_s!r} s",
            "make that longer",
        )
