"""All courses on a fine grid: an oracle that shares nothing with the judge, and cases small enough for it.

A course moves by -1, 0 or +1 step of value in each step of time, so it travels exactly at the greatest rate or stands;
a flag or state changes at steps of time, no sooner than it must. Sets of values are bits of one integer, and each
demand is an automaton that is led along all courses at once, for every instant of the stimulus on the grid. Readings,
spans and stimulus windows lie on a coarser grid, and limits a little off it, so that no course meets one exactly.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

from judge_cases import Case, Truth

from bench.samples import Sample, SignalTraits, Window
from harness.judge import formulas as f
from harness.judge.verdict import Verdict

Set = int  # of values: bit i is the value i steps above the grid's lowest
States = dict[Hashable, Set]  # of an automaton: with which values each of its states is possible now

COARSE = 4
"""Readings, spans and windows lie on so many points of a second, and of a unit of value."""
OFF = 0.01
"""So far off the grid lie limits of value."""
OFF_S = 0.003
"""So much after a point of the grid lie limits of time: a course meets a limit of value that lies off the grid before
the point or more than this after it, so what is true at the points is true between them."""
KINDS = (
    *("reaches", "hold", "stays", "returns", "starts", "unchanged", "overshoots", "reverses", "moves"),
    *("equals", "flag_unchanged", "flag_stays"),
)


@dataclass(frozen=True)
class Traits:
    """What a grid case may hold that is hard.

    Attributes:
        wide: readings and the stimulus have windows; else instants.
        overlap: reading windows may overlap.
    """

    wide: bool = True
    overlap: bool = False


class Courses:
    """All courses that the readings of a case allow, `fine` steps a second."""

    def __init__(self, one: Case, fine: int) -> None:
        self.fine, self.case = fine, one
        samples = [x for x in one.evidence if isinstance(x, Sample)]
        age = one.traits.refreshed_every_s
        begin_s = min(one.stimulus.earliest_s, samples[0].requested_s - age)
        self.first = round(begin_s * fine)
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
        tolerance, sets = self.case.traits.error + 1e-9, {}
        for _, _, value in self.windows:
            sets[value] = self.where(lambda x, v=value: abs(x - v) <= tolerance)
        last = max(end, *(b for _, b, _ in self.windows))
        now: dict[tuple[Hashable, frozenset[int]], Set] = {("before", frozenset()): self.all}
        for t in range(self.first, last + 1):
            if t > self.first:
                now = {key: self.moved(values) for key, values in now.items()}
            open_ = [i for i, (a, b, _) in enumerate(self.windows) if a <= t <= b]
            closing = {i for i in open_ if self.windows[i][1] == t}
            then: dict[tuple[Hashable, frozenset[int]], Set] = {}
            for (state, seen), values in now.items():
                parts = {seen: values}
                for i in open_:
                    for known, part in list(parts.items()):
                        if i not in known and (hit := part & sets[self.windows[i][2]]):
                            parts[known | {i}] = parts.get(known | {i}, 0) | hit
                for known, part in parts.items():
                    if closing <= known:
                        for after, some in self._stepped(state, part, t, begin, start, step):
                            key = (after, known - closing)
                            then[key] = then.get(key, 0) | some
            now = then
        return {state for (state, _), values in now.items() if values}

    @staticmethod
    def _stepped(state: Any, values: Set, t: int, begin: int, start: Any, step: Any) -> Any:
        if t < begin:
            return [(state, values)]
        if t == begin:
            return [(q, x) for q, x in start(values).items() if x]
        return [(q, part) for q, x in step(state, t) if (part := values & x)]

    def outcomes(self) -> set[bool]:
        """Return whether the demand can hold, and whether it can break."""
        q, out = self.case.formula, set()
        s1, s2 = (round(s * self.fine) for s in (self.case.stimulus.earliest_s, self.case.stimulus.latest_s))
        for s in range(s1, s2 + 1):
            out |= _DEMANDS[type(q)](self, q, s)
            if len(out) == 2:
                break
        return out

    def until(self, s: int, span_s: float) -> int:
        """Return the last step of time within a span after s."""
        return int(s + span_s * self.fine + 1e-6)


def _trap(c: Courses, s: int, end: int, bad: Set, first: bool = True) -> set[bool]:
    """Return the outcomes of 'never among the bad values'."""

    def start(values: Set) -> States:
        return {True: values & ~bad if first else values, False: values & bad if first else 0}

    def step(state: bool, t: int) -> Any:
        if not state or t > end:
            return [(state, c.all)]
        return [(True, c.all & ~bad), (False, bad)]

    return c.final(s, start, step, end)


def _stays(c: Courses, q: f.Stays, s: int) -> set[bool]:
    low, high = (-1e9 if q.low is None else q.low), (1e9 if q.high is None else q.high)
    return _trap(c, s, c.until(s, q.for_s), c.where(lambda x: not low <= x <= high))


def _arrives(c: Courses, q: Any, s: int) -> set[bool]:
    if isinstance(q, f.Equals):
        band = c.where(lambda x: x == q.value)
    else:
        band = c.where(lambda x: abs(x - q.target) <= q.tolerance)
    if getattr(q, "holds_s", 0.0):
        return _holds(c, q, s, band)
    return {not out for out in _trap(c, s, c.until(s, q.within_s), band)}


def _holds(c: Courses, q: f.Reaches, s: int, band: Set) -> set[bool]:
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


def _returns(c: Courses, q: f.Returns, s: int) -> set[bool]:
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
    moves = isinstance(q, f.StartsMoving)
    by, span = (q.by, q.within_s) if moves else (q.tolerance or 0.0, q.for_s)
    end, out = c.until(s, span), set()

    def begin(one: Set) -> Callable[[Set], States]:
        return lambda values: {True: values & one}

    for y in c.each(c.all):
        near = c.where(lambda x, y=y: abs(x - y) <= by)

        def step(state: bool, t: int, near: Set = near) -> Any:
            return [(True, near), (False, c.all & ~near)] if state and t <= end else [(state, c.all)]

        kept = c.final(s, begin(c.where(lambda x, y=y: abs(x - y) < 1e-9)), step, end)
        out |= {ok is not moves for ok in kept}
        if len(out) == 2:
            break
    return out


def _overshoots(c: Courses, q: f.OvershootsAtMost, s: int) -> set[bool]:
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


def _reverses(c: Courses, q: f.NeverReverses, s: int) -> set[bool]:
    """One way: never `by` below its greatest value so far, or never above its least.

    Both ways: high, low, high again; or low, high, low.
    """
    end, out, by = c.until(s, q.for_s), set(), int(q.by * c.fine + 1e-6)
    low = [(1 << i + 1) - 1 for i in range(c.size)]

    for up in (True, False):

        def start(values: Set) -> States:
            return {i: values & 1 << i for i in range(c.size) if values >> i & 1}

        def step(state: Any, t: int, up: bool = up) -> Any:
            if state == "turned" or t > end:
                return [(state, c.all)]
            if up:
                near = low[state] & ~(low[state - by - 1] if state > by else 0)
                return [
                    (state, near),
                    ("turned", low[state] & ~near),
                    *((i, 1 << i) for i in (state + 1,) if i < c.size),
                ]
            near = c.all & ~(low[state - 1] if state else 0)
            near &= low[min(c.size - 1, state + by)]
            above = c.all & ~low[min(c.size - 1, state + by)]
            return [(state, near), ("turned", above), *((i, 1 << i) for i in (state - 1,) if i >= 0)]

        if c.final(s, start, step, end) - {"turned"}:
            out.add(True)
            break
    possible = [i for i in range(c.size) if c.all >> i & 1]
    for y in possible:
        # A turn at y: above y + by, at or below y, above y + by again; or the same upside down.
        for ends, middle in (
            (c.all & ~low[min(c.size - 1, y + by)], low[y]),
            (low[y - by - 1] if y > by else 0, c.all & ~(low[y - 1] if y else 0)),
        ):
            if not ends:
                continue
            goals = (ends, middle, ends)

            def first(values: Set, ends: Set = ends) -> States:
                return {1: values & ends, 0: values & ~ends}

            def turn(state: int, t: int, goals: Any = goals) -> Any:
                if state == 3 or t > end:
                    return [(state, c.all)]
                return [(state + 1, goals[state]), (state, c.all & ~goals[state])]

            if 3 in c.final(s, first, turn, end):
                return out | {False}
    return out


def _moves(c: Courses, q: f.MovesAt, s: int) -> set[bool]:
    last, out = c.until(s, q.within_s), set()
    for y in c.each(c.all):
        way = q.target - y
        if abs(way) < 1e-6:
            continue
        marks = [c.where(lambda x, y=y, p=p, way=way: (x - y - p * way) * way >= -1e-9) for p in (0.1, 0.9)]

        def start(values: Set, y: float = y) -> States:
            return {"still": values & c.where(lambda x: abs(x - y) < 1e-9)}

        def step(state: Any, t: int, marks: Any = marks, way: float = way) -> Any:
            if isinstance(state, bool) or t > last:
                return [(state, c.all)]
            if state == "still":
                return [(t, marks[0] & ~marks[1]), (state, c.all & ~marks[0]), (t, marks[0] & marks[1])]
            rate = 0.8 * abs(way) / ((t - state) / c.fine)
            return [(abs(rate - q.rate) <= q.tolerance, marks[1]), (state, c.all & ~marks[1])]

        out |= {state is True for state in c.final(s, start, step, last)}
        if len(out) == 2:
            break
    return out


_DEMANDS: dict[type, Callable[[Courses, Any, int], set[bool]]] = {
    f.Reaches: _arrives,
    f.Equals: _arrives,
    f.Stays: _stays,
    f.Returns: _returns,
    f.StartsMoving: _drifts,
    f.Unchanged: _drifts,
    f.OvershootsAtMost: _overshoots,
    f.NeverReverses: _reverses,
    f.MovesAt: _moves,
}


def compared(one: Case, said: Verdict) -> str:
    """Return how a verdict stands to what all courses say.

    Returns:
        `pass`, `fail` or `inconclusive` where they say the same; `wrong` where one of them contradicts; `open` where
        all agree, on finer grids and with limits a little harder to keep, too, and the judge left it open; `near` where
        they agree by less than that.
    """
    coarse, finer = (4, (8,)) if isinstance(one.formula, f.NeverReverses | f.MovesAt) else (8, (16, 32))
    outcomes = Courses(one, coarse).outcomes()
    if said is not Verdict.INCONCLUSIVE:
        right = outcomes == {said is Verdict.PASS}
        return said.value if right else f"wrong: {said}, {one.formula}, while courses say {outcomes}"
    if len(outcomes) == 2 or any(len(Courses(one, fine).outcomes()) == 2 for fine in finer):
        return "inconclusive"
    harder = (replace(one, formula=formula) for formula in _harder(one.formula, true=outcomes == {True}))
    return "near" if any(Courses(each, finer[0]).outcomes() != outcomes for each in harder) else "open"


def _harder(q: Any, *, true: bool) -> Iterator[Any]:
    """Yield the demand with limits a little further towards the other verdict."""
    d, e = (4 * OFF, 0.06) if true else (-4 * OFF, -0.06)
    match q:
        case f.Reaches():
            hold = q.holds_s + e if q.holds_s else 0.0
            yield replace(q, tolerance=q.tolerance - d, within_s=max(0.0, q.within_s - e), holds_s=hold)
        case f.Stays():
            low, high = (None if q.low is None else q.low + d), (None if q.high is None else q.high - d)
            yield replace(q, low=low, high=high, for_s=q.for_s + e)
        case f.Returns():
            early = max(0.001, q.not_before_s + e) if q.not_before_s else 0.0
            within = max(q.within_s - e, early)
            yield replace(q, tolerance=q.tolerance + d)
            yield replace(q, tolerance=q.tolerance - d, not_before_s=early, within_s=within)
        case f.StartsMoving():
            yield replace(q, by=q.by + d, within_s=max(0.001, q.within_s - e))
        case f.Unchanged():
            yield replace(q, tolerance=q.tolerance and max(0.001, q.tolerance - d), for_s=q.for_s + e)
        case f.OvershootsAtMost():
            yield from (replace(q, by=q.by - d, target=q.target + x) for x in (-d, d))
        case f.NeverReverses():
            yield replace(q, by=q.by - d, for_s=q.for_s + e)
        case f.MovesAt():
            yield from (
                replace(q, tolerance=q.tolerance - d, target=q.target + x, within_s=q.within_s - e)
                for x in (-0.1, 0.1)
            )
        case f.Equals():
            yield replace(q, within_s=max(0.001, q.within_s - e))


def _walk(r: random.Random, steps: int) -> list[float]:
    """A course with turns on the coarse grid: at the greatest rate, or standing."""
    x, values = r.randrange(2 * COARSE, 6 * COARSE), []
    while len(values) <= steps:
        way = r.choice([-1, 0, 0, 1])
        for _ in range(r.choice([1, 2, 3, 4, 8, 16])):
            values.append(x / COARSE)
            x += way
    return values


def _jumps(r: random.Random, steps: int, keeps: int, count: int) -> list[float]:
    x, values = r.randrange(count), []
    while len(values) <= steps:
        values += [float(x)] * (keeps + r.choice([0, 0, 1, 2, 3, 8, 16]))
        x = r.choice([v for v in range(count) if v != x])
    return values


def grid_case(seed: int, kinds: tuple[str, ...] = KINDS, traits: Traits | None = None) -> Case:
    """Return a random case whose courses can all be tried.

    Drawn: a first reading after the stimulus, stimulus windows longer than the span, turns inside windows, plateaus on
    limits, time-outs, travel exactly at the greatest rate, refresh longer than the poll.
    """
    r = random.Random(f"grid {seed}")
    kind = kinds[seed % len(kinds)]
    hard = traits or Traits(wide=r.random() < 0.7, overlap=r.random() < 0.2)
    discrete = kind in {"equals", "flag_unchanged", "flag_stays"}
    steps = 12 * COARSE
    unit = r.choice(["flag", "state"]) if discrete else "%"
    keeps = r.choice([2, 4, 8]) if discrete else 0
    kept_s = keeps / COARSE - 0.07
    xs = _jumps(r, steps, keeps, 3 if unit == "state" else 2) if discrete else _walk(r, steps)
    refresh = r.choice([0, 0, 1, 2]) if hard.wide else 0
    error = 0 if discrete else r.choice([0, 0, 0, 1, 2]) / COARSE
    s1 = r.randrange(COARSE, 3 * COARSE)
    width = r.choice([0, 0, 1, 2, 4, 6]) if hard.wide else 0
    s = r.randrange(s1, s1 + width + 1)
    late = r.random() < 0.15
    samples, t, gap = [], s1 + r.randrange(1, 4) if late else r.randrange(0, 3), r.choice([1, 2, 3, 4, 6])
    tau = 0
    while t < steps:
        trip = r.choice([0, 1, 1, 2]) if hard.wide else 0
        tau = max(tau, r.randrange(t - refresh, t + trip + 1))
        value = xs[min(tau, steps)] + (r.randrange(-1, 2) * error if error else 0)
        if t + trip <= steps and (r.random() > 0.15 or not samples):
            samples.append(Sample(float(value), t / COARSE, (t + trip) / COARSE))
        wait = r.randrange(1, gap + 1)
        t += trip + wait if hard.overlap else max(trip + refresh + 1, trip + wait)
    signal = SignalTraits(
        name="word" if discrete else "vent",
        unit=unit,
        error=error,
        rate_per_s=None if discrete else 1.0,
        refreshed_every_s=refresh / COARSE,
        keeps_for_s=kept_s if discrete else None,
    )
    ts = [i / COARSE for i in range(len(xs))]
    truth = Truth(ts, xs, steps=discrete)
    question = _demand(r, kind, truth, s / COARSE)
    return Case(signal, samples, question, Window(s1 / COARSE, (s1 + width) / COARSE), s / COARSE, truth)


def _demand(r: random.Random, kind: str, x: Truth, s: float) -> Any:  # noqa: PLR0911 - one line a kind
    """Ask something near to what is true."""

    def off(value: float, by: float) -> float:
        return value + r.choice([-by, by])

    def span(least: int, most: int) -> float:
        return r.randrange(least, most) / COARSE + (r.choice([-0.05, 0.05]) if x.steps else OFF_S)

    def value() -> float:
        return x.at(s + r.randrange(0, 6 * COARSE) / COARSE) + r.randrange(-4, 5) / COARSE

    within = span(1, 6 * COARSE)
    drift = max(abs(v - x.at(s)) for _, v in x.between(s, s + within))
    by = off(max(1, round(drift * COARSE) + r.choice([-2, -1, 0, 0, 1, 2])) / COARSE, OFF)
    target, tolerance = value(), off(r.choice([1, 2, 3, 4, 6]) / COARSE, OFF)
    match kind:
        case "reaches":
            return f.Reaches(target, tolerance, within)
        case "hold":
            return f.Reaches(target, tolerance, span(1, 4 * COARSE), span(1, 3 * COARSE))
        case "stays":
            low, high = value() - 1, value() + 1
            return f.Stays(*sorted((off(low, OFF), off(high + 2.5 * OFF, OFF))), within)
        case "returns":
            first = r.choice([0.0, span(1, 4 * COARSE)])
            return f.Returns(target, tolerance, first, first + abs(span(1, 3 * COARSE)))
        case "starts":
            return f.StartsMoving(by, within)
        case "unchanged":
            return f.Unchanged(by, within)
        case "overshoots":
            return f.OvershootsAtMost(off(r.choice([1, 2, 4]) / COARSE, OFF), off(target, 0.003), within)
        case "reverses":
            return f.NeverReverses(off(r.choice([1, 2, 3, 4]) / COARSE, OFF), span(1, 9 * COARSE))
        case "moves":
            return f.MovesAt(
                r.choice([0.3, 0.6, 0.9]),
                r.choice([0.107, 0.307]),
                off(target + r.choice([-3, 3]), OFF),
                within + 2,
            )
        case "equals":
            return f.Equals(float(r.choice(sorted({*x.xs, 1.0}))), span(1, 3 * COARSE))
        case "flag_unchanged":
            return f.Unchanged(None, span(1, 4 * COARSE))
        case "flag_stays":
            return f.Stays(None, 0.0 if max(x.xs) < 2 else float(r.randrange(2)), span(1, 4 * COARSE))
    raise AssertionError(kind)
