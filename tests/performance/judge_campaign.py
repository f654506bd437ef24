"""The judge against known truth: random trajectories, random polling, every kind of formula.

`python tests/performance/judge_campaign.py 100000` plays that many cases and prints what the judge said; any
false pass or false fail ends it with the seed. The suite plays a slice of the same cases.
"""

from __future__ import annotations

import random
import sys
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from bench.samples import Gap, Sample, SignalTraits, Window
from harness.judge import formulas as f
from harness.judge.trace import SignalTrace
from harness.judge.verdict import Ruling, Verdict

D = 1e-5  # truths closer to their limit than this are nobody's error


@dataclass(frozen=True)
class Truth:
    """A piecewise linear trajectory (or, with `steps`, one that jumps at its knots)."""

    ts: list[float]
    xs: list[float]
    steps: bool = False

    def at(self, t: float) -> float:
        """Value at an instant."""
        i = bisect_right(self.ts, t) - 1
        if i < 0:
            return self.xs[0]
        if self.steps or i + 1 >= len(self.ts):
            return self.xs[i]
        t0, t1 = self.ts[i], self.ts[i + 1]
        return self.xs[i] + (self.xs[i + 1] - self.xs[i]) * (t - t0) / (t1 - t0)

    def between(self, a: float, b: float) -> list[tuple[float, float]]:
        """Values at a, at the knots between, and at b."""
        inside = [(t, x) for t, x in zip(self.ts, self.xs, strict=True) if a < t < b]
        return [(a, self.at(a)), *inside, (b, self.at(b))]

    def crossings(self, a: float, b: float, levels: tuple[float, ...]) -> list[tuple[float, float]]:
        """Like `between`, with the points where a level is crossed."""
        points = self.between(a, b)
        found = []
        for (t0, x0), (t1, x1) in pairwise(points):
            found.append((t0, x0))
            marks = [(t0 + (t1 - t0) * (y - x0) / (x1 - x0), y) for y in levels if (x0 - y) * (x1 - y) < 0]
            found.extend(sorted(marks))
        return [*found, points[-1]]


def _runs(x: Truth, a: float, b: float, low: float, high: float) -> list[tuple[float, float]]:
    points = x.crossings(a, b, (low, high))
    runs: list[tuple[float, float]] = []
    for (t0, x0), (t1, x1) in pairwise(points):
        middle = (x0 + x1) / 2
        if low <= middle <= high and low - 1e-9 <= min(x0, x1) and max(x0, x1) <= high + 1e-9:
            if runs and runs[-1][1] == t0:
                runs[-1] = (runs[-1][0], t1)
            else:
                runs.append((t0, t1))
    return runs


def _reaches(q: f.Reaches, x: Truth, s: float, d: float) -> bool:
    runs = _runs(x, s, s + q.within_s + q.holds_s + 1, q.target - q.tolerance - d, q.target + q.tolerance + d)
    return any(p <= s + q.within_s + d and e - p >= q.holds_s - d for p, e in runs)


def _stays(q: f.Stays, x: Truth, s: float, d: float) -> bool:
    values = [v for _, v in x.between(s, s + q.for_s - d)]
    low = -1e9 if q.low is None else q.low
    high = 1e9 if q.high is None else q.high
    return min(values) >= low - d and max(values) <= high + d


def _returns(q: f.Returns, x: Truth, s: float, d: float) -> bool:
    tight = q.tolerance - d
    early = (
        _runs(x, s, s + q.not_before_s - d, q.target - tight, q.target + tight) if q.not_before_s > d else []
    )
    wide = q.tolerance + d
    late = _runs(x, s + q.not_before_s - d, s + q.within_s + d, q.target - wide, q.target + wide)
    return not early and bool(late)


def _drift(x: Truth, s: float, span: float) -> float:
    return max(abs(v - x.at(s)) for _, v in x.between(s, s + span))


def _overshoots(q: f.OvershootsAtMost, x: Truth, s: float, d: float) -> bool:
    values = [v for _, v in x.between(s, s + q.for_s - d)]
    rise = x.at(s) <= q.target + d and max(values) <= q.target + q.by + d
    fall = x.at(s) >= q.target - d and min(values) >= q.target - q.by - d
    return rise or fall


def _reverses(q: f.NeverReverses, x: Truth, s: float, d: float) -> bool:
    values = [v for _, v in x.between(s, s + q.for_s - d)]
    top, bottom, fall, rise = values[0], values[0], 0.0, 0.0
    for v in values:
        top, bottom = max(top, v), min(bottom, v)
        fall, rise = max(fall, top - v), max(rise, v - bottom)
    return min(fall, rise) <= q.by + d


