"""Wind against published scales, averaging rules, and independent software.

Sources stand beside each check; 'from memory' marks what was not seen in print.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from wind_averages import GUST_S, MEAN_WIND_S, gust

from ventproof.weather.anemometer import CupAnemometer, pulse_instants
from ventproof.weather.course import Trace, step
from ventproof.weather.vane import PotentiometerVane
from ventproof.weather.wind import cosine_gust, rectangular_gust

BEAUFORT_M_PER_S = [0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7]
BEAUFORT_KN = [1, 4, 7, 11, 17, 22, 28, 34, 41, 48, 56, 64]


def test_averaging_times():
    """WMO-No. 8, part I, chapter 5: ten-minute mean; gust of a 3 s running mean (3 s from memory)."""
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
    """The 1-cosine gust of the trade, integrated by SciPy; a chord is off by less than 0.03 % of the rise."""
    wind = cosine_gust(6.0, 9.0, at_s=5.0, lasts_s=10.5, for_s=20.0)

    def formula(t):
        return 6.0 + 9.0 / 2 * (1 - np.cos(2 * np.pi * (t - 5.0) / 10.5))

    for from_s, to_s in ((5.0, 15.5), (6.0, 9.0), (8.7, 11.8)):
        area, _ = quad(formula, from_s, to_s)
        assert wind.mean(from_s, to_s) == pytest.approx(area / (to_s - from_s), abs=3e-4 * 9)
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
        CupAnemometer(slope_m=0.8, fastest_hz=20.0), step(4.0, 8.0, at_s=10.0, for_s=20.0)
    )
    by_hand = [0.2 * k for k in range(1, 51)] + [10 + 0.1 * k for k in range(1, 101)]
    assert instants == pytest.approx(by_hand, abs=1e-9)


def test_loaded_vane_by_nodal_analysis():
    """A 10 kohm vane at south with a 10 kohm load: 5 kohm to the supply and 5 || 10 kohm to 0 V (worked by hand)."""
    vane = PotentiometerVane(full_ohm=10_000.0, gap_deg=6.0)
    conductance, current = np.array([[1 / 5e3 + 1 / 5e3 + 1 / 10e3]]), np.array([5.0 / 5e3])
    node = np.linalg.solve(conductance, current)[0]
    assert vane.voltage_v(180.0, supply_v=5.0, load_ohm=10_000.0) == pytest.approx(node)
    assert node == pytest.approx(2.0)
