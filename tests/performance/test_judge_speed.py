"""What one more reading costs the judge: the same however long the run is, and little."""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable

import pytest

from ventproof.deciders import formulas as f
from ventproof.judge.trace import SignalTrace
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

TRAITS = SignalTraits(name="vent", unit="%", error=0.25, rate_per_s=100 / 28, refreshed_every_s=0.2)


def samples_of(count: int) -> list[Sample]:
    r = random.Random(1)
    return [Sample(round(50 + r.uniform(-0.2, 0.2), 1), i * 0.1, i * 0.1 + 0.01) for i in range(count)]


def seconds_per_reading(samples: list[Sample], watches: int) -> list[float]:
    """Feed one long run; return the cost of one reading in each tenth of it, the best of three."""
    best = [float("inf")] * 10
    for _ in range(3):
        trace = SignalTrace(TRAITS)
        for _ in range(watches):
            trace.watch(f.StaysFormula(40, 60, None), Window(0.0, 0.0))
        tenth = len(samples) // 10
        for index in range(10):
            begin = time.process_time()
            for sample in samples[index * tenth : (index + 1) * tenth]:
                trace.observe(sample)
            best[index] = min(best[index], (time.process_time() - begin) / tenth)
    return best


@pytest.mark.performance
def test_a_reading_costs_the_same_late_in_a_long_run(figure: Callable[..., None]) -> None:
    """The last tenth of 100,000 readings costs what the second tenth cost."""
    rounds = [seconds_per_reading(samples_of(100_000), watches=1) for _ in range(3)]
    figure(
        "a reading late in a long run, times an early one", [one[-1] / one[1] for one in rounds], limit=1.5
    )


@pytest.mark.performance
def test_an_open_watch_costs_little(figure: Callable[..., None]) -> None:
    """Each further open watch costs less than the trace itself."""
    samples = samples_of(20_000)
    times = [min(seconds_per_reading(samples, 9)) / min(seconds_per_reading(samples, 1)) for _ in range(5)]
    figure("a reading with nine open watches, times one with one", times, limit=9)


def online_and_offline_s(count: int) -> tuple[float, float]:
    """Return what a reading costs us, and what rtamt 0.4.10 takes to evaluate half of the readings, s."""
    rtamt = pytest.importorskip("rtamt")
    samples = samples_of(count)
    begin = time.process_time()
    trace = SignalTrace(TRAITS)
    watch = trace.watch(f.ReachesFormula(5, 2, count / 12, count / 100), Window(0.0, 0.0))
    for sample in samples:
        trace.observe(sample)
    ours_s = (time.process_time() - begin) / len(samples)
    assert watch.ruling is not None

    monitor = rtamt.StlDiscreteTimeOfflineSpecification()
    monitor.declare_var("x", "float")
    monitor.set_sampling_period(100, "ms", 0.1)
    monitor.unit = "s"
    monitor.spec = "out = eventually[0:100] (always[0:60] ((x >= 3) and (x <= 7)))"
    monitor.parse()
    half = samples[: count // 2]
    begin = time.process_time()
    monitor.evaluate({"time": [s.requested_s for s in half], "x": [s.value for s in half]})
    return ours_s, time.process_time() - begin


@pytest.mark.performance
@pytest.mark.skipif(sys.version_info >= (3, 13), reason="rtamt's parser needs typing.io, gone in Python 3.13")
@pytest.mark.filterwarnings("ignore")
def test_deciding_online_beats_deciding_again_with_an_offline_monitor(figure: Callable[..., None]) -> None:
    """A verdict after every reading costs 50 times less than asking rtamt 0.4.10 again after every reading.

    rtamt's offline monitor goes through the whole trace each time; its cost is taken at half of its length.
    """
    rounds = [online_and_offline_s(6000) for _ in range(5)]
    times = [theirs_s / ours_s for ours_s, theirs_s in rounds]
    figure("an offline monitor asked at each reading, times ours", times, better="more", limit=50)
