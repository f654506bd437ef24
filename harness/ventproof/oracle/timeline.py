"""Values over time (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import Final, Literal, Protocol, final


@final
@dataclass(frozen=True, slots=True)
class Timeline:
    """A yes or no that holds from each switch on.

    Attributes:
        initially: what it is before the first switch.
        switches_s: instants at which it becomes the other, strictly rising.
    """

    initially: bool = False
    switches_s: tuple[float, ...] = ()

    def at(self, t_s: float) -> bool:
        """Return what it is from `t_s` on."""
        return self.initially ^ bool(bisect_right(self.switches_s, t_s) % 2)

    def yes(self) -> Iterator[tuple[float, float]]:
        """Yield the spans in which it is a yes, from minus to plus infinity."""
        edges = (*((-inf,) if self.initially else ()), *self.switches_s)
        for number in range(0, len(edges), 2):
            yield edges[number], edges[number + 1] if number + 1 < len(edges) else inf

    def since(self, t_s: float) -> float:
        """Return since when it has been a yes at an instant; infinite where it is a no."""
        if not self.at(t_s):
            return inf
        number = bisect_right(self.switches_s, t_s)
        return self.switches_s[number - 1] if number else -inf

    def inverted(self) -> Timeline:
        """Return the opposite."""
        return Timeline(not self.initially, self.switches_s)


NEVER: Final = Timeline()
ALWAYS: Final = Timeline(initially=True)


def combined(timelines: Sequence[Timeline], how: Callable[[Iterable[bool]], bool]) -> Timeline:
    """Return `any` or `all` of several timelines."""
    initially = how(timeline.initially for timeline in timelines)
    now, switches_s = initially, []
    for t_s in sorted({t_s for timeline in timelines for t_s in timeline.switches_s}):
        if how(timeline.at(t_s) for timeline in timelines) != now:
            now = not now
            switches_s.append(t_s)
    return Timeline(initially, tuple(switches_s))


def settled(source: Timeline, on_s: float, off_s: float, powered: Timeline = ALWAYS) -> Timeline:
    """Return a yes that follows its source once that kept a yes for `on_s`, or a no for `off_s`.

    A state kept for exactly that long counts. Without power it is a no, and the delays begin anew afterwards.
    """
    now, due_s = source.initially and powered.initially, inf
    initially = now
    switches_s: list[float] = []
    # Infinity stands last, so that a delay under way after the last change runs out.
    for t_s in (*sorted({*source.switches_s, *powered.switches_s}), inf):
        # Before the change at the same instant: exactly that long is long enough.
        if due_s <= t_s and due_s < inf:
            now, due_s = not now, _put(switches_s, due_s)
        if t_s == inf:
            break
        wanted = source.at(t_s)
        if not powered.at(t_s):
            if now:
                now = False
                _put(switches_s, t_s)
            due_s = inf
        elif wanted == now:
            due_s = inf
        elif due_s == inf:
            due_s = t_s + (on_s if wanted else off_s)
    return Timeline(initially, _without_twins(switches_s))


def _put(switches_s: list[float], t_s: float) -> float:
    switches_s.append(t_s)
    return inf


def _without_twins(switches_s: Sequence[float]) -> tuple[float, ...]:
    """Drop pairs of switches at one instant: they leave everything as it was."""
    kept: list[float] = []
    for t_s in switches_s:
        if kept and kept[-1] == t_s:
            kept.pop()
        else:
            kept.append(t_s)
    return tuple(kept)


def latched(source: Timeline, resets_s: Iterable[float]) -> Timeline:
    """Return a yes that stays after its source's until a reset that finds the source a no."""
    resets = frozenset(resets_s)
    now, switches_s = source.initially, []
    for t_s in sorted({*source.switches_s, *resets}):
        wanted = source.at(t_s) or (now and t_s not in resets)
        if wanted != now:
            now = wanted
            switches_s.append(t_s)
    return Timeline(source.initially, tuple(switches_s))


@final
@dataclass(frozen=True, slots=True)
class Steps:
    """A value that jumps.

    Attributes:
        first: the value before the first jump.
        jumps: (instant in seconds, value from then on), rising in time.
    """

    first: float
    jumps: tuple[tuple[float, float], ...] = ()

    def at(self, t_s: float) -> float:
        """Return the value from `t_s` on."""
        number = bisect_right(self.jumps, (t_s, inf))
        return self.jumps[number - 1][1] if number else self.first

    def values(self, from_s: float, to_s: float) -> Iterator[float]:
        """Yield every value in a span; none where it ends before it begins."""
        if from_s <= to_s:
            yield self.at(from_s)
            yield from (value for t_s, value in self.jumps if from_s < t_s <= to_s)

    def mean(self, to_s: float, over_s: float, since_s: float = -inf) -> float:
        """Return the mean over the time that ends at an instant; before `since_s` the value counts as 0."""
        from_s = max(to_s - over_s, since_s)
        if from_s >= to_s:
            return 0.0
        edges = [from_s, *(t_s for t_s, _ in self.jumps if from_s < t_s < to_s), to_s]
        return sum(self.at(begin) * (end - begin) for begin, end in pairwise(edges)) / over_s

    def edges(self) -> Iterator[float]:
        """Yield the instants at which it jumps."""
        return (t_s for t_s, _ in self.jumps)

    def ends(self, begin_s: float, end_s: float) -> tuple[float, float]:  # noqa: ARG002 - as every `PiecewiseCourse`
        """Return the value at both ends of a span in which it does not jump."""
        return self.at(begin_s), self.at(begin_s)


