"""A wind sensor with a level: means and instants worked out by hand, and against a sum of small steps."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.mock.rules.settling import Threshold
from ventproof_bench.mock.wind_and_tips import LevelWindow

T0 = 1000.0
CALM_MA = 4.0


def milliamperes(speed):
    """Return the current at a wind speed, m/s, of the sensor of house 7."""
    return 4 + 16 * speed / 50


def gust(unit, at_s):
    """Read the gust, m/s."""
    return unit.read("input", 8, 1, at_s)[0] / 10


@settings(max_examples=30, deadline=None)
@given(
    jumps=st.lists(st.tuples(st.integers(1, 100), st.integers(0, 30)), min_size=1, max_size=8).map(sorted),
    window=st.sampled_from([0.3, 3.0, 20.0]),
)
def test_a_mean_and_its_crossings_are_those_of_small_steps(jumps, window):
    """The mean is the sum of small steps over its time, and the state turns in the step that crosses a limit."""
    threshold = Threshold(12.0, 9.0, rising=True)
    exact, step_s = LevelWindow(window, threshold), 0.05
    values, on = [0.0] * round(window / step_s), False
    jumps_s = {tenths / 10: float(value) for tenths, value in jumps}
    value = 0.0
    for tick in range(round(15 / step_s)):
        t_s = round(tick * step_s, 9)
        while exact.due_s <= t_s:
            exact.judge(exact.due_s)
        if t_s in jumps_s:
            value = jumps_s[t_s]
            exact.take(t_s, value)
        exact.judge(t_s)
        mean = sum(values) / len(values)
        assert exact.mean(t_s) == pytest.approx(mean, abs=1e-9)
        on = mean >= 12 if not on else mean > 9
        assert threshold.on == on or min(abs(mean - 12), abs(mean - 9)) < 1e-6
        on = threshold.on
        values = [*values[1:], value]


def test_a_gale_begins_when_the_mean_of_the_gust_reaches_its_limit(make_wind):
    """From a calm to 28 m/s the mean over 3 s is 14 m/s after 1.5 s; the entry delay takes 2 s more."""
    unit = make_wind()
    unit.set_level("wind", T0, CALM_MA)
    unit.set_level("wind", T0 + 100, milliamperes(28))
    unit.advance(T0 + 103.499)
    assert unit.active == ()
    unit.advance(T0 + 103.501)
    assert unit.active == ("gale",)


def test_a_gale_ends_when_the_mean_has_fallen_past_its_hysteresis(make_wind):
    """From 20 m/s to 2 m/s the mean over 3 s is 11 m/s after 1.5 s; the release delay takes 45 s more."""
    unit = make_wind()
    unit.set_level("wind", T0, milliamperes(20))
    unit.set_level("wind", T0 + 100, milliamperes(2))
    unit.advance(T0 + 146.499)
    assert unit.active == ("gale",)
    unit.advance(T0 + 146.501)
    assert unit.active == ()


def test_a_sensor_that_is_cut_keeps_its_last_good_value_and_then_is_a_gale(make_wind):
    """0 mA is no wind of -12.5 m/s: the gust stays, and 2 s later the failed sensor calls for the gale override."""
    unit = make_wind()
    unit.set_level("wind", T0, milliamperes(5))
    unit.set_level("wind", T0 + 100, 0.0)
    assert gust(unit, T0 + 101.9) == 5.0
    unit.advance(T0 + 103.999)
    assert unit.active == ()
    unit.advance(T0 + 104.001)
    assert unit.active == ("gale",)
    assert gust(unit, T0 + 120) == 5.0


def test_an_input_for_0_to_20_ma_reads_every_wind_too_high(make_wind):
    """The fault: 4 mA are a fifth of 20 mA, so that a calm reads 10 m/s and 10 m/s read 18 m/s."""
    for speed, reads in ((0, 10.0), (10, 18.0), (50, 50.0)):
        unit = make_wind({"wind_zero_at_0_ma": 1.0})
        unit.set_level("wind", T0, milliamperes(speed))
        assert gust(unit, T0 + 10) == reads
