"""Yes and no over time: delays, thresholds, latches, means."""

from __future__ import annotations

from math import inf

from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.oracle.timeline import (
    Steps,
    Timeline,
    WeatherChange,
    beyond,
    combined,
    latched,
    settled,
    stepped,
    switched,
)

INSTANTS = st.lists(st.integers(0, 200), unique=True, max_size=8).map(
    lambda found: tuple(map(float, sorted(found)))
)
LINES = st.builds(Timeline, switches_s=INSTANTS)


def test_a_state_kept_for_exactly_the_delay_counts():
    """Two seconds are two seconds, a little less is nothing."""
    assert settled(Timeline(switches_s=(10.0, 12.0)), 2.0, 3.0).switches_s == (12.0, 15.0)
    assert settled(Timeline(switches_s=(10.0, 12.5)), 2.0, 3.0).switches_s == (12.0, 15.5)
    assert settled(Timeline(switches_s=(10.0, 11.9)), 2.0, 3.0).switches_s == ()


def test_a_pause_begins_the_release_delay_anew():
    """The delay counts from the last end."""
    source = Timeline(switches_s=(10.0, 20.0, 45.0, 50.0))
    assert settled(source, 2.0, 30.0).switches_s == (12.0, 80.0)


def test_without_power_all_is_forgotten():
    """The yes ends with the power, and its delay begins when the power is back."""
    source, powered = Timeline(switches_s=(10.0,)), Timeline(initially=True, switches_s=(20.0, 30.0))
    assert settled(source, 2.0, 5.0, powered).switches_s == (12.0, 20.0, 32.0)


@settings(max_examples=60, deadline=None)
@given(LINES, LINES, st.integers(0, 20), st.integers(0, 20))
def test_more_cause_never_gives_less_effect(one, other, on_s, off_s):
    """Delays are monotone: this is what lets two bounds be followed instead of every course between them."""
    more = combined([one, other], any)
    less_out, more_out = settled(one, on_s, off_s), settled(more, on_s, off_s)
    assert all(more_out.at(t_s) or not less_out.at(t_s) for t_s in range(260))


def test_a_latch_lasts_until_a_reset_that_finds_its_cause_gone():
    """A reset while the cause is there does nothing."""
    assert latched(Timeline(switches_s=(10.0, 20.0)), [15.0, 40.0]).switches_s == (10.0, 40.0)


def test_hysteresis_lies_between_a_value_that_begins_and_one_that_ends():
    """Rising or falling, both values inclusive."""
    value = Steps(3.0, ((10.0, 12.0), (20.0, 10.0), (30.0, 9.0)))
    assert beyond(value, 12.0, 9.0).switches_s == (10.0, 30.0)
    fallen = beyond(value, 9.0, 12.0, rising=False)
    assert (fallen.initially, fallen.switches_s) == (True, (10.0, 30.0))
    assert not beyond(value, 12.0, 9.0, Timeline(switches_s=(25.0,))).switches_s


def test_a_yes_is_known_by_when_it_began():
    """For ever, since a switch, or not at all."""
    line = Timeline(initially=True, switches_s=(5.0, 9.0))
    assert [line.since(t_s) for t_s in (4.0, 5.0, 9.0, 100.0)] == [-inf, inf, 9.0, 9.0]


def test_bounds_of_a_contact_hold_every_course_between_them():
    """A closing between 10 and 11 s and an opening between 12 and 13 s: surely closed from 11 to 12 s."""
    contact = switched(
        [WeatherChange(10, "contact", "rain", 1, 1.0), WeatherChange(12, "contact", "rain", 0, 1.0)]
    )
    assert list(contact.may.yes()) == [(10.0, 13.0)]
    assert list(contact.must.yes()) == [(11.0, 12.0)]
    assert (contact.at(10.5), contact.at(11.5), contact.at(14)) == ("open", "yes", "no")


def test_a_closure_shorter_than_its_windows_is_never_sure():
    """Where the windows overlap nothing is certain."""
    contact = switched(
        [WeatherChange(10, "contact", "rain", 1, 2.0), WeatherChange(11, "contact", "rain", 0, 2.0)]
    )
    assert list(contact.must.yes()) == []
    assert list(contact.may.yes()) == [(10.0, 13.0)]


def test_a_value_that_jumps_twice_within_its_windows_may_be_any_of_the_three():
    """While both jumps are open the lowest and the highest of all values are possible."""
    low, high = stepped(
        [WeatherChange(10, "wind", "cups", 9, 3.0), WeatherChange(11, "wind", "cups", 5, 3.0)], 7.0
    )
    assert [(low.at(t_s), high.at(t_s)) for t_s in (9, 10, 11, 13, 14)] == [
        (7, 7),
        (7, 9),
        (5, 9),
        (5, 9),
        (5, 5),
    ]


def test_a_timeline_that_begins_with_yes_reaches_back_for_ever():
    """Its first span has no beginning, and a last one no end."""
    assert list(Timeline(initially=True, switches_s=(5.0, 9.0)).yes()) == [(-inf, 5.0), (9.0, inf)]
    assert list(Timeline(initially=True, switches_s=(5.0,)).inverted().yes()) == [(5.0, inf)]
