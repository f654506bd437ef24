"""A wind shown by one value after the other: its means are kept, and how far off a value is is known."""

from __future__ import annotations

from itertools import islice, pairwise

import pytest

from ventproof.weather.course import Trace, ramp
from ventproof.weather.turbulence import turbulent_wind
from ventproof.weather.wind import (
    WindCourse,
    cosine_gust,
    held,
    held_off_by,
    rectangular_gust,
    settling,
    steady,
)

EVERY_S = 0.4
COURSES = {
    "ramp": settling(ramp(3.0, 14.0, for_s=7.3)),
    "gust": settling(cosine_gust(5.0, 9.0, at_s=0.0, lasts_s=3.1, for_s=3.1)),
    "steps": settling(
        Trace.through([(0.0, 4.0), (1.3, 4.0), (1.3, 9.0), (2.0, 9.0), (2.0, 1.0), (5.0, 1.0)])
    ),
    "turbulence": WindCourse(
        (), turbulent_wind(mean_m_per_s=12.0, intensity=0.2, for_s=30.0, seed=5, every_s=0.25)
    ),
}


def true_at(course, t_s):
    """Return the wind at an instant, of the piece that it lies in."""
    for trace in course.traces():
        if t_s < trace.duration_s:
            return trace.at(trace.start_s + t_s)
        t_s -= trace.duration_s
    raise AssertionError


@pytest.mark.parametrize("name", COURSES)
def test_each_value_is_the_mean_of_the_wind_until_the_next(name):
    """Summed in small steps, and so no mean over a longer time is off."""
    course = COURSES[name]
    values = list(islice(held(course, EVERY_S), 40))
    for (from_s, value), (to_s, _) in pairwise(values):
        steps = [from_s + (to_s - from_s) * (k + 0.5) / 400 for k in range(400)]
        speeds = [true_at(course, t_s) for t_s in steps]
        assert value == pytest.approx(sum(speeds) / 400, abs=2e-3)
        assert max(abs(speed - value) for speed in speeds) <= held_off_by(course, EVERY_S) + 2e-3
        assert name == "steps" or to_s - from_s <= EVERY_S + 1e-9


def test_a_steady_wind_is_one_value():
    """It needs no other, and none is off."""
    assert list(held(steady(7.5), EVERY_S)) == [(0.0, 7.5)]
    assert held_off_by(steady(7.5), EVERY_S) == 0


def test_a_step_is_shown_at_its_instant():
    """A rectangular gust is as long as it is, whatever the rate."""
    gust = settling(rectangular_gust(5.0, 3.0, at_s=0.0, lasts_s=2.3, for_s=2.3))
    assert list(held(gust, EVERY_S)) == [(0.0, 8.0), (2.3, 5.0)]


def test_a_wind_that_repeats_has_no_end():
    """Turbulence comes again, value by value."""
    values = list(islice(held(COURSES["turbulence"], EVERY_S), 300))
    first = [value for at_s, value in values if at_s < 30]
    again = [value for at_s, value in values if 30 <= at_s < 60]
    assert first == again[: len(first)]
