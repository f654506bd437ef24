"""Thermometers, frost, and what the unit does when a sensor cannot be right."""

import math

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from ventproof_bench.base.errors import DriverError
from ventproof_bench.mock.inputs import Current, PlatinumCurve
from ventproof_bench.mock.registers import RefusedError
from ventproof_bench.mock.rules.settling import Threshold

T0 = 1000.0
BROKEN_OHM = 1e7
PT1000 = PlatinumCurve(1000.0, -40.0, 60.0)


def outside(unit, at_s):
    """Read the outside temperature, °C."""
    word = unit.read("input", 11, 1, at_s)[0]
    return (word - 0x10000 if word & 0x8000 else word) / 10


def test_a_level_is_a_temperature(make_weather):
    """Outside the platinum resistance counts, in the house the current: 12 mA is the middle of -10 to 50 °C."""
    unit = make_weather()
    unit.set_level("outside", T0 + 1, PT1000.level(-12.3))
    unit.set_level("house", T0 + 1, 12.0)
    assert outside(unit, T0 + 2) == -12.3
    assert unit.read("holding", 0, 4, T0 + 2)[0] == 200


def test_a_holding_register_plays_the_outside_temperature(make_weather):
    """Register 3 sets what the outside thermometer measures, below zero too, and reads it back."""
    unit = make_weather()
    assert list(unit.read("holding", 0, 4, T0)) == [180, 20, 300, 100]
    unit.write("holding", 3, [0x10000 - 55], T0 + 1)
    assert unit.read("holding", 3, 1, T0 + 1)[0] == 0xFFC9
    assert outside(unit, T0 + 2) == -5.5


def test_without_an_outside_thermometer_there_is_no_such_register(make_weather):
    """A unit that has no outside sensor refuses holding register 3."""
    unit = make_weather(sensors={"outside": None}, frost=None)
    with pytest.raises(RefusedError, match=r"^Modbus exception 2$"):
        unit.read("holding", 3, 1, T0)


def test_frost_begins_at_its_threshold_after_its_entry_delay(make_weather):
    """2.0 °C is frost, and the override begins 10 s later; 2.1 °C is none."""
    unit = make_weather()
    unit.write("holding", 3, [21], T0)
    unit.advance(T0 + 50)
    assert unit.active == ()
    unit.write("holding", 3, [20], T0 + 50)
    unit.advance(T0 + 59.99)
    assert unit.active == ()
    unit.advance(T0 + 60.01)
    assert unit.active == ("frost",)
    assert unit.read("discrete", 6, 1, T0 + 61)[0]


def test_frost_ends_a_hysteresis_above_after_its_release_delay(make_weather):
    """2.9 °C is still frost; at 3.0 °C the override ends 60 s later."""
    unit = make_weather()
    unit.write("holding", 3, [0], T0)
    unit.write("holding", 3, [29], T0 + 100)
    unit.write("holding", 3, [30], T0 + 300)
    unit.advance(T0 + 359.99)
    assert unit.active == ("frost",)
    unit.advance(T0 + 360.01)
    assert unit.active == ()


def test_a_broken_wire_is_a_failure_and_counts_as_declared(make_weather):
    """The open thermometer has failed after 2 s, keeps its last value, and 10 s later counts as frost."""
    unit = make_weather()
    unit.set_level("outside", T0 + 10, BROKEN_OHM)
    assert not unit.read("discrete", 9, 1, T0 + 11.9)[0]
    assert unit.read("discrete", 9, 1, T0 + 12.2)[0]
    assert outside(unit, T0 + 13) == 10.0
    unit.advance(T0 + 21.99)
    assert unit.active == ()
    unit.advance(T0 + 22.01)
    assert unit.active == ("frost",)


def test_a_mended_wire_is_trusted_after_a_while(make_weather):
    """Plausible for 10 s again, the sensor is healthy, and the release delay of 60 s follows."""
    unit = make_weather()
    unit.set_level("outside", T0 + 10, BROKEN_OHM)
    unit.set_level("outside", T0 + 100, PT1000.level(15.0))
    assert outside(unit, T0 + 101) == 15.0
    unit.advance(T0 + 169.99)
    assert unit.active == ("frost",)
    unit.advance(T0 + 170.01)
    assert unit.active == ()