def _moves(q: f.MovesAt, x: Truth, s: float, d: float) -> bool:
    y0 = x.at(s)
    way = q.target - y0
    if abs(way) < 1e-3:
        return d > 0
    levels = (y0 + 0.1 * way, y0 + 0.9 * way)
    points = x.crossings(s, s + q.within_s + d, levels)
    first = [next((t for t, v in points if (v - y) * way >= -1e-9), None) for y in levels]
    if first[0] is None or first[1] is None:
        return False
    rate = 0.8 * abs(way) / max(1e-12, first[1] - first[0])
    return abs(rate - q.rate) <= q.tolerance + d


def holds(q: Any, x: Truth, s: float, d: float) -> bool:  # noqa: C901, PLR0911 - one line a kind
    """Whether the formula is true of the trajectory; d > 0 takes every limit that much wider."""
    match q:
        case f.Reaches():
            return _reaches(q, x, s, d)
        case f.Stays():
            return _stays(q, x, s, d)
        case f.Returns():
            return _returns(q, x, s, d)
        case f.StartsMoving():
            return _drift(x, s, q.within_s + d) > q.by - d
        case f.Unchanged() if q.tolerance is not None:
            return _drift(x, s, q.for_s - d) <= q.tolerance + d
        case f.Unchanged():
            return _drift(x, s, q.for_s - d) == 0
        case f.OvershootsAtMost():
            return _overshoots(q, x, s, d)
        case f.NeverReverses():
            return _reverses(q, x, s, d)
        case f.MovesAt():
            return _moves(q, x, s, d)
        case f.Equals():
            return any(v == q.value for _, v in x.between(s, s + q.within_s + d))
    raise AssertionError(q)


@dataclass
class Case:
    """What is known, what is asked, and what is true."""

    traits: SignalTraits
    evidence: list[Sample | Gap]
    formula: Any
    stimulus: Window
    s: float
    truth: Truth


def _travel(r: random.Random, rate: float, start: float, length: float) -> Truth:
    t, x = start, r.choice([0.0, 5.0, 50.0, 99.0, r.uniform(0, 100)])
    ts, xs = [t], [x]
    while t < start + length:
        kind = r.random()
        if kind < 0.4:
            t += r.expovariate(1 / 4)
        else:
            goal = r.choice([0.0, 5.0, 50.0, 99.0, x + r.uniform(-3, 3), r.uniform(0, 100)])
            speed = rate * r.choice([1.0, 0.93, 0.93, r.uniform(0.2, 1)])
            dt = min(abs(goal - x) / speed, r.uniform(0.2, 25))
            if dt < 1e-6:
                continue
            x += (1 if goal > x else -1) * speed * dt
            t += dt
        ts.append(t)
        xs.append(x)
    return Truth(ts, xs)


def _jumps(r: random.Random, keeps: float, start: float, length: float, unit: str) -> Truth:
    t, x = start, float(r.randrange(2))
    ts, xs = [t], [x]
    while t < start + length:
        t += keeps + r.expovariate(1 / r.choice([0.3, 3.0]))
        if unit == "count":
            x += 1
        elif unit == "flag":
            x = 1 - x
        else:
            x = float(r.choice([n for n in range(4) if n != x]))
        ts.append(t)
        xs.append(x)
    return Truth(ts, xs, steps=True)


def _polls(
    r: random.Random, x: Truth, read: Callable[[float], float], refresh: float, until: float
) -> Iterator[Any]:
    interval = r.choice([0.05, 0.1, 0.1, 0.25, 0.5, 1.0, 3.0])
    phase, t = r.random() * (refresh or 1), x.ts[0] + r.random()
    drops, lates = r.choice([0, 0, 0.02, 0.2]), r.choice([0, 0, 0.1])
    while t < until:
        trip = r.uniform(0.001, 0.04) if r.random() >= lates else r.uniform(0.1, 1.0)
        if r.random() < drops:
            yield Gap("unit", t, t + 0.5, "timeout")
            t += 0.5
        else:
            tau = t + r.random() * trip
            if refresh:
                tau = (tau - phase) // refresh * refresh + phase
            yield Sample(read(x.at(tau)), t, t + trip)
            t += trip
        t += interval * r.uniform(0.7, 1.3) if r.random() < 0.5 else interval


