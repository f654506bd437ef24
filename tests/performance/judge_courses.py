"""All courses on a fine grid: an oracle that shares nothing with the judge.

A course moves by -1, 0 or +1 step of value in each step of time, so it travels exactly at the greatest rate or stands;
a flag or state changes at steps of time, no sooner than it must. Sets of values are bits of one integer, and each
demand is an automaton that is led along all courses at once, for every instant of the stimulus on the grid.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from functools import reduce
from math import ceil
from operator import or_
from typing import Any

from judge_cases import Case

from ventproof.deciders import formulas as f
from ventproof_bench.base.evidence import Sample

Set = int  # of values: bit i is the value i steps above the grid's lowest
States = dict[Hashable, Set]  # of an automaton: with which values each of its states is possible now

UNTIMED = 2
"""The outcome of a course of which a grid cannot tell."""
COARSE = 4
"""Readings, spans and windows lie on so many points of a second, and of a unit of value."""


class Courses:
    """All courses that the readings of a case allow, `fine` steps a second."""

    def __init__(self, one: Case, fine: int) -> None:
        self.fine, self.case = fine, one
        samples = [x for x in one.evidence if isinstance(x, Sample)]
        age = one.traits.refreshed_every_s
        begin_s = min(one.stimulus.earliest_s, samples[0].requested_s - age)
        self._first = round(begin_s * fine)
        self.keeps = ceil((one.traits.keeps_for_s or 0.0) * fine)
        self.windows = [
            (round((x.requested_s - age) * fine), round(x.replied_s * fine), x.value) for x in samples
        ]
        values = [x.value for x in samples]
        room = 6.0 + one.traits.error
        self.low = min(values) - room
        self.size = round((max(values) - min(values) + 2 * room) * fine) + 1
        if self.keeps:
            self.values = sorted({0.0, 1.0, *values, *({2.0} if one.traits.unit == "state" else ())})
            self.size = len(self.values) * self.keeps
        self.all = (1 << self.size) - 1
        tolerance = one.traits.error + 1e-9
        self._readable = {v: self.where(lambda x, v=v: abs(x - v) <= tolerance) for v in values}
        self._past: list[dict[frozenset[int], Set]] = [{frozenset(): self.all}]

    def where(self, test: Callable[[float], bool]) -> Set:
        """Return the values that meet a condition."""
        if self.keeps:
            block = (1 << self.keeps) - 1
            return sum(block << i * self.keeps for i, v in enumerate(self.values) if test(v))
        return sum(1 << i for i in range(self.size) if test(self.low + i / self.fine))

    def each(self, values: Set) -> Iterator[float]:
        """Yield single values."""
        if self.keeps:
            yield from (v for v in self.values if values & self.where(lambda x, v=v: x == v))
        else:
            yield from (self.low + i / self.fine for i in range(self.size) if values >> i & 1)

    def moved(self, values: Set) -> Set:
        """Return where a course can be one step of time later."""
        if not self.keeps:
            return (values | values << 1 | values >> 1) & self.all
        width, out, old = self.keeps, 0, []
        block = (1 << width) - 1
        for i in range(len(self.values)):
            part = values >> i * width & block
            ripe = part >> width - 1 & 1
            old.append(ripe)
            out |= ((part << 1) & block | ripe << width - 1) << i * width
        if any(old):
            for i in range(len(self.values)):
                if any(ripe for j, ripe in enumerate(old) if j != i):
                    out |= 1 << i * width
        return out

    def final(self, begin: int, start: Callable[[Set], States], step: Any, end: int) -> set[Hashable]:
        """Lead an automaton along all courses; return the states that it can end in.

        Args:
            begin: the step of time at which it starts.
            start: its first states, from the values possible then.
            step: from a state and a step of time, the next states, each with the values that lead there.
            end: the last step of time that matters to it.
        """
        now: dict[tuple[Hashable, frozenset[int]], Set] = {
            (None, seen): values for seen, values in self._before(begin).items()
        }
        for t in range(begin, max(end, *(b for _, b, _ in self.windows)) + 1):
            open_, closing = self._windows_at(t)
            then: dict[tuple[Hashable, frozenset[int]], Set] = {}
            for (state, seen), values in now.items():
                for known, part in self._read(seen, self.moved(values), open_):
                    if not closing <= known:
                        continue
                    for after, some in _stepped(state, part, t - begin, start, lambda q, t=t: step(q, t)):
                        key = (after, known - closing)
                        then[key] = then.get(key, 0) | some
            now = then
        return {state for (state, _), values in now.items() if values}

    def possible(self, t: int) -> Set:
        """Return the values that a course can have at a step of time, as far as readings before it tell."""
        return reduce(or_, map(self.moved, self._before(t).values()), 0)

    def _before(self, t: int) -> dict[frozenset[int], Set]:
        """Return where courses can be one step of time earlier, by which open readings they have met."""
        while self._first + len(self._past) <= t:
            at = self._first + len(self._past) - 1
            open_, closing = self._windows_at(at)
            then: dict[frozenset[int], Set] = {}
            for seen, values in self._past[-1].items():
                for known, part in self._read(seen, self.moved(values), open_):
                    if closing <= known:
                        then[known - closing] = then.get(known - closing, 0) | part
            self._past.append(then)
        return self._past[t - self._first]

    def _windows_at(self, t: int) -> tuple[list[int], frozenset[int]]:
        """Return which readings may be taken at a step of time, and which of them no later."""
        open_ = [i for i, (a, b, _) in enumerate(self.windows) if a <= t <= b]
        return open_, frozenset(i for i in open_ if self.windows[i][1] == t)

    def _read(
        self, seen: frozenset[int], values: Set, open_: list[int]
    ) -> Iterator[tuple[frozenset[int], Set]]:
        """Yield which readings may have been taken by now, with the values at which they may."""
        parts = {seen: values}
        for i in open_:
            for known, part in list(parts.items()):
                if i not in known and (hit := part & self._readable[self.windows[i][2]]):
                    parts[known | {i}] = parts.get(known | {i}, 0) | hit
        yield from parts.items()

    def outcomes(self) -> set[int]:
        """Return whether the demand can hold, and whether it can break."""
        q, out = self.case.formula, set()
        s1, s2 = (round(s * self.fine) for s in (self.case.stimulus.earliest_s, self.case.stimulus.latest_s))
        for s in range(s1, s2 + 1):
            out |= _DEMANDS[type(q)](self, q, s)
            if out >= {True, False}:
                break
        return out

    def until(self, s: int, span_s: float) -> int:
        """Return the last step of time within a span after s."""
        return int(s + span_s * self.fine + 1e-6)


def _stepped(
    state: Hashable, values: Set, after: int, start: Callable[[Set], States], step: Callable[[Any], Any]
) -> list[tuple[Hashable, Set]]:
    """Return the next states of an automaton that starts `after` steps of time ago."""
    if after < 0:
        return [(state, values)]
    if after == 0:
        return [(q, x) for q, x in start(values).items() if x]
    return [(q, part) for q, x in step(state) if (part := values & x)]


def _trap(c: Courses, s: int, end: int, bad: Set) -> set[bool]:
    """Return the outcomes of 'never among the bad values'."""

    def start(values: Set) -> States:
        return {True: values & ~bad, False: values & bad}

    def step(state: Any, t: int) -> Any:
        if not state or t > end:
            return [(state, c.all)]
        return [(True, c.all & ~bad), (False, bad)]

    return c.final(s, start, step, end)


def _stays(c: Courses, q: f.StaysFormula, s: int) -> set[bool]:
    low, high = (-1e9 if q.low is None else q.low), (1e9 if q.high is None else q.high)
    return _trap(c, s, c.until(s, q.for_s), c.where(lambda x: not low <= x <= high))


def _arrives(c: Courses, q: Any, s: int) -> set[bool]:
    if isinstance(q, f.EqualsFormula):
        band = c.where(lambda x: x == q.value)
    else:
        band = c.where(lambda x: abs(x - q.target) <= q.tolerance)
    if getattr(q, "holds_s", 0.0):
        return _holds(c, q, s, band)
    return {not out for out in _trap(c, s, c.until(s, q.within_s), band)}


def _holds(c: Courses, q: f.ReachesFormula, s: int, band: Set) -> set[bool]:
    last, hold = c.until(s, q.within_s), int(q.holds_s * c.fine)
    # A band a little narrower than the grid's is entered just after the last point outside, not at the first inside.
    since = 1 if (q.tolerance * COARSE) % 1 > 0.5 else 0

    def step(state: Any, t: int) -> Any:
        if state == "held":
            return [(state, c.all)]
        if state == "out":
            return [("out", c.all & ~band), (t - since if t <= last else "out", band)]
        return [("out", c.all & ~band), ("held" if t - state >= hold else state, band)]

    def start(values: Set) -> States:
        return {"out": values & ~band, s: values & band}

    end = int(last + hold) + 2
    return {state == "held" for state in c.final(s, start, step, end)}


def _returns(c: Courses, q: f.ReturnsFormula, s: int) -> set[bool]:
    band = c.where(lambda x: abs(x - q.target) <= q.tolerance)
    first, last = s + q.not_before_s * c.fine, c.until(s, q.within_s)

    def step(state: str, t: int) -> Any:
        if state != "out" or t > last:
            return [(state, c.all)]
        return [("out", c.all & ~band), ("early" if t < first else "in", band)]

    def start(values: Set) -> States:
        return {"out": values & ~band, "early" if s < first else "in": values & band}

    return {state == "in" for state in c.final(s, start, step, last)}


def _drifts(c: Courses, q: Any, s: int) -> set[bool]:
    moves = isinstance(q, f.StartsMovingFormula)
    by, span = (q.by, q.within_s) if moves else (q.tolerance or 0.0, q.for_s)
    end, out = c.until(s, span), set()

    def begin(one: Set) -> Callable[[Set], States]:
        return lambda values: {True: values & one}

    for y in c.each(c.possible(s)):
        near = c.where(lambda x, y=y: abs(x - y) <= by)

        def step(state: Any, t: int, near: Set = near) -> Any:
            return [(True, near), (False, c.all & ~near)] if state and t <= end else [(state, c.all)]

        kept = c.final(s, begin(c.where(lambda x, y=y: abs(x - y) < 1e-9)), step, end)
        out |= {ok is not moves for ok in kept}
        if len(out) == 2:
            break
    return out


def _overshoots(c: Courses, q: f.OvershootsAtMostFormula, s: int) -> set[bool]:
    end = c.until(s, q.for_s)
    over, under = c.where(lambda x: x > q.target + q.by), c.where(lambda x: x < q.target - q.by)
    high, low = c.where(lambda x: x >= q.target), c.where(lambda x: x <= q.target)

    def start(values: Set) -> States:
        return {
            (True, True): values & low & high,
            (True, False): values & low & ~high,
            (False, True): values & high & ~low,
        }

    def step(state: Any, t: int) -> Any:
        rise, fall = state
        if t > end:
            return [(state, c.all)]
        return [((False, fall), over), ((rise, False), under), (state, c.all & ~over & ~under)]

    return {any(state) for state in c.final(s, start, step, end)}


def _reverses(c: Courses, q: f.NeverReversesFormula, s: int) -> set[bool]:
    """One way: never `by` below its greatest value so far, or never above its least."""
    end, by = c.until(s, q.for_s), int(q.by * c.fine + 1e-6)
    holds = {True} if _one_way(c, s, end, by, 1) or _one_way(c, s, end, by, -1) else set()
    return holds | ({False} if _both_ways(c, s, end, by) else set())


def _one_way(c: Courses, s: int, end: int, by: int, way: int) -> bool:
    """Return whether some course never goes back by more than `by`; the state is how far it has come."""

    def span(low: int, high: int) -> Set:
        low, high = max(low, 0), min(high, c.size - 1)
        return (1 << high + 1) - (1 << low) if low <= high else 0

    def start(values: Set) -> States:
        return {i: values & 1 << i for i in range(c.size) if values >> i & 1}

    def step(state: Any, t: int) -> Any:
        if state == "turned" or t > end:
            return [(state, c.all)]
        near = span(state - by, state) if way > 0 else span(state, state + by)
        further = span(state + way, state + way)
        return [(state, near), (state + way, further), ("turned", c.all & ~near & ~further)]

    return bool(c.final(s, start, step, end) - {"turned"})


def _both_ways(c: Courses, s: int, end: int, by: int) -> bool:
    """Return whether some course is high, low and high again, or low, high and low, for some level."""
    low = [(1 << i + 1) - 1 for i in range(c.size)]
    for y in range(c.size):
        for ends, middle in (
            (c.all & ~low[min(c.size - 1, y + by)], low[y]),
            (low[y - by - 1] if y > by else 0, c.all & ~(low[y - 1] if y else 0)),
        ):
            goals = (ends, middle, ends)

            def start(values: Set, ends: Set = ends) -> States:
                return {1: values & ends, 0: values & ~ends}

            def turn(state: Any, t: int, goals: tuple[Set, ...] = goals) -> Any:
                if state == len(goals) or t > end:
                    return [(state, c.all)]
                return [(state + 1, goals[state]), (state, c.all & ~goals[state])]

            if ends and len(goals) in c.final(s, start, turn, end):
                return True
    return False


def _moves(c: Courses, q: f.MovesAtFormula, s: int) -> set[int]:
    out: set[int] = set()
    last = c.until(s, q.within_s)
    for y in c.each(c.possible(s)):
        way = q.target - y
        if abs(way) < 1e-6:
            continue
        marks = [c.where(lambda x, y=y, p=p, way=way: (x - y - p * way) * way >= -1e-9) for p in (0.1, 0.9)]

        def start(values: Set, y: float = y, way: float = way) -> States:
            # A short way is over so soon that a grid cannot time it.
            return {"still" if abs(way) >= 1 else UNTIMED: values & c.where(lambda x: abs(x - y) < 1e-9)}

        def step(state: Any, t: int, marks: Any = marks, way: float = way) -> Any:
            if isinstance(state, bool) or state == UNTIMED or t > last:
                return [(state, c.all)]
            if state == "still":
                return [(t, marks[0] & ~marks[1]), (state, c.all & ~marks[0]), (t, marks[0] & marks[1])]
            rate = 0.8 * abs(way) / ((t - state) / c.fine)
            return [(abs(rate - q.rate) <= q.tolerance, marks[1]), (state, c.all & ~marks[1])]

        out |= {UNTIMED if state == UNTIMED else state is True for state in c.final(s, start, step, last)}
        if out >= {True, False}:
            break
    return out


_DEMANDS: dict[type, Callable[[Courses, Any, int], Any]] = {
    f.ReachesFormula: _arrives,
    f.EqualsFormula: _arrives,
    f.StaysFormula: _stays,
    f.ReturnsFormula: _returns,
    f.StartsMovingFormula: _drifts,
    f.UnchangedFormula: _drifts,
    f.OvershootsAtMostFormula: _overshoots,
    f.NeverReversesFormula: _reverses,
    f.MovesAtFormula: _moves,
}
