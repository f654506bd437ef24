"""What a failed formula's margin says: how far beyond its limit the signal was, never that it was on it."""

from __future__ import annotations

import pytest

from bench.samples import Sample, SignalTraits, Window
from harness.judge import formulas as f
from harness.judge.trace import SignalTrace
from harness.judge.verdict import Verdict

VENT = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0)


@pytest.mark.parametrize("width_s", [0.0, 0.4])
def test_an_invariant_that_fails_at_its_first_reading_says_by_how_much(width_s: float) -> None:
    """A vent at 20 % that must stay below 8 % is 12 % beyond, give or take the error and what it moves."""
    trace = SignalTrace(VENT)
    watch = trace.watch(f.Stays(None, 8.0, None), Window(1.0, 1.0 + width_s))
    for i in range(50):
        trace.observe(Sample(20.0, i * 0.1, i * 0.1 + 0.01))
    assert watch.finding is not None
    assert watch.finding.verdict is Verdict.FAIL
    margin = watch.finding.margin
    assert margin is not None
    assert -12.25 - 4.0 * 0.2 <= margin.low <= -12.0 <= margin.high <= -11.75 + 1e-9


def test_readings_before_the_stimulus_do_not_deepen_a_failure() -> None:
    """A vent that came down from 99 % before it was held to 8 % fails by where it stood then."""
    trace = SignalTrace(VENT)
    trace.remember_from(0.0)
    for i in range(300):
        trace.observe(Sample(max(20.0, 99.0 - 0.38 * i), i * 0.1, i * 0.1 + 0.01))
    watch = trace.watch(f.Stays(None, 8.0, None), Window(25.0, 25.0))
    assert watch.finding is not None
    assert watch.finding.margin is not None
    assert watch.finding.margin.low >= -13.0