class PiecewiseCourse(Protocol):
    """A value over time that is straight between its edges."""

    @property
    def first(self) -> float:
        """The value before the first edge."""

    def edges(self) -> Iterator[float]:
        """Yield the instants between which it is straight."""

    def ends(self, begin_s: float, end_s: float) -> tuple[float, float]:
        """Return the value at both ends of a span that has no edge inside."""


def beyond(
    value: PiecewiseCourse, on_at: float, off_at: float, powered: Timeline = ALWAYS, *, rising: bool = True
) -> Timeline:
    """Return whether a value is beyond a limit, with hysteresis; both limits inclusive.

    Args:
        value: the value.
        on_at: a yes from here.
        off_at: a no from here, on the way back.
        powered: without power it is a no, and the hysteresis is forgotten.
        rising: whether it is a yes at high values; else at low ones.
    """
    sign = 1 if rising else -1
    on_at, off_at = sign * on_at, sign * off_at
    edges = sorted({*value.edges(), *powered.switches_s})
    initially = now = sign * value.first >= on_at and powered.initially
    switches_s: list[float] = []
    for begin_s, end_s in pairwise((*edges, inf)):
        if not powered.at(begin_s):
            if now:
                now = False
                switches_s.append(begin_s)
            continue
        # Nothing changes after the last edge.
        at_begin, at_end = (sign * at for at in value.ends(begin_s, begin_s if end_s == inf else end_s))
        if _turned(at_begin, on_at, off_at, now=now):
            now = not now
            switches_s.append(begin_s)
        if at_end != at_begin and _turned(at_end, on_at, off_at, now=now):
            share = ((off_at if now else on_at) - at_begin) / (at_end - at_begin)
            now = not now
            switches_s.append(begin_s + share * (end_s - begin_s))
    return Timeline(initially, _without_twins(switches_s))


def _turned(value: float, on_at: float, off_at: float, *, now: bool) -> bool:
    return value <= off_at if now else value >= on_at


ChangeKind = Literal[
    "contact", "wind", "rainfall", "filled", "level", "failed", "direction", "opens", "silent"
]


@final
@dataclass(frozen=True, slots=True)
class WeatherChange:
    """Something that changes at the unit's terminals, or about the house.

    Attributes:
        at_s: when, the earliest.
        kind: `contact` closed (1) or open (0); `wind` in m/s; `rainfall` in mm/h; `filled`: the bucket is,
            to this share of a tip; `level` in its own unit; `failed`: a
            sensor has failed (1) or works again (0), a level keeping its last good value meanwhile and pulses ceasing;
            `direction` the wind comes from, degrees; `opens`: where the temperature wants a vent group, %; `silent`:
            nobody asks over the bus any more (1) or does so again (0).
        name: the output, the sensor or the vent group as the table names it; empty for the direction and the bus.
        value: as the kind says.
        late_s: it may come so much later.
    """

    at_s: float
    kind: ChangeKind
    name: str
    value: float
    late_s: float = 0.0


Weather = Sequence[WeatherChange]
"""Changes in any order; before the first of a kind and name the weather is none and the sensors are well."""


def of(weather: Weather, kind: ChangeKind, name: str) -> list[WeatherChange]:
    """Return the changes of one thing, in order of time."""
    return sorted((c for c in weather if c.kind == kind and c.name == name), key=lambda c: c.at_s)


@final
@dataclass(frozen=True, slots=True)
class UncertainState:
    """A yes or no that is not known exactly.

    Attributes:
        may: a yes wherever it is possible.
        must: a yes only where it is certain.
    """

    may: Timeline
    must: Timeline

    def inverted(self) -> UncertainState:
        """Return the opposite, which is certain where this is impossible."""
        return UncertainState(self.must.inverted(), self.may.inverted())

    def at(self, t_s: float) -> Literal["yes", "no", "open"]:
        """Return `yes` or `no` where it is certain from `t_s` on, `open` otherwise."""
        if self.must.at(t_s):
            return "yes"
        return "open" if self.may.at(t_s) else "no"


def switched(changes: Iterable[WeatherChange]) -> UncertainState:
    """Return a contact or a failure over time."""
    may: list[float] = []
    must: list[float] = []
    now = False
    for change in changes:
        if bool(change.value) == now:
            continue
        now = bool(change.value)
        early_s, late_s = change.at_s, change.at_s + change.late_s
        may.append(early_s if now else late_s)
        must.append(late_s if now else early_s)
    return UncertainState(Timeline(switches_s=_swept(may)), Timeline(switches_s=_swept(must)))


def _swept(switches_s: list[float]) -> tuple[float, ...]:
    """Drop what two switches enclose where the later one comes first: spans joined, or shrunk to nothing."""
    kept: list[float] = []
    for t_s in switches_s:
        if kept and t_s <= kept[-1]:
            kept.pop()
        else:
            kept.append(t_s)
    return tuple(kept)


def stepped(changes: Sequence[WeatherChange], first: float) -> tuple[Steps, Steps]:
    """Return the lowest and the highest course of a value that jumps; `changes` in order of time."""
    edges = sorted({t_s for c in changes for t_s in (c.at_s, c.at_s + c.late_s)})
    lasts = [c.at_s + c.late_s for c in changes]
    possible = []
    for t_s in edges:
        gone = max((number for number, late_s in enumerate(lasts) if late_s <= t_s), default=-1)
        values = [first] if gone < 0 else [changes[gone].value]
        values += [c.value for c in changes[gone + 1 :] if c.at_s <= t_s]
        possible.append((t_s, min(values), max(values)))
    low = Steps(first, tuple((t_s, least) for t_s, least, _ in possible))
    return low, Steps(first, tuple((t_s, most) for t_s, _, most in possible))
