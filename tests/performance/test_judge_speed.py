"""What one more reading costs the judge: the same however long the run is, and little."""

from __future__ import annotations

import random
import sys
import time

import pytest

from bench.samples import Sample, SignalTraits, Window
from harness.judge import formulas as f
from harness.judge.trace import SignalTrace

TRAITS = SignalTraits(name="vent", unit="%", error=0.25, rate_per_s=100 / 28, refreshed_every_s=0.2)


def _samples(count: int) -> list[Sample]:
    r = random.Random(1)
    return [Sample(round(50 + r.uniform(-0.2, 0.2), 1), i * 0.1, i * 0.1 + 0.01) for i in range(count)]


def _seconds_per_reading(samples: list[Sample], watches: int) -> list[float]:
    """Feed one long run; return the cost of one reading in each tenth of it, the best of three."""
    best = [float("inf")] * 10
    for _ in range(3):
        trace = SignalTrace(TRAITS)
        for _ in range(watches):
            trace.watch(f.Stays(40, 60, None), Window(0.0, 0.0))
        tenth = len(samples) // 10
        for index in range(10):
            begin = time.perf_counter()
            for sample in samples[index * tenth : (index + 1) * tenth]:
                trace.observe(sample)
            best[index] = min(best[index], (time.perf_counter() - begin) / tenth)
    return best


@pytest.mark.performance
def test_a_reading_costs_the_same_late_in_a_long_run() -> None:
    """The last tenth of 100,000 readings costs what the second tenth cost."""
    costs = _seconds_per_reading(_samples(100_000), watches=1)
    assert costs[-1] < 1.5 * costs[1], costs
    print(f"{costs[-1] * 1e6:.1f} us a reading with one open watch")


@pytest.mark.performance
def test_an_open_watch_costs_little() -> None:
    """Each further open watch costs less than the trace itself."""
    samples = _samples(20_000)
    one, nine = min(_seconds_per_reading(samples, 1)), min(_seconds_per_reading(samples, 9))
    assert nine < 9 * one
    print(f"{(nine - one) / 8 * 1e6:.2f} us a reading and open watch")


@pytest.mark.performance
@pytest.mark.skipif(sys.version_info >= (3, 13), reason="rtamt's parser needs typing.io, gone in Python 3.13")
@pytest.mark.filterwarnings("ignore")
def test_deciding_online_beats_deciding_again_with_an_offline_monitor() -> None:
    """A verdict after every reading costs 50 times less than asking rtamt 0.4.10 again after every reading.

    rtamt's offline monitor goes through the whole trace each time; its cost is taken at half of its length.
    """
    rtamt = pytest.importorskip("rtamt")
    samples = _samples(6000)
    begin = time.perf_counter()
    trace = SignalTrace(TRAITS)
    watch = trace.watch(f.Reaches(5, 2, 500, 60), Window(0.0, 0.0))
    for sample in samples:
        trace.observe(sample)
    ours = (time.perf_counter() - begin) / len(samples)
    assert watch.ruling is not None

    monitor = rtamt.StlDiscreteTimeOfflineSpecification()
    monitor.declare_var("x", "float")
    monitor.set_sampling_period(100, "ms", 0.1)
    monitor.unit = "s"
    monitor.spec = "out = eventually[0:100] (always[0:60] ((x >= 3) and (x <= 7)))"
    monitor.parse()
    half = samples[:3000]
    begin = time.perf_counter()
    monitor.evaluate({"time": [s.requested_s for s in half], "x": [s.value for s in half]})
    theirs = time.perf_counter() - begin
    print(f"{theirs / ours:.0f} times")
    assert theirs / ours >= 50
