"""The judge against known truth: random trajectories, random polling, every kind of formula.

`python tests/performance/judge_campaign.py 100000` plays that many cases of each generator and prints for each kind of
demand how many the judge decided, how many it left open although all courses on a fine grid agree, and how many it
decided wrongly, with their seeds; `... 1000 grids,hard 5000` plays some generators, from that seed on. The suite plays
a slice of the same cases. `judge_cases` says what a generator is.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from judge_cases import Case, Truth, play, wrong
from judge_contacts import contacts_case
from judge_draws import polls, question
from judge_grid import compared, grid_case
from judge_hard import hard_case
from judge_jumps import jumps_case
from judge_people import people_case
from judge_stories import story_case

from ventproof.deciders import formulas as f
from ventproof.envelope.spans import INF
from ventproof_bench.base.evidence import SignalTraits, Window


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

    evidence = list(polls(r, truth, read, refresh, start + 75))
    declared = rate if r.random() < 0.95 else None
    traits = SignalTraits(
        name="vent",
        unit="%",
        error=step / 2 + accuracy + 1e-9,
        rate_per_s=declared,
        refreshed_every_s=refresh,
    )
    return Case(traits, evidence, question(r, truth, s), stimulus, s, truth)


def _discrete(r: random.Random, start: float, s: float, stimulus: Window, refresh: float) -> Case:
    unit = r.choice(["flag", "state", "count"])
    keeps = r.choice([0.3, 1.0, 2.0]) if unit != "count" else r.choice([0.0, 0.1, 1.0])
    truth = _jumps(r, keeps, start, 80, unit)
    wraps = r.choice([None, 100]) if unit == "count" else None
    offset = r.choice([0, 90])

    def read(value: float) -> float:
        return float((value + offset) % wraps) if wraps else value

    evidence = list(polls(r, truth, read, refresh, start + 75))
    declared = None if unit == "count" or r.random() < 0.1 else keeps
    traits = SignalTraits(
        name="word", unit=unit, keeps_for_s=declared, refreshed_every_s=refresh, wraps_at=wraps
    )
    span = r.uniform(0.5, 15)
    changes = [t - s for t in truth.ts if t > s]
    near = max(0.01, r.choice(changes[:4]) + r.uniform(-0.5, 0.5))
    asked: Any
    if unit == "count":
        done = round(truth.at(s + span) - truth.at(s))
        number = max(0, done + r.choice([0, 0, 0, 1, -1]))
        most = r.choice([None, None, number, number + 1, INF])
        asked = f.CountsFormula(number, span, most=most)
        if r.random() < 0.2:
            asked = f.UnchangedFormula(None, near)
    elif r.random() < 0.6:
        asked = f.EqualsFormula(float(r.randrange(2 if unit == "flag" else 4)), near)
    else:
        asked = r.choice([f.UnchangedFormula(None, near), f.StaysFormula(None, r.choice([0.0, 1.0]), near)])
    return Case(traits, evidence, asked, stimulus, s, truth)


Generator = Callable[[int], Case]

GENERATORS: dict[str, Generator] = {
    "courses": case,
    "hard": hard_case,
    "grids": grid_case,
    "stories": story_case,
    "contacts": contacts_case,
    "jumps": jumps_case,
    "people": people_case,
}
"""From a seed to a case; `grids` has cases of which all courses can be tried."""


def judged(name: str, seed: int) -> tuple[str, str]:
    """Judge one case; return its kind, and what the judge said.

    Returns:
        `wrong: ...` for a false verdict; `open` where all courses on a grid agree and the judge did not say so, and
        `near` where they do so by less than a grid tells; else the verdict.
    """
    one = GENERATORS[name](seed)
    found = play(one)
    kind = type(one.formula).__name__ + (" and hold" if getattr(one.formula, "holds_s", 0.0) else "")
    if one.traits.unit != "%":
        kind += f", {one.traits.unit}"
    what = wrong(one, found)
    if what is None and name == "grids":
        return kind, compared(one, found.verdict)
    return kind, f"wrong: {what}, seed {seed}, {one.formula}, {found}" if what else found.verdict.value


def _played(task: tuple[str, int, int]) -> Counter[tuple[str, str]]:
    name, first, last = task
    return Counter(judged(name, seed) for seed in range(first, last))


def main(count: int, names: tuple[str, ...], first: int = 0) -> int:
    """Play so many cases of each generator, from a seed on; print what the judge said of each kind."""
    failed = 0
    for name in names:
        said: Counter[tuple[str, str]] = Counter()
        tasks = [(name, i, min(i + 250, first + count)) for i in range(first, first + count, 250)]
        with ProcessPoolExecutor(2) as pool:
            for part in pool.map(_played, tasks):
                said += part
        failed += _print(name, said)
    return 1 if failed else 0


def _print(name: str, said: Counter[tuple[str, str]]) -> int:
    """Print one generator's table; return how many verdicts were wrong."""
    decided, failed = ("pass", "fail", "open"), 0
    print(f"{name:30}   cases  decided     open    wrong", flush=True)
    for kind in [*sorted({kind for kind, _ in said}), ""]:
        row: Counter[str] = Counter()
        for (one, what), n in said.items():
            row[what] += n if kind in {one, ""} else 0
        bad = sum(n for what, n in row.items() if what.startswith("wrong"))
        agreed = sum(row[what] for what in decided) + bad
        share = f"{row['open'] / max(1, agreed):9.2%}" if name == "grids" else "        -"
        print(f"{kind or 'all':28}{sum(row.values()):10}{agreed:9}{share}{bad:9}", flush=True)
        failed = bad
    for _, what in said:
        if what.startswith("wrong"):
            print(what)
    return failed


if __name__ == "__main__":
    chosen = tuple(sys.argv[2].split(",")) if len(sys.argv) > 2 else tuple(GENERATORS)
    begin = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, chosen, begin))
