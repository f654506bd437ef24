"""The judge against an independent monitor of signal temporal logic, and against the terms of a standard."""

from __future__ import annotations

import random
import sys
from itertools import pairwise

import pytest

from ventproof.deciders import formulas as f
from ventproof.deciders import robustness
from ventproof.envelope.spans import Piece, Track
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

STEP_S = 0.1


def _path(r: random.Random) -> list[float]:
    """A random travel within 2 %/s, on a grid of 0.1 s."""
    values = [r.uniform(0, 20)]
    while len(values) < 300:
        slope, steps = r.choice([-2.0, -1.0, 0.0, 0.5, 2.0]), r.randrange(5, 60)
        values += [values[-1] + slope * STEP_S * (i + 1) for i in range(steps)]
    return values[:300]


def _judge(formula: f.Formula, values: list[float]) -> Ruling:
    trace = SignalTrace(SignalTraits(name="vent", unit="%"))
    trace.remember_from(0.0)
    for i, value in enumerate(values):
        trace.observe(Sample(value, i * STEP_S, i * STEP_S))
    return trace.watch(formula, Window(0.0, 0.0), Rule.SIMPLE).close(30.0)


def _rtamt(spec: str, values: list[float]) -> float:
    """Robustness at time 0 by rtamt 0.4.10 (BSD-3), discrete time."""
    rtamt = pytest.importorskip("rtamt")
    monitor = rtamt.StlDiscreteTimeOfflineSpecification()
    monitor.declare_var("x", "float")
    monitor.set_sampling_period(100, "ms", 0.1)
    monitor.unit = "s"
    monitor.spec = f"out = {spec}"
    monitor.parse()
    result = monitor.evaluate({"time": [i * STEP_S for i in range(len(values))], "x": values})
    return float(result[0][1])


@pytest.mark.skipif(sys.version_info >= (3, 13), reason="rtamt's parser needs typing.io, gone in Python 3.13")
@pytest.mark.filterwarnings("ignore")
def test_verdicts_and_margins_agree_with_an_independent_monitor() -> None:
    """The other monitor gives the same verdict, and the same robustness up to what moves within one sample.

    rtamt looks at the samples only; between two of them a travel of 2 %/s moves 0.2 %.
    """
    moves = 2.0 * STEP_S
    for seed in range(25):
        r = random.Random(seed)
        values = _path(r)
        target, tolerance = values[-1] + r.uniform(-3, 3), r.uniform(1, 4)
        within, hold = r.randrange(20, 120) / 10, r.choice([0.0, 1.0, 5.0])
        low, high = target - tolerance, target + tolerance
        band = f"((x >= {low:.9f}) and (x <= {high:.9f}))"

        expected = _rtamt(f"eventually[0:{within:g}] (always[0:{hold:g}] {band})", values)
        pieces = Track(
            Piece(i * STEP_S, a, a, (i + 1) * STEP_S, b, b) for i, (a, b) in enumerate(pairwise(values))
        )
        margin = robustness.reaches(pieces, target, tolerance, (0.0, 0.0), within_s=within, hold_s=hold)
        assert margin is not None
        assert margin.low == pytest.approx(margin.high, abs=1e-9)
        assert expected - 1e-6 <= margin.low <= expected + moves + 1e-6, seed
        found = _judge(f.ReachesFormula(target, tolerance, within, hold), values)
        if abs(expected) > moves:
            assert found.verdict is (Verdict.PASS if expected > 0 else Verdict.FAIL), seed

        expected = _rtamt(f"always[0:{within:g}] {band}", values)
        found = _judge(f.StaysFormula(low, high, within), values)
        assert found.verdict is (Verdict.PASS if expected >= 0 else Verdict.FAIL), seed
        if found.verdict is Verdict.PASS:
            assert found.margin is not None
            # The signal is linear between samples, so its least distance from the band lies at one of them.
            assert found.margin.low == pytest.approx(expected, abs=1e-6), seed


def test_a_published_robustness_table_is_met() -> None:
    """Least of 1, -1, 2, 3, 0.5, -2, 4 over [0, 2]: -1, -1, 0.5, -2, -2 from 0 to 4 s.

    Robustness of `always` as the infimum, after Donzé and Maler (FORMATS 2010); values by rtamt 0.4.10.
    """
    values = [1.0, -1.0, 2.0, 3.0, 0.5, -2.0, 4.0]
    trace = SignalTrace(SignalTraits(name="x", unit="%"))
    trace.remember_from(0.0)
    for i, value in enumerate(values):
        trace.observe(Sample(value, float(i), float(i)))
    for start, expected in enumerate([-1.0, -1.0, 0.5, -2.0, -2.0]):
        window = Window(float(start), float(start))
        found = trace.watch(f.StaysFormula(0.0, None, 2.0), window, Rule.SIMPLE).close(7.0)
        assert found.verdict is (Verdict.PASS if expected >= 0 else Verdict.FAIL)
        if expected >= 0:
            assert found.margin is not None
            assert found.margin.low == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("start", "end", "travel_s"), [(0.0, 100.0, 30.0), (99.0, 5.0, 28.2), (20.0, 30.0, 12.0)]
)
def test_a_ramp_takes_eight_tenths_of_its_travel_from_10_to_90_percent(
    start: float, end: float, travel_s: float
) -> None:
    """Between the 10 % and 90 % levels of IEEE Std 181 lie 0.8 of a straight ramp.

    The levels are those of transition duration in IEEE Std 181-2011; 0.8 follows for a straight line.
    """
    rate = abs(end - start) / travel_s
    traits = SignalTraits(name="vent", unit="%", error=0.05, rate_per_s=rate * 1.05)
    trace = SignalTrace(traits)
    watch = trace.watch(f.MovesAtFormula(rate, rate * 0.1, end, travel_s + 5), Window(0.0, 0.0))
    for i in range(-20, 500):
        t = i * 0.1
        trace.observe(Sample(start + (end - start) * min(1.0, max(0.0, (t - 2) / travel_s)), t, t))
    assert watch.ruling is not None
    assert watch.ruling.verdict is Verdict.PASS
    assert watch.ruling.response_s is not None
    # 90 % of the way are made 2 s + 0.9 of the travel after the stimulus.
    assert watch.ruling.response_s.low - 1e-6 <= 2 + 0.9 * travel_s <= watch.ruling.response_s.high + 1e-6
