"""Analogue scales, current bands and digital input levels."""

from math import nextafter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.weather.levels import (
    END_LEVELS,
    ContactLevel,
    CurrentBand,
    Scale,
    contact_level,
    current_band,
    current_scale,
    voltage_scale,
)

FEW = settings(max_examples=60, deadline=None)
ends = st.floats(-500, 500)


@FEW
@given(ends, ends, st.floats(-1000, 1000))
def test_value_and_level_are_inverse(from_value, to_value, value):
    """A value scaled to a level and back is itself, also outside the range and for falling ranges."""
    if abs(to_value - from_value) < 1e-2:
        return
    for scale in (current_scale(from_value, to_value), voltage_scale(from_value, to_value)):
        assert scale.value(scale.level(value)) == pytest.approx(value, abs=1e-6)


@FEW
@given(ends, ends)
def test_the_ends_are_exact(from_value, to_value):
    """The range's ends are carried by the level's ends, to the bit."""
    if from_value != to_value:
        scale = current_scale(from_value, to_value)
        assert (scale.level(from_value), scale.level(to_value)) == (4.0, 20.0)
        assert (scale.value(4.0), scale.value(20.0)) == (from_value, to_value)


def test_voltage_carries_a_temperature():
    """-20 to 60 °C on 0-10 V puts 22 °C at 5.25 V."""
    assert voltage_scale(-20.0, 60.0).level(22.0) == pytest.approx(5.25)


@FEW
@given(st.floats(-5, 30))
def test_bands_follow_each_other(current):
    """More current never goes back to a lower band."""
    order = list(CurrentBand)
    assert order.index(current_band(current)) <= order.index(current_band(current + 0.1))


@pytest.mark.parametrize(
    ("limit", "below", "at", "above"),
    [
        (3.6, CurrentBand.FAULT_LOW, CurrentBand.FAULT_LOW, CurrentBand.GAP_LOW),
        (3.8, CurrentBand.GAP_LOW, CurrentBand.VALID, CurrentBand.VALID),
        (20.5, CurrentBand.VALID, CurrentBand.VALID, CurrentBand.GAP_HIGH),
        (21.0, CurrentBand.GAP_HIGH, CurrentBand.FAULT_HIGH, CurrentBand.FAULT_HIGH),
    ],
)
def test_a_limit_belongs_to_the_band_that_says_something(limit, below, at, above):
    """Each limit is part of the valid or the fault band, and the gaps are open."""
    found = [current_band(c) for c in (nextafter(limit, 0), limit, nextafter(limit, 99))]
    assert found == [below, at, above]


@pytest.mark.parametrize("input_type", [1, 2, 3])
def test_between_the_limits_an_input_may_read_either(input_type):
    """Just above 5 V and just below the on limit nothing is promised."""
    on_v = 15.0 if input_type == 1 else 11.0
    assert contact_level(nextafter(5.0, 9), input_type) is ContactLevel.UNDEFINED
    assert contact_level(nextafter(on_v, 0), input_type) is ContactLevel.UNDEFINED


@pytest.mark.parametrize("voltage", [-3.1, 30.1, float("inf")])
def test_beyond_its_range_an_input_is_in_danger(voltage):
    """Below -3 V and above 30 V is neither on nor off."""
    assert contact_level(voltage, 3) is ContactLevel.FORBIDDEN


GOOD = {"from_value": 0.0, "to_value": 1.0, "from_level": 4.0, "to_level": 20.0}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Scale(**GOOD | {"to_value": 0.0}),
            r"^a range from 0.0 to 0.0 has no span; give two values$",
        ),
        (
            lambda: Scale(**GOOD | {"to_level": 4.0}),
            r"^levels from 4.0 to 4.0 carry nothing; give two levels$",
        ),
        (lambda: Scale(**GOOD | {"to_level": float("inf")}), r"^inf in a scale must be a finite number$"),
        (lambda: current_band(float("nan")), r"^nan mA is not a current; give a number$"),
        (lambda: contact_level(float("nan"), 1), r"^nan V is not a voltage; give a number$"),
        (lambda: contact_level(12.0, 4), r"^input type 4 is not one of 1, 2, 3$"),
    ],
)
def test_wrong_levels_are_refused(make, message):
    """Scales and levels that cannot be are refused with what would be right."""
    with pytest.raises(ValueError, match=message):
        make()


def test_broken_and_shorted_loops_are_faults_by_their_current():
    """A broken 4-20 mA wire lies in the low fault band, a shorted one in the high."""
    assert current_band(END_LEVELS["current"].broken) is CurrentBand.FAULT_LOW
    assert current_band(END_LEVELS["current"].shorted) is CurrentBand.FAULT_HIGH