def case(seed: int) -> Case:
    """Return one random case."""
    r = random.Random(seed)
    start = r.choice([0.0, 12345.678])
    s = start + r.uniform(2, 8)
    width = r.choice([0.0, 0.0, 0.03, 0.3, 1.5])
    before = r.random() * width
    stimulus = Window(s - before, s - before + width)
    refresh = r.choice([0.0, 0.0, 0.2, 1.0])
    if r.random() < 0.3:
        return _discrete(r, start, s, stimulus, refresh)
    rate = 100 / r.choice([10, 28, 90])
    truth = _travel(r, rate / r.choice([1.0, 1.0, 1.07]), start, 80)
    step, accuracy = r.choice([0.0, 0.1, 0.5, 1.0]), r.choice([0.0, 0.0, 0.2])

    def read(value: float) -> float:
        value += r.uniform(-accuracy, accuracy)
        return round(value / step) * step if step else value

    evidence = list(_polls(r, truth, read, refresh, start + 75))
    declared = rate if r.random() < 0.95 else None
    traits = SignalTraits(
        name="vent",
        unit="%",
        error=step / 2 + accuracy + 1e-9,
        rate_per_s=declared,
        refreshed_every_s=refresh,
    )
    return Case(traits, evidence, _question(r, truth, s), stimulus, s, truth)


def _near(r: random.Random, value: float) -> float:
    return max(0.01, value + r.choice([-1, 1]) * r.choice([0.01, 0.1, 0.5, 1, 3]) * r.random())


def _question(r: random.Random, x: Truth, s: float) -> Any:  # noqa: PLR0911 - one a kind
    span = r.uniform(1, 25)
    values = [v for _, v in x.between(s, s + span)]
    y0, last = values[0], values[-1]
    tolerance = r.choice([0.5, 1.0, 2.0, 3.0])
    kind = r.randrange(9)
    if kind <= 1:
        hold = r.choice([0.0, 0.0, r.uniform(0.1, 8), 20.0])
        target = last + r.uniform(-1.5, 1.5) * tolerance
        runs = _runs(x, s, s + 45, target - tolerance, target + tolerance)
        arrival = runs[0][0] - s if runs else span
        return f.Reaches(target, tolerance, _near(r, arrival), hold)
    if kind == 2:
        low, high = min(values), max(values)
        return f.Stays(
            None if r.random() < 0.3 else low + r.uniform(-2, 0.5), high + r.uniform(-0.5, 2), span
        )
    if kind == 3:
        target = last + r.uniform(-1.5, 1.5) * tolerance
        runs = _runs(x, s, s + 45, target - tolerance, target + tolerance)
        arrival = runs[0][0] - s if runs else span
        first = r.choice([0.0, _near(r, arrival)])
        return f.Returns(target, tolerance, first, max(first, _near(r, arrival)) + r.choice([0.0, 0.5, 5]))
    drift = _drift(x, s, span)
    if kind == 4:
        return f.StartsMoving(_near(r, drift), span)
    if kind == 5:
        return f.Unchanged(_near(r, drift), span)
    if kind == 6:
        target = r.choice([last, max(values), min(values)]) + r.uniform(-1, 1)
        beyond = max(values) - target if y0 < target else target - min(values)
        return f.OvershootsAtMost(_near(r, max(0.0, beyond)), target, span)
    if kind == 7:
        return f.NeverReverses(r.choice([0.1, 0.5, 1.0, 2.0, 4.0]), span)
    rate = abs(last - y0) / span
    return f.MovesAt(_near(r, r.choice([rate, 3.57, 1.0])), r.choice([0.1, 0.5, 1.0]), last, _near(r, span))


def _discrete(r: random.Random, start: float, s: float, stimulus: Window, refresh: float) -> Case:
    unit = r.choice(["flag", "state", "count"])
    keeps = r.choice([0.3, 1.0, 2.0]) if unit != "count" else r.choice([0.0, 0.1, 1.0])
    truth = _jumps(r, keeps, start, 80, unit)
    wraps = r.choice([None, 100]) if unit == "count" else None
    offset = r.choice([0, 90])

    def read(value: float) -> float:
        return float((value + offset) % wraps) if wraps else value

    evidence = list(_polls(r, truth, read, refresh, start + 75))
    declared = None if unit == "count" or r.random() < 0.1 else keeps
    traits = SignalTraits(
        name="word", unit=unit, keeps_for_s=declared, refreshed_every_s=refresh, wraps_at=wraps
    )
    span = r.uniform(0.5, 15)
    changes = [t - s for t in truth.ts if t > s]
    near = max(0.01, r.choice(changes[:4]) + r.uniform(-0.5, 0.5))
    question: Any
    if unit == "count":
        done = round(truth.at(s + span) - truth.at(s))
        question = f.Counts(max(0, done + r.choice([0, 0, 0, 1, -1])), span)
        if r.random() < 0.2:
            question = f.Unchanged(None, near)
    elif r.random() < 0.6:
        question = f.Equals(float(r.randrange(2 if unit == "flag" else 4)), near)
    else:
        question = r.choice([f.Unchanged(None, near), f.Stays(None, r.choice([0.0, 1.0]), near)])
    return Case(traits, evidence, question, stimulus, s, truth)


