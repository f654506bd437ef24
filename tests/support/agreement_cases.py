"""True courses of two signals of which one should agree with the other, how a bus reads them, and brute force."""

from __future__ import annotations

import random
from dataclasses import dataclass

from judge_cases import Truth

from ventproof.drives.formulas import AgreesFormula
from ventproof.judge.agreement import SignalPair
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Ruling
from ventproof_bench.base.evidence import Sample, SignalTraits, Window


@dataclass(frozen=True)
class AgreementCase:
    """What is asked of two signals, what was read of each in order of time, and their true courses."""

    traits: tuple[SignalTraits, SignalTraits]
    samples: tuple[tuple[int, Sample], ...]
    formula: AgreesFormula
    stimulus: Window
    s: float
    truths: tuple[Truth, Truth]


def margin(case: AgreementCase) -> float:
    """Return by how much the demand holds of the true courses, nearly: the least over many instants."""
    x, y = case.truths
    lag, end = case.formula.lag_s, case.s + case.formula.for_s
    corners = {case.s, end, *x.ts, *y.ts, *(t + lag for t in y.ts)}
    corners |= {case.s + k * 0.01 for k in range(int(case.formula.for_s / 0.01))}
    least = 1e9
    for t in sorted(c for c in corners if case.s <= c <= end):
        values = [v for _, v in y.between(t - lag, t)] if lag else [y.at(t)]
        here = x.at(t)
        least = min(
            least, max(values) + case.formula.tolerance - here, here - min(values) + case.formula.tolerance
        )
    return least


def draw(seed: int) -> AgreementCase:
    """Draw a case: a vent that travels and stops, and what a unit tells of it: late, off, scaled, or at rest."""
    r = random.Random(seed)
    rate, until = r.choice([2.0, 5.0]), 30.0
    t, y = [-5.0], [r.uniform(0, 100)]
    while t[-1] < until:
        step = r.uniform(0.3, 6.0)
        way = r.choice([0.0, rate, -rate, r.uniform(-rate, rate)]) * step
        t.append(t[-1] + step)
        y.append(min(100.0, max(0.0, y[-1] + way)))
    lag, tolerance = r.choice([0.0, 0.0, 0.5, 2.0]), r.choice([1.0, 3.0])
    how = r.choice(["right", "right", "late", "off", "rests"])
    late = r.uniform(0, lag) if how == "right" else r.uniform(0, 3)
    off = r.uniform(-4, 4) if how == "off" else r.uniform(-0.8, 0.8) * tolerance
    told = [v + off for v in y] if how != "rests" else [y[0]] * len(y)
    truths = Truth([v + late for v in t], told), Truth(t, y)
    errors, ages = (r.choice([0.0, 0.05, 0.3]), r.choice([0.0, 0.05])), (r.choice([0.0, 0.2]), 0.0)
    traits = tuple(
        SignalTraits(name=name, unit="%", error=error, rate_per_s=1.001 * rate, refreshed_every_s=age)
        for name, error, age in zip(("told", "vent"), errors, ages, strict=True)
    )
    samples = [
        (k, sample)
        for k, every in enumerate((r.choice([0.05, 0.1, 0.3]), r.choice([0.05, 0.1, 0.2])))
        for sample in _samples(r, truths[k], traits[k], every, until - 4)
    ]
    samples.sort(key=lambda one: one[1].replied_s)
    s, wide = r.uniform(0, 4), r.choice([0.0, 0.2])
    s1 = s - wide * r.random()
    formula = AgreesFormula(tolerance, lag, r.choice([5.0, 15.0]))
    return AgreementCase(traits, tuple(samples), formula, Window(s1, s1 + wide), s, truths)


def _samples(
    r: random.Random, truth: Truth, traits: SignalTraits, every: float, until: float
) -> list[Sample]:
    found, t, shown = [], -2.0, -10.0
    lost = r.choice([0.0, 0.0, 0.05])
    while t < until:
        replied = t + 0.02 * r.random()
        shown = max(shown, r.uniform(t - traits.refreshed_every_s, replied))
        if r.random() >= lost:
            found.append(Sample(truth.at(shown) + r.uniform(-1, 1) * traits.error, t, replied))
        t = replied + every * r.uniform(0.8, 1.0)
    return found


def play(case: AgreementCase, *, block: bool = False) -> Ruling:
    """Return what the judge says; `block`: each signal's readings at once."""
    from ventproof.envelope.spans import Block  # noqa: PLC0415 - only then

    traces = tuple(SignalTrace(one) for one in case.traits)
    for trace in traces:
        trace.remember_from(-1e9)
    watch = None
    for k, sample in case.samples:
        if watch is None and sample.requested_s > case.stimulus.latest_s:
            watch = SignalPair(*traces).watch(case.formula, case.stimulus)
            if block:
                break
        traces[k].observe(sample)
    assert watch is not None
    for k in range(2) if block else ():
        last = traces[k].last
        rest = [s for n, s in case.samples if n == k and (last is None or s.requested_s > last.requested_s)]
        traces[k].observe_block(
            Block.of([s.value for s in rest], [s.requested_s for s in rest], [s.replied_s for s in rest])
        )
    return watch.close(case.samples[-1][1].replied_s)
