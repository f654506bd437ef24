"""Winds that never end: exact pulses over their joints, whatever takes over from what."""

from __future__ import annotations

from fractions import Fraction
from itertools import islice, pairwise, takewhile

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pulses_and_tips import pulse_instants

from ventproof.run.weather import RainPlan, WindPlan
from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.course import Trace, ramp
from ventproof.weather.levels import chatter, contact_chatter, drift
from ventproof.weather.wind import WindCourse, settling, steady, turned_by, wind_edges

CUPS = CupAnemometer(slope_m=1.2, offset_m_per_s=0.4, starts_at_m_per_s=0.6, fastest_hz=100.0)
SPEEDS = st.floats(0.0, 30.0).map(lambda speed: round(speed, 2))


@given(st.lists(st.tuples(SPEEDS, st.floats(0.5, 20.0)), min_size=1, max_size=5), SPEEDS)
@settings(max_examples=80, deadline=None)
def test_pulses_are_those_of_one_trace(parts, last):
    """Blown in pieces, a wind makes the pulses of the same wind as one trace, each closure with its opening."""
    first, points, at_s = [], [], 0.0
    for speed, lasts_s in parts:
        first.append(ramp(speed, last, for_s=lasts_s))
        points += [(at_s, speed), (at_s + lasts_s, last)]
        at_s += lasts_s
    whole = Trace.through([*points, (at_s + 10.0, last)])
    edges = list(
        takewhile(
            lambda e: e.at_s <= at_s + 10.0,
            wind_edges(CUPS, WindCourse(tuple(first), ramp(last, last, for_s=3.0))),
        )
    )
    closings = [edge.at_s for edge in edges if edge.closed]
    expected = pulse_instants(CUPS, whole)
    assert abs(len(closings) - len(expected)) <= 1  # one may fall on the end itself
    assert closings[: len(expected)] == pytest.approx(expected[: len(closings)], abs=1e-6)
    assert all(a.closed != b.closed and a.at_s <= b.at_s for a, b in pairwise(edges))


@given(SPEEDS, SPEEDS, st.floats(0.0, 30.0), st.integers(0, 999))
@example(0.6, 0.0, 13.01171875, 0)
@settings(max_examples=120, deadline=None)
def test_a_wind_takes_over_without_an_extra_or_a_missing_pulse(one, other, changes_s, phase):
    """Whenever another wind comes, the pulses before and after are as many as the cups turned, never one more."""
    before = WindPlan(CUPS, steady(one), Fraction(phase, 1000))
    at_s, turned = before.open_from(changes_s)
    assert at_s >= changes_s
    after = WindPlan(CUPS, steady(other), turned)
    closings = [e.at_s for e in takewhile(lambda e: e.at_s < at_s, before.after(0.0)) if e.closed]
    more = [e.at_s for e in takewhile(lambda e: e.at_s <= 20.0, after.after(0.0)) if e.closed]
    whole = turned_by(CUPS, steady(one), at_s, phase=before.phase)
    whole += turned_by(CUPS, steady(other), 20.0, phase=Fraction())
    assert abs(len(closings) + len(more) - int(whole)) <= (1 if abs(whole - round(whole)) < 1e-6 else 0)
    first = next(after.after(-0.05), None)
    assert first == next(after.after(0.0), None)
    assert first is None or first.closed


def test_the_duty_is_a_share_of_the_way():
    """At a steady 2 Hz and a duty of 0.2 the contact is closed for 100 ms of each 500 ms."""
    cups = CupAnemometer(slope_m=1.0, duty=0.2, fastest_hz=5.0)
    edges = [e.at_s for e in islice(wind_edges(cups, steady(2.0)), 40)]
    assert edges == pytest.approx([t for k in range(1, 21) for t in (k / 2, k / 2 + 0.1)])


def test_cups_that_stop_on_a_closed_contact_keep_it_closed():
    """A calm between two winds stretches the closure under way, as on real cups."""
    wind = Trace((0.0, 1.25, 1.25, 61.25, 61.25, 65.0), (1.0, 1.0, 0.0, 0.0, 1.0, 1.0))
    edges = wind_edges(CupAnemometer(slope_m=1.0, fastest_hz=5.0), settling(wind))
    assert [edge.at_s for edge in islice(edges, 2)] == pytest.approx([1.0, 61.5])


def test_cups_that_come_to_rest_for_ever_leave_the_contact_open():
    """A wind that dies while the contact is closed ends with an opening, and then nothing more comes."""
    cups = CupAnemometer(slope_m=1.0, fastest_hz=50.0)
    edges = list(wind_edges(cups, settling(Trace.through([(0.0, 2.2), (1.0, 2.2), (1.0, 0.0), (2.0, 0.0)]))))
    assert [edge.closed for edge in edges] == [True, False, True, False]
    assert edges[-1].at_s == 2.0


def test_the_rest_of_a_wind_blows_on_where_it_stood():
    """Cut at any moment, first parts and what repeats go on as they would have."""
    course = WindCourse((ramp(2.0, 4.0, for_s=4.0), ramp(4.0, 1.0, for_s=2.0)), ramp(1.0, 3.0, for_s=5.0))
    assert course.rest(1.0).first[0].values == (2.5, 4.0)
    assert course.rest(5.0).first[0].values == (2.5, 1.0)
    assert course.rest(6.0) == WindCourse((), course.then)
    assert course.rest(8.5).first[0].at(course.rest(8.5).first[0].start_s) == pytest.approx(2.0)
    assert (course.settles_s, course.fastest_m_per_s) == (6.0, 4.0)


def test_rain_goes_on_with_its_next_closure():
    """A bucket that works again in the middle of a pulse shows the next whole one."""
    edges = tuple(wind_edges(CUPS, settling(Trace.through([(0.0, 1.6), (4.0, 1.6), (4.0, 0.0), (5.0, 0.0)]))))
    plan = RainPlan(edges, 10.0)
    assert [edge.at_s for edge in plan.after(1.2)] == [edge.at_s for edge in edges[2:]]
    assert plan.ends_s == 10.0


def test_errors_of_sensors_that_are_wrong():
    """A drift grows evenly to its end; chatter goes up and down by turns, the same for the same seed."""
    assert list(drift(3.0, over_s=1.5)) == [(0.5, 1.0), (1.0, 2.0), (1.5, 3.0)]
    made = list(islice(chatter(2.0, every_s=1.0, seed=5), 200))
    assert made == list(islice(chatter(2.0, every_s=1.0, seed=5), 200))
    assert [error for _, error in made[:4]] == [2.0, -2.0, 2.0, -2.0]
    spans = [b - a for (a, _), (b, _) in pairwise(made)]
    assert 0.5 <= min(spans) < 0.6
    assert 1.4 < max(spans) <= 1.5
    edges = list(islice(contact_chatter(every_s=0.1, seed=5), 100))
    assert all(a.closed != b.closed for a, b in pairwise(edges))
    assert edges[0].closed
