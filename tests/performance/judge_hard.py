"""Cases in which evidence is hard to judge: each trait that once hid a wrong verdict, drawn often.

A first reading after the stimulus, stimulus windows longer than the span, turns inside windows, plateaus on limits,
time-outs around the deadline, travel exactly at the greatest rate, refresh longer than the poll, jumps as soon as a
value may be left. Times are off any grid.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

from judge_cases import Case, Truth

from ventproof.deciders import formulas as f
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window


def hard_case(seed: int) -> Case:
    """Return one random case."""
    r = random.Random(f"hard {seed}")
    discrete = r.random() < 0.2
    s1 = r.uniform(3, 6)
    span = r.choice([0.2, 1.0, 3.0, 8.0]) * r.uniform(0.7, 1.3)
    width = r.choice([0.0, 0.01, 0.3, span, 2 * span]) * r.random()
    s = s1 + width * r.choice([0.0, 1.0, r.random(), r.random()])
    rate = r.choice([0.5, 1.0, 4.0])
    keeps = r.choice([0.4, 1.0, 3.0])
    turns = [s1 + width * r.random(), s, s + span, s + span * r.random()]
    truth = _jumps(r, keeps, turns) if discrete else _travel(r, rate, turns)
    refresh = r.choice([0.0, 0.0, 0.1, 1.0, 2.5])
    error = 0.0 if discrete else r.choice([0.0, 0.05, 0.5])
    evidence = list(_polls(r, truth, (s1, width, span), refresh, error))
    unit = r.choice(["flag", "state"]) if discrete else "%"
    signal = SignalTraits(
        name="word" if discrete else "vent",
        unit=unit,
        error=error,
        rate_per_s=None if discrete else rate,
        refreshed_every_s=refresh,
        keeps_for_s=keeps if discrete else None,
    )
    question = _flag_question(r, span) if discrete else _question(r, truth, s, span, rate)
    return Case(signal, evidence, question, Window(s1, s1 + width), s, truth)


def _travel(r: random.Random, rate: float, turns: list[float]) -> Truth:
    """Legs at the greatest rate, or standing; many of them end where something else begins or ends."""
    t, x = 0.0, r.choice([0.0, 50.0, r.uniform(0, 100)])
    ts, xs = [t], [x]
    while t < 30:
        t1 = t + r.choice([0.1, 0.5, 2.0, 5.0]) * r.uniform(0.2, 1.5)
        ahead = [turn for turn in turns if turn > t + 1e-3]
        if ahead and r.random() < 0.5:
            t1 = min(t1, *ahead)
        x += r.choice([-1, -1, 0, 0, 1, 1, r.uniform(-1, 1)]) * rate * (1 - 1e-9) * (t1 - t)
        t = t1
        ts.append(t)
        xs.append(x)
    return Truth(ts, xs)


def _jumps(r: random.Random, keeps: float, turns: list[float]) -> Truth:
    """Values that are left as soon as they may be, or whenever something else begins or ends."""
    t, x = 0.0, float(r.randrange(2))
    ts, xs = [t], [x]
    while t < 30:
        t += keeps * (1 + 1e-9) + r.choice([0.0, 0.0, r.expovariate(1)])
        later = [turn for turn in turns if t < turn < t + 3]
        if later and r.random() < 0.4:
            t = r.choice(later)
        x = 1 - x
        ts.append(t)
        xs.append(x)
    return Truth(ts, xs, steps=True)


def _polls(
    r: random.Random, x: Truth, asked: tuple[float, float, float], refresh: float, error: float
) -> Iterator[Any]:
    """Read a course: perhaps from after the stimulus on, and perhaps not around the deadline."""
    s1, width, span = asked
    interval = r.choice([0.05, 0.3, 1.0, 2.0])
    t = r.uniform(0, 1) if r.random() < 0.7 else s1 + r.choice([0.0, width, width * r.random(), span * 0.5])
    trips = r.choice([0.0, 0.02, 0.4])
    out_s = s1 + r.choice([0.0, width, span, span + width]) + r.uniform(-1, 1)
    silent = (out_s, out_s + r.choice([0.0, 0.0, 1.0, 4.0]))
    tau = 0.0
    while t < 28:
        if silent[0] < t < silent[1]:
            yield Gap("unit", t, silent[1], "timeout")
            t = silent[1]
        trip = trips * r.random()
        tau = max(
            tau, t - refresh * r.choice([0.0, 1.0, r.random()]) + trip * r.choice([0.0, 1.0, r.random()])
        )
        yield Sample(x.at(tau) + error * r.choice([-1, 0, 1, r.uniform(-1, 1)]) * (1 - 1e-9), t, t + trip)
        t += trip + interval * r.uniform(0.5, 1.5)


def _flag_question(r: random.Random, span: float) -> Any:
    return r.choice(
        [
            f.EqualsFormula(float(r.randrange(2)), span),
            f.UnchangedFormula(None, span),
            f.StaysFormula(None, 0.0, span),
            f.StaysFormula(1.0, None, span),
        ]
    )


def _question(r: random.Random, x: Truth, s: float, span: float, rate: float) -> Any:
    """Ask with limits where the course stands, or near."""
    values = [v for _, v in x.between(s, s + span)]
    moved = max(abs(v - values[0]) for v in values)

    def near(value: float) -> float:
        return value + r.choice([0.0, 1e-4, -1e-4, 0.05, -0.05, r.uniform(-1, 1)])

    tolerance = r.choice([0.1, 0.5, 2.0])
    target = near(r.choice(values)) + r.choice([-tolerance, 0.0, tolerance])
    by = max(1e-3, near(moved))
    hold = r.choice([0.2, 1.0, 3.0]) * r.uniform(0.5, 1.5)
    before = span * r.choice([0.0, r.random()])
    return r.choice(
        [
            f.ReachesFormula(target, tolerance, span),
            f.ReachesFormula(target, tolerance, span, hold),
            f.ReachesFormula(target, tolerance, span, hold),
            f.StaysFormula(near(min(values)), near(max(values)) + 1, span),
            f.ReturnsFormula(target, tolerance, before, before + span),
            f.StartsMovingFormula(by, span),
            f.UnchangedFormula(by, span),
            f.OvershootsAtMostFormula(max(1e-3, near(0.3)), target, span),
            f.NeverReversesFormula(max(1e-3, near(r.choice([0.1, 0.5, 1.0]))), span),
            f.MovesAtFormula(r.choice([0.4, 0.8, 1.0]) * rate, 0.2 * rate, near(values[-1]), span),
        ]
    )
