"""Cases as people bring them: slow looks, coarse steps, answers from before the prompt, acts after the word."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

from judge_cases import Case, Truth
from judge_draws import question

from ventproof.deciders import formulas as f
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

_LENGTH_S = 300.0


def people_case(seed: int) -> Case:
    """Return a random case: a course, looks at it by one person, and an act that another says was done."""
    r = random.Random(f"people {seed}")
    shown_s, reaction_s = r.uniform(20, 60), r.choice([0.0, 0.5, 1.0, 3.0])
    given_s = shown_s + r.choice([0.5, 3.0, 12.0]) * r.random()
    s = r.uniform(shown_s, given_s + reaction_s)
    stimulus = Window(shown_s, given_s + reaction_s)
    return (_lamp if r.random() < 0.4 else _vent)(r, s, stimulus, reaction_s)


def _looks(r: random.Random, x: Truth, read: Callable[[float], float], reaction_s: float) -> Iterator[Any]:
    """Yield answers and what nobody was sure of: asked at once, or after a while, by one who is quick or slow."""
    slowest_s, rests_s = r.choice([1.0, 3.0, 6.0, 15.0]), r.choice([0.0, 0.0, 2.0, 10.0])
    unsure, t, looked_s = r.choice([0.0, 0.0, 0.1]), 5 * r.random(), 0.0
    while t < _LENGTH_S - 20:
        given_s = t + r.uniform(0.3, slowest_s)
        # Nobody tells what is older than what they told before.
        looked_s = max(looked_s, r.uniform(t - reaction_s, given_s))
        if r.random() < unsure:
            yield Gap("roof", t - reaction_s, given_s, "mismatch", "not sure")
        else:
            yield Sample(read(x.at(looked_s)), t - reaction_s, given_s)
        t = given_s + r.random() * rests_s


def _vent(r: random.Random, s: float, stimulus: Window, reaction_s: float) -> Case:
    rate = 100 / r.choice([30, 90, 300])
    step, accuracy = r.choice([1.0, 5.0, 10.0]), r.choice([0.0, 0.0, 2.0])
    truth = _travels(r, rate)

    def read(value: float) -> float:
        return round((value + r.uniform(-accuracy, accuracy)) / step) * step

    traits = SignalTraits(name="vent", unit="%", error=step / 2 + accuracy + 1e-9, step=step, rate_per_s=rate)
    return Case(traits, list(_looks(r, truth, read, reaction_s)), _asked(r, truth, s), stimulus, s, truth)


def _asked(r: random.Random, x: Truth, s: float) -> Any:
    """Ask what people can decide as often as what is close to what is true."""
    if r.random() < 0.5:
        return question(r, x, s)
    goal = x.at(s + 120) + r.uniform(-8, 8)
    tolerance, within_s = r.choice([5.0, 10.0, 20.0]), r.choice([30.0, 60.0, 120.0])
    return r.choice(
        [
            f.ReachesFormula(goal, tolerance, within_s, r.choice([0.0, 20.0, 60.0])),
            f.StaysFormula(goal - tolerance, goal + tolerance, within_s),
            f.ReturnsFormula(goal, tolerance, r.choice([0.0, within_s / 3]), within_s),
            f.UnchangedFormula(tolerance, within_s),
        ]
    )


def _travels(r: random.Random, rate: float) -> Truth:
    """Return a course that stands and travels."""
    t, x = 0.0, r.choice([0.0, 10.0, 50.0, 90.0, r.uniform(0, 100)])
    ts, xs = [t], [x]
    while t < _LENGTH_S:
        if r.random() < 0.5:
            t += r.choice([2.0, 10.0, 60.0]) * r.random() + 0.01
        else:
            goal = r.choice([0.0, 10.0, 50.0, 90.0, x + r.uniform(-8, 8)])
            takes_s = abs(goal - x) / (rate * r.choice([1.0, 0.95, r.uniform(0.3, 1)]))
            if takes_s < 0.01:
                continue
            t, x = t + takes_s, goal
        ts.append(t)
        xs.append(x)
    return Truth(ts, xs)


def _lamp(r: random.Random, s: float, stimulus: Window, reaction_s: float) -> Case:
    unit, keeps_s = r.choice(["flag", "state"]), r.choice([5.0, 20.0, 60.0])
    t, x = 0.0, float(r.randrange(2))
    ts, xs = [t], [x]
    while t < _LENGTH_S:
        t += keeps_s + r.expovariate(1 / r.choice([1.0, 30.0]))
        x = 1 - x if unit == "flag" else float(r.choice([n for n in range(3) if n != x]))
        ts.append(t)
        xs.append(x)
    truth = Truth(ts, xs, steps=True)
    changes = [change - s for change in ts if change > s]
    span_s = max(0.5, r.choice([r.choice(changes[:2]) + r.uniform(-10, 10), r.uniform(5, 100)]))
    asked: Any = f.EqualsFormula(float(r.randrange(2)), span_s)
    if r.random() < 0.5:
        asked = r.choice(
            [f.UnchangedFormula(None, span_s), f.StaysFormula(None, r.choice([0.0, 1.0]), span_s)]
        )
    declared = keeps_s if r.random() < 0.9 else None
    traits = SignalTraits(name="lamp", unit=unit, keeps_for_s=declared)
    return Case(traits, list(_looks(r, truth, float, reaction_s)), asked, stimulus, s, truth)