def test_a_loose_contact_shorter_than_the_filter_is_no_failure(make_weather):
    """A level that is implausible for 1.9 s is passed over."""
    unit = make_weather()
    unit.set_level("house", T0 + 10, 0.0)
    unit.set_level("house", T0 + 11.9, 12.0)
    unit.advance(T0 + 20)
    assert unit.active == ()
    assert not unit.read("discrete", 10, 1, T0 + 20)[0]


@pytest.mark.parametrize("level_ma", [0.0, 3.6, 21.0, 24.0])
def test_a_failed_house_thermometer_sends_the_vents_to_their_safe_position(make_weather, level_ma):
    """Broken or shorted, it begins the failure override 2 s later: both vents close to 30 %."""
    unit = make_weather()
    unit.write("holding", 0, [300], T0)
    unit.set_level("house", T0 + 60, level_ma)
    unit.advance(T0 + 61.99)
    assert unit.active == ()
    unit.advance(T0 + 62.01)
    assert unit.active == ("failure",)
    unit.advance(T0 + 120)
    assert (unit.position("roof"), unit.position("side")) == (pytest.approx(30), pytest.approx(30))


def test_a_sensor_that_is_treated_as_nothing_only_says_so(make_weather):
    """The failed vane sets its bit and starts nothing."""
    unit = make_weather()
    unit.set_level("direction", T0 + 1, 22.0)
    unit.advance(T0 + 100)
    assert unit.active == ()
    assert unit.read("discrete", 11, 1, T0 + 100)[0]


def test_unknown_inputs_and_levels_that_are_no_number_are_refused(make, make_weather):
    """The message names what the unit has, or what would be right."""
    message = r"^the mock unit has no analogue input 'cups'; it has outside, house, direction$"
    with pytest.raises(DriverError, match=message):
        make_weather().set_level("cups", T0, 4.0)
    with pytest.raises(DriverError, match=r"^the mock unit has no analogue input 'house'; it has none$"):
        make().set_level("house", T0, 4.0)
    with pytest.raises(DriverError, match=r"^input 'house' of the mock unit cannot take nan; give a level"):
        make_weather().set_level("house", T0, math.nan)


@hypothesis_settings(max_examples=60, deadline=None)
@given(st.floats(-200, 850))
def test_a_platinum_resistance_reads_back(celsius):
    """Temperature to resistance and back is the same to a millionth of a degree."""
    sensor = PlatinumCurve(100.0, -200.0, 850.0)
    assert sensor.value(sensor.level(celsius)) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize("level", [-1.0, 0.0, 1e7])
def test_no_resistance_breaks_the_arithmetic(level):
    """Shorts and breaks are implausible, and scaled they stay within the standard's range."""
    assert not PT1000.plausible(level)
    assert -200.001 <= PT1000.value(level) <= 850.001


@hypothesis_settings(max_examples=40, deadline=None)
@given(st.floats(-50, 50), st.floats(0, 10), st.lists(st.floats(-60, 60), max_size=20), st.booleans())
def test_a_threshold_is_on_beyond_its_limit_and_off_behind_its_hysteresis(at, hysteresis, values, rising):
    """Beyond the limit it is on, behind the hysteresis off, and in between it keeps its state."""
    at, hysteresis = round(at, 2), round(hysteresis, 2)
    threshold = Threshold(at, at - hysteresis if rising else at + hysteresis, rising=rising)
    for value in values:
        before = threshold.on
        threshold.judge(round(value, 2))
        beyond = round((round(value, 2) - at) * (1 if rising else -1), 6)
        expected = True if beyond >= 0 else False if beyond <= -hysteresis else before
        assert threshold.on == expected


def test_current_goes_on_outside_its_range():
    """Down to 3.6 mA and up to 21 mA a current is still a value, by the same line."""
    assert Current(-40, 60).value(3.8) == pytest.approx(-41.25)
    assert Current(-40, 60).value(20.5) == pytest.approx(63.125)
