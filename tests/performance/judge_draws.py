"""What generators of cases draw alike: how a bus reads a course, and what is asked of one, close to what is true."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

from judge_cases import Truth, drift_of, runs_in

from ventproof.deciders import formulas as f
from ventproof_bench.base.evidence import Gap, Sample


def polls(
    r: random.Random, x: Truth, read: Callable[[float], float], refresh: float, until: float
) -> Iterator[Any]:
    """Yield readings and gaps until an instant: some late, some lost, some in step, some not."""
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


def near(r: random.Random, value: float) -> float:
    """Return a number close to another, above 0."""
    return max(0.01, value + r.choice([-1, 1]) * r.choice([0.01, 0.1, 0.5, 1, 3]) * r.random())


def question(r: random.Random, x: Truth, s: float) -> Any:  # noqa: PLR0911 - one a kind
    """Return a formula of any kind whose limits are near to what the course does after an instant."""
    span = r.uniform(1, 25)
    values = [v for _, v in x.between(s, s + span)]
    y0, last = values[0], values[-1]
    tolerance = r.choice([0.5, 1.0, 2.0, 3.0])
    kind = r.randrange(9)
    if kind <= 1:
        hold = r.choice([0.0, 0.0, r.uniform(0.1, 8), 20.0])
        target = last + r.uniform(-1.5, 1.5) * tolerance
        runs = runs_in(x, s, s + 45, target - tolerance, target + tolerance)
        arrival = runs[0][0] - s if runs else span
        return f.ReachesFormula(target, tolerance, near(r, arrival), hold)
    if kind == 2:
        low, high = min(values), max(values)
        return f.StaysFormula(
            None if r.random() < 0.3 else low + r.uniform(-2, 0.5), high + r.uniform(-0.5, 2), span
        )
    if kind == 3:
        target = last + r.uniform(-1.5, 1.5) * tolerance
        runs = runs_in(x, s, s + 45, target - tolerance, target + tolerance)
        arrival = runs[0][0] - s if runs else span
        first = r.choice([0.0, near(r, arrival)])
        return f.ReturnsFormula(
            target, tolerance, first, max(first, near(r, arrival)) + r.choice([0.0, 0.5, 5])
        )
    drift = drift_of(x, s, span)
    if kind == 4:
        return f.StartsMovingFormula(near(r, drift), span)
    if kind == 5:
        return f.UnchangedFormula(near(r, drift), span)
    if kind == 6:
        target = r.choice([last, max(values), min(values)]) + r.uniform(-1, 1)
        beyond = max(values) - target if y0 < target else target - min(values)
        return f.OvershootsAtMostFormula(near(r, max(0.0, beyond)), target, span)
    if kind == 7:
        return f.NeverReversesFormula(r.choice([0.1, 0.5, 1.0, 2.0, 4.0]), span)
    rate = abs(last - y0) / span
    return f.MovesAtFormula(
        near(r, r.choice([rate, 3.57, 1.0])), r.choice([0.1, 0.5, 1.0]), last, near(r, span)
    )
