"""Wind against published averaging rules and independent software.

Sources stand beside each check; 'from memory' marks what was not seen in print.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulses_and_tips import jump, pulse_instants
from scipy.integrate import quad
from scipy.optimize import brentq
from wind_averages import GUST_S, MEAN_WIND_S, gust, mean

from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.course import Trace
from ventproof.weather.wind import cosine_gust, rectangular_gust


def test_averaging_times():
    """WMO-No. 8, part I, chapter 5: ten-minute means; WMO-No. 306, volume I.1, 15.5.5: three-second gusts."""
    assert (MEAN_WIND_S, GUST_S) == (600.0, 3.0)


def test_gust_of_a_spike():
    """One second of 20 m/s in a calm reads 6.667 m/s (worked by hand)."""
    wind = rectangular_gust(0.0, 20.0, at_s=10.0, lasts_s=1.0, for_s=30.0)
    assert gust(wind, 0.0, 30.0).value == pytest.approx(20 / 3)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 300), min_size=5, max_size=10))
def test_exact_gust_by_brute_force(tenths):
    """NumPy's trapezoids on a 1 ms grid find the same 3 s gust."""
    times = np.arange(len(tenths)) * 2.0
    values = np.array(tenths) / 10
    grid = np.linspace(0.0, times[-1], int(times[-1] * 1000) + 1)
    area = np.concatenate([[0.0], np.cumsum(np.diff(grid) * (v := np.interp(grid, times, values))[1:] + 0)])
    area -= np.concatenate([[0.0], np.cumsum(np.diff(grid) * np.diff(v) / 2)])
    means = (area[3000:] - area[:-3000]) / 3
    found = gust(Trace(tuple(map(float, times)), tuple(map(float, values))), 0.0, float(times[-1]))
    assert found.value == pytest.approx(means.max(), abs=1e-4)
    assert found.value >= means.max() - 1e-9


def test_cosine_gust_by_its_formula():
    """The 1-cosine gust (common practice, no source), integrated by SciPy; a chord errs by under 0.03 % of the rise."""
    wind = cosine_gust(6.0, 9.0, at_s=5.0, lasts_s=10.5, for_s=20.0)

    def formula(t):
        return 6.0 + 9.0 / 2 * (1 - np.cos(2 * np.pi * (t - 5.0) / 10.5))

    for from_s, to_s in ((5.0, 15.5), (6.0, 9.0), (8.7, 11.8)):
        area, _ = quad(formula, from_s, to_s)
        assert mean(wind, from_s, to_s) == pytest.approx(area / (to_s - from_s), abs=3e-4 * 9)
    assert max(abs(wind.at(t) - formula(t)) for t in np.linspace(5.0, 15.5, 997)) < 3e-4 * 9
    # The largest 3 s mean lies about the crest, worked out from the integral of the cosine.
    crest = 6.0 + 9.0 / 2 * (1 + np.sin(np.pi * 3 / 10.5) / (np.pi * 3 / 10.5))
    assert gust(wind, 0.0, 20.0).value == pytest.approx(crest, abs=3e-4 * 9)


def test_pulses_by_an_independent_integrator():
    """SciPy's quadrature and root finder put the pulses of a gusty wind where we do."""
    cups = CupAnemometer(
        slope_m=0.62, offset_m_per_s=0.21, pulses_per_turn=2, starts_at_m_per_s=0.5, fastest_hz=200.0
    )
    times, values = [0.0, 2.0, 3.5, 6.0, 7.0, 12.0], [0.0, 3.0, 0.2, 14.0, 0.0, 5.0]

    def hz(t):
        v = np.interp(t, times, values)
        return 2 * (v - 0.21) / 0.62 if v >= 0.5 else 0.0

    # Where the cups start and stop, for the quadrature to break at.
    cuts = [2.0 * 0.5 / 3, 2.0 + 1.5 * 2.5 / 2.8, 3.5 + 2.5 * 0.3 / 13.8, 6.0 + 13.5 / 14, 7.0 + 0.5]

    def turned(t):
        return quad(hz, 0.0, t, points=[c for c in (*times, *cuts) if 0 < c < t] or None, limit=300)[0]

    instants = pulse_instants(cups, Trace(tuple(times), tuple(values)))
    assert len(instants) == int(turned(12.0))
    for k in (0, 1, len(instants) // 2, len(instants) - 1):
        at_s = instants[k]
        found = brentq(lambda t, k=k: turned(t) - (k + 1), at_s - 0.1, min(12.0, at_s + 0.1), xtol=1e-10)
        assert at_s == pytest.approx(found, abs=1e-6)


def test_pulses_of_a_step_by_hand():
    """4 m/s for 10 s and 8 m/s for 10 s at 0.8 m a turn: 50 pulses 0.2 s apart, then 100 pulses 0.1 s apart."""
    instants = pulse_instants(
        CupAnemometer(slope_m=0.8, fastest_hz=20.0), jump(4.0, 8.0, at_s=10.0, for_s=20.0)
    )
    by_hand = [0.2 * k for k in range(1, 51)] + [10 + 0.1 * k for k in range(1, 101)]
    assert instants == pytest.approx(by_hand, abs=1e-9)
