"""Cases of a position that a unit reckons: it jumps to an end when it believes to have found it."""

from __future__ import annotations

import random
from itertools import pairwise

from judge_cases import Case, Truth
from judge_draws import polls, question

from ventproof_bench.base.evidence import SignalTraits, Window

ENDS = (0.0, 100.0)
LENGTH_S = 80.0


class JumpingTruth(Truth):
    """A course with jumps: two knots at one instant. It is at no value between them."""

    def crossings(self, a: float, b: float, levels: tuple[float, ...]) -> list[tuple[float, float]]:
        """Like `between`, with the points where a level is crossed, but for what a jump passes over."""
        points = self.between(a, b)
        found: list[tuple[float, float]] = []
        for (t0, x0), (t1, x1) in pairwise(points):
            found.append((t0, x0))
            crossed = (y for y in levels if t1 > t0 and (x0 - y) * (x1 - y) < 0)
            found.extend(sorted((t0 + (t1 - t0) * (y - x0) / (x1 - x0), y) for y in crossed))
        return [*found, points[-1]]


def _reckoned(r: random.Random, rate: float, by: float, start: float, calm: float) -> Truth:
    """Travel to and fro, mostly near the ends; near enough to one it may jump there, as often as it likes."""
    t, x = start, r.choice([*ENDS, 50.0, r.uniform(0, 100)])
    ts, xs = [t], [x]
    while t < start + LENGTH_S:
        near = [end for end in ENDS if abs(x - end) <= by]
        kind = r.random()
        if near and kind < 0.4:
            x = near[0]
            ts.append(t)
            xs.append(x)
            t += r.uniform(0.3, 3) * calm
        elif kind < 0.6:
            t += r.expovariate(1 / 3) * calm
        else:
            goal = r.choice([*ENDS, r.uniform(0, by), 100 - r.uniform(0, by), r.uniform(0, 100)])
            speed = rate * r.choice([1.0, 1.0, 0.6])
            dt = min(abs(goal - x) / speed, r.uniform(0.2, 25))
            if dt < 1e-6:
                continue
            x += (1 if goal > x else -1) * speed * dt
            t += dt
        ts.append(t)
        xs.append(x)
    return JumpingTruth(ts, xs)


def jumps_case(seed: int, calm: float = 1.0) -> Case:
    """Return one random case; in a calm one it stands for so many times as long."""
    r = random.Random(f"jumps {seed}")
    rate, by = 100 / r.choice([10, 28, 54]), r.choice([0.5, 2.0, 5.0])
    start = r.choice([0.0, 12345.678])
    s, width = start + r.uniform(2, 8), r.choice([0.0, 0.0, 0.03, 0.3])
    before = r.random() * width
    truth = _reckoned(r, rate, by, start, calm)
    step, refresh = r.choice([0.0, 0.1, 0.5, 1.0]), r.choice([0.0, 0.0, 0.2, 1.0])

    def read(value: float) -> float:
        return round(value / step) * step if step else value

    traits = SignalTraits(
        name="told",
        unit="%",
        error=step / 2 + 1e-9,
        step=step,
        rate_per_s=rate,
        refreshed_every_s=refresh,
        jumps_to=ENDS,
        jumps_by=by,
    )
    evidence = list(polls(r, truth, read, refresh, start + 55))
    return Case(traits, evidence, question(r, truth, s), Window(s - before, s - before + width), s, truth)
