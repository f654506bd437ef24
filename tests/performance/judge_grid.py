"""Cases small enough for all their courses to be tried, and what these say of a verdict.

Readings, spans and stimulus windows lie on a coarse grid, and limits a little off it, so that no course meets one
exactly.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from judge_cases import Case, Truth
from judge_courses import COARSE, UNTIMED, Courses

from ventproof.deciders import formulas as f
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

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
        trips: how long a reading may take, in steps of the coarse grid.
    """

    wide: bool = True
    overlap: bool = False
    trips: tuple[int, ...] = (0, 1, 1, 2)


def compared(one: Case, said: Verdict) -> str:
    """Return how a verdict stands to what all courses say.

    Returns:
        `pass`, `fail` or `inconclusive` where they say the same; `wrong` where one of them contradicts; `open` where
        all agree, on finer grids and with limits a little harder to keep, too, and the judge left it open; `near` where
        they agree by less than that.
    """
    coarse, finer = (
        (4, (8,)) if isinstance(one.formula, f.NeverReversesFormula | f.MovesAtFormula) else (8, (16, 32))
    )
    outcomes = Courses(one, coarse).outcomes()
    if said is not Verdict.INCONCLUSIVE:
        if outcomes - {UNTIMED} <= {said is Verdict.PASS}:
            return "near" if UNTIMED in outcomes else said.value
        outcomes = Courses(one, 32).outcomes() - {UNTIMED}  # a finer grid knows better when a level was met
        right = outcomes == {said is Verdict.PASS}
        return said.value if right else f"wrong: {said}, {one.formula}, while courses say {outcomes}"
    if (
        len(outcomes) > 1
        or UNTIMED in outcomes
        or any(len(Courses(one, fine).outcomes()) > 1 for fine in finer)
    ):
        return "inconclusive"
    harder = (replace(one, formula=formula) for formula in _harder(one.formula, true=outcomes == {True}))
    return "near" if any(Courses(each, finer[0]).outcomes() != outcomes for each in harder) else "open"


def _harder(q: Any, *, true: bool) -> Iterator[Any]:
    """Yield the demand with limits a little further towards the other verdict."""
    d, e = (4 * OFF, 0.06) if true else (-4 * OFF, -0.06)
    match q:
        case f.ReachesFormula():
            hold = q.holds_s + e if q.holds_s else 0.0
            yield replace(q, tolerance=q.tolerance - d, within_s=max(0.0, q.within_s - e), holds_s=hold)
        case f.StaysFormula():
            low, high = (None if q.low is None else q.low + d), (None if q.high is None else q.high - d)
            yield replace(q, low=low, high=high, for_s=q.for_s + e)
        case f.ReturnsFormula():
            early = max(0.001, q.not_before_s + e) if q.not_before_s else 0.0
            within = max(q.within_s - e, early)
            yield replace(q, tolerance=q.tolerance + d)
            yield replace(q, tolerance=q.tolerance - d, not_before_s=early, within_s=within)
        case f.StartsMovingFormula():
            yield replace(q, by=q.by + d, within_s=max(0.001, q.within_s - e))
        case f.UnchangedFormula():
            yield replace(q, tolerance=q.tolerance and max(0.001, q.tolerance - d), for_s=q.for_s + e)
        case f.OvershootsAtMostFormula():
            yield from (replace(q, by=q.by - d, target=q.target + x) for x in (-d, d))
        case f.NeverReversesFormula():
            yield replace(q, by=q.by - d, for_s=q.for_s + e)
        case f.MovesAtFormula():
            yield from (
                replace(q, tolerance=q.tolerance - d, target=q.target + x, within_s=q.within_s - e)
                for x in (-0.1, 0.1)
            )
        case f.EqualsFormula():
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
        trip = r.choice(hard.trips) if hard.wide else 0
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


def _demand(r: random.Random, kind: str, x: Truth, s: float) -> Any:  # noqa: C901, PLR0911 - one line a kind
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
            return f.ReachesFormula(target, tolerance, within)
        case "hold":
            return f.ReachesFormula(target, tolerance, span(1, 4 * COARSE), span(1, 3 * COARSE))
        case "stays":
            low, high = value() - 1, value() + 1
            return f.StaysFormula(*sorted((off(low, OFF), off(high + 2.5 * OFF, OFF))), within)
        case "returns":
            first = r.choice([0.0, span(1, 4 * COARSE)])
            return f.ReturnsFormula(target, tolerance, first, first + abs(span(1, 3 * COARSE)))
        case "starts":
            return f.StartsMovingFormula(by, within)
        case "unchanged":
            return f.UnchangedFormula(by, within)
        case "overshoots":
            return f.OvershootsAtMostFormula(
                off(r.choice([1, 2, 4]) / COARSE, OFF), off(target, 0.003), within
            )
        case "reverses":
            return f.NeverReversesFormula(off(r.choice([1, 2, 3, 4]) / COARSE, OFF), span(1, 9 * COARSE))
        case "moves":
            return f.MovesAtFormula(
                r.choice([0.3, 0.6, 0.9]),
                r.choice([0.15, 0.35]),
                off(target + r.choice([-3, 3]), OFF),
                within + 2,
            )
        case "equals":
            return f.EqualsFormula(float(r.choice(sorted({*x.xs, 1.0}))), span(1, 3 * COARSE))
        case "flag_unchanged":
            return f.UnchangedFormula(None, span(1, 4 * COARSE))
        case "flag_stays":
            return f.StaysFormula(None, 0.0 if max(x.xs) < 2 else float(r.randrange(2)), span(1, 4 * COARSE))
    raise AssertionError(kind)
