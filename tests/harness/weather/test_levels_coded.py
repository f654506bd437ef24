"""Analogue scales, current bands and digital input levels."""

from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.weather.levels import END_LEVELS, LevelScale, level_scale

current_scale = partial(level_scale, (4.0, 20.0))
voltage_scale = partial(level_scale, (0.0, 10.0))
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


GOOD = {"from_value": 0.0, "to_value": 1.0, "from_level": 4.0, "to_level": 20.0}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: LevelScale(**GOOD | {"to_value": 0.0}),
            r"^a range from 0.0 to 0.0 has no span; give two values$",
        ),
        (
            lambda: LevelScale(**GOOD | {"to_level": 4.0}),
            r"^levels from 4.0 to 4.0 carry nothing; give two levels$",
        ),
        (
            lambda: LevelScale(**GOOD | {"to_level": float("inf")}),
            r"^inf in a scale must be a finite number$",
        ),
    ],
)
def test_wrong_levels_are_refused(make, message):
    """Scales and levels that cannot be are refused with what would be right."""
    with pytest.raises(ValueError, match=message):
        make()


def test_broken_and_shorted_loops_are_faults_by_their_current():
    """A broken 4-20 mA wire lies in the low fault band of NAMUR NE 43, a shorted one in the high."""
    assert END_LEVELS["current"].broken <= 3.6
    assert END_LEVELS["current"].shorted >= 21.0
