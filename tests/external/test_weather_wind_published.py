"""Wind against published scales, averaging rules, and independent software.

Sources stand beside each check; 'from memory' marks what was not seen in print.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.ndimage import uniform_filter1d
from scipy.optimize import brentq

from harness.weather.trace import Trace, step
from harness.weather.wind_averages import GUST_S, MEAN_WIND_S, gust, sampled_gust
from harness.weather.wind_beaufort import beaufort, beaufort_of_knots, typical_speed_m_per_s
from harness.weather.wind_cups import CupAnemometer, pulse_instants
from harness.weather.wind_direction import PotentiometerVane
from harness.weather.wind_gusts import cosine_gust, rectangular_gust

BEAUFORT_M_PER_S = [0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7]
BEAUFORT_KN = [1, 4, 7, 11, 17, 22, 28, 34, 41, 48, 56, 64]


@pytest.mark.parametrize(("force", "limit"), [*enumerate(BEAUFORT_M_PER_S, start=1)])
def test_beaufort_in_metres_a_second(force, limit):
    """WMO-No. 306, code table 1100: lower limits in m/s."""
    assert (beaufort(limit), beaufort(limit - 0.1)) == (force, force - 1)


@pytest.mark.parametrize(("force", "limit"), [*enumerate(BEAUFORT_KN, start=1)])
def test_beaufort_in_knots(force, limit):
    """WMO-No. 306, code table 1100: lower limits in knots."""
    assert (beaufort_of_knots(limit), beaufort_of_knots(limit - 1)) == (force, force - 1)


def test_beaufort_limits_are_not_each_other_converted():
    """17.2 m/s begins force 8 half a knot below 34 kn: converting before the look-up gives another force."""
    knots = 17.2 / (1852 / 3600)
    assert beaufort(17.2) == 8
    assert 33.4 < knots < 33.5
    assert beaufort_of_knots(knots) == 7


@pytest.mark.parametrize(
    ("force", "speed"), [(4, 6.69), (5, 9.35), (6, 12.29), (7, 15.48), (8, 18.92), (9, 22.57), (10, 26.44)]
)
def test_empirical_law(force, speed):
    """WMO 1946 law, 0.836 B^1.5 (from memory); half a force lower it meets each lower limit within 0.12 m/s."""
    assert typical_speed_m_per_s(force) == pytest.approx(speed, abs=5e-3)
    assert typical_speed_m_per_s(force - 0.5) == pytest.approx(BEAUFORT_M_PER_S[force - 1], abs=0.12)


def test_averaging_times():
    """WMO-No. 8, part I, chapter 5: ten-minute mean; gust of a 3 s running mean (3 s from memory)."""
    assert (MEAN_WIND_S, GUST_S) == (600.0, 3.0)


def test_sampled_gust_of_a_step():
    """At 4 Hz a step to 10 m/s fills the 3 s mean at its 12th sample and not before (worked by hand)."""
    samples = [0.0] * 40 + [10.0] * 12
    assert sampled_gust(samples) == 10.0
    assert sampled_gust(samples[:-1]) == pytest.approx(10 * 11 / 12)


def test_sampled_gust_of_a_spike():
    """One second of 20 m/s in a calm reads 6.667 m/s, sampled or exact (worked by hand)."""
    wind = rectangular_gust(0.0, 20.0, at_s=10.0, lasts_s=1.0, for_s=30.0)
    assert sampled_gust(wind.sampled(0.25)) == pytest.approx(20 / 3)
    assert gust(wind, 0.0, 30.0).value == pytest.approx(20 / 3)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0, 40), min_size=12, max_size=80))
def test_sampled_gust_by_an_independent_filter(samples):
    """SciPy's moving mean of twelve samples has the same maximum."""
    means = uniform_filter1d(np.array(samples), 12, origin=-6)[: len(samples) - 11]
    assert sampled_gust(samples) == pytest.approx(means.max(), abs=1e-9)


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
