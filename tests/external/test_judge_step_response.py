"""Step-response figures of the judge against a second-order system's published figures and SciPy's response.

Sources: the step of 1 / (s^2 + 2 z s + 1) at z = 0.5 has overshoot exp(-pi z / sqrt(1 - z^2)) = 16.303 % (textbook
formula, for instance Ogata, Modern Control Engineering, ch. 5, from memory); rise time 10-90 % 1.6376 s and 2 %
settling time 8.0764 s were computed with the python-control library's step_info on a fine grid. The transition
between 10 % and 90 % reference levels is IEEE Std 181-2011's (from memory). The response itself is SciPy's.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from ventproof.deciders import formulas as f
from ventproof.judge.trace import SignalTrace
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

OVERSHOOT_PERCENT = 16.303
RISE_S = 1.6376
SETTLING_S = 8.0764
TRAITS = SignalTraits(name="y", unit="%", error=0.0, rate_per_s=60.0)


def verdict(formula):
    """Judge a formula on the step response to 100 %, sampled exactly at 1 kHz; the step is at 5 s."""
    t = np.arange(0.0, 20.0, 0.001)
    _, y = signal.step(([1.0], [1.0, 1.0, 1.0]), T=t)
    trace = SignalTrace(TRAITS)
    trace.remember_from(0.0)
    for at in np.arange(4.5, 5.0, 0.001):
        trace.observe(Sample(0.0, at, at))
    watch = trace.watch(formula, Window(5.0, 5.0))
    for at, value in zip(t + 5.0, 100.0 * y, strict=True):
        trace.observe(Sample(float(value), float(at), float(at)))
        if watch.ruling is not None:
            break
    return str(watch.close(25.0).verdict)


@pytest.mark.parametrize(
    ("by", "expected"), [(OVERSHOOT_PERCENT + 0.05, "pass"), (OVERSHOOT_PERCENT - 0.05, "fail")]
)
def test_overshoot_is_the_textbooks(by, expected):
    """The allowed overshoot passes just above 16.303 % and fails just below."""
    assert verdict(f.OvershootsAtMostFormula(by, 100.0, 15.0)) == expected


@pytest.mark.parametrize(
    ("rate", "expected"), [(80 / RISE_S, "pass"), (80 / RISE_S + 0.5, "fail"), (80 / RISE_S - 0.5, "fail")]
)
def test_rate_of_travel_is_the_10_to_90_percent_transition(rate, expected):
    """The mean rate between the reference levels is 80 % of the step over the rise time."""
    assert verdict(f.MovesAtFormula(rate, 0.2, 100.0, 15.0)) == expected


@pytest.mark.parametrize(("within", "expected"), [(SETTLING_S + 0.1, "pass"), (SETTLING_S - 0.1, "fail")])
def test_settling_is_reaching_a_band_for_good(within, expected):
    """Reaching 100 ± 2 % and holding it begins at the 2 % settling time."""
    assert verdict(f.ReachesFormula(100.0, 2.0, within, 6.0)) == expected