def play(one: Case, *, opened_after_s: float = 0.5, until: int | None = None) -> Ruling:
    """Feed the evidence, opening the watch a little after the stimulus; close it when the evidence ends."""
    trace = SignalTrace(one.traits)
    trace.remember_from(one.stimulus.earliest_s)
    watch = None
    for item in one.evidence[:until]:
        now = item.to_s if isinstance(item, Gap) else item.replied_s
        if watch is None and now > one.stimulus.latest_s + opened_after_s:
            watch = trace.watch(one.formula, one.stimulus)
        if isinstance(item, Gap):
            trace.gap(item)
        else:
            trace.observe(item)
        if watch is not None and watch.ruling is not None:
            return watch.ruling
    if watch is None:
        watch = trace.watch(one.formula, one.stimulus)
    return watch.close(one.stimulus.latest_s + 80)


def _miscounted(one: Case, found: Ruling) -> str | None:
    """A count is what was read before the stimulus and around the limit, and left open where that differs."""
    samples = [item for item in one.evidence if isinstance(item, Sample)]
    late_s = one.stimulus.latest_s + one.formula.within_s + one.traits.refreshed_every_s
    before = [x for x in samples if x.replied_s <= one.stimulus.earliest_s]
    after = [x for x in samples if x.requested_s >= late_s]
    if not (before and after):
        early = found.verdict is Verdict.FAIL and before and max(x.value for x in samples) > before[-1].value
        return None if found.verdict is Verdict.INCONCLUSIVE or early else "decided without the readings"
    first = next(i for i, x in enumerate(before) if all(y.value == before[-1].value for y in before[i:]))
    stood_still = before[first].replied_s <= before[-1].requested_s - one.traits.refreshed_every_s
    if not stood_still:
        return None if found.verdict is Verdict.INCONCLUSIVE else "decided on a counter that was running"
    in_time = [x for x in samples if x.replied_s <= one.stimulus.earliest_s + one.formula.within_s]
    least, most = (x.value - before[-1].value for x in (in_time[-1], after[0]))
    if one.traits.wraps_at:
        least, most = least % one.traits.wraps_at, most % one.traits.wraps_at
    limit_s, read_s = one.s + one.formula.within_s, before[-1].requested_s - one.traits.refreshed_every_s
    assert least <= round(one.truth.at(limit_s) - one.truth.at(read_s)), "the campaign's own arithmetic"
    assert most >= round(one.truth.at(limit_s) - one.truth.at(one.s)), "the campaign's own arithmetic"
    right = Verdict.FAIL
    if least <= one.formula.number <= most:
        right = Verdict.PASS if least == most else Verdict.INCONCLUSIVE
    return None if found.verdict is right else f"counted {least:g} to {most:g}, said {found.verdict}"


def wrong(one: Case, found: Ruling) -> str | None:
    """Return what is wrong with a finding, or None."""
    if isinstance(one.formula, f.Counts):
        return _miscounted(one, found)
    if found.verdict is Verdict.PASS and not holds(one.formula, one.truth, one.s, D):
        return "false pass"
    if found.verdict is Verdict.FAIL and holds(one.formula, one.truth, one.s, -D):
        return "false fail"
    return None


def main(count: int) -> int:
    """Play so many cases."""
    said: Counter[tuple[str, str]] = Counter()
    for seed in range(count):
        one = case(seed)
        found = play(one)
        if (what := wrong(one, found)) is not None:
            print(f"{what}: seed {seed}, {one.formula}, {found}")
            return 1
        said[type(one.formula).__name__, found.verdict.value] += 1
    for kind in sorted({kind for kind, _ in said}):
        row = {verdict: said[kind, verdict] for verdict in ("pass", "fail", "inconclusive")}
        total = sum(row.values())
        print(f"{kind:18}{total:8}  " + "  ".join(f"{v} {n / total:6.1%}" for v, n in row.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
