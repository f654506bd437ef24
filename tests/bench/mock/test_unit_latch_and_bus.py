"""Overrides that stay until they are reset, and what a unit does when nobody asks it anything."""

import pytest

from ventproof_bench.base.errors import DriverError

T0 = 1000.0


def test_a_latched_override_stays_until_it_is_reset(make):
    """The rain is long over, and the override ends only when the reset contact closes."""
    unit = make(latched=True)
    unit.set_contact("rain", T0, closed=True)
    unit.set_contact("rain", T0 + 10, closed=False)
    unit.advance(T0 + 500)
    assert unit.active == ("rain",)
    unit.set_contact("reset", T0 + 500, closed=True)
    unit.advance(T0 + 500)
    assert unit.active == ()


def test_a_reset_in_the_rain_or_within_the_release_delay_does_nothing(make):
    """What was reset too early must be reset again: the contact opens and closes once more."""
    unit = make(latched=True)
    unit.set_contact("rain", T0, closed=True)
    unit.set_contact("reset", T0 + 10, closed=True)
    unit.set_contact("reset", T0 + 11, closed=False)
    unit.set_contact("rain", T0 + 20, closed=False)
    unit.set_contact("reset", T0 + 40, closed=True)
    unit.advance(T0 + 200)
    assert unit.active == ("rain",)
    unit.set_contact("reset", T0 + 200, closed=False)
    unit.set_contact("reset", T0 + 201, closed=True)
    unit.advance(T0 + 201)
    assert unit.active == ()


def test_rain_that_returns_keeps_a_latched_override_as_it_was(make):
    """A second shower on a latched override begins nothing twice, and a reset in it does nothing."""
    unit = make(latched=True)
    for begin_s in (0, 100):
        unit.set_contact("rain", T0 + begin_s, closed=True)
        unit.set_contact("rain", T0 + begin_s + 40, closed=False)
    unit.set_contact("reset", T0 + 120, closed=True)
    unit.advance(T0 + 300)
    assert unit.active == ("rain",)


def test_a_unit_without_latches_has_no_reset(make):
    """The reset contact is an input of units that need it only."""
    with pytest.raises(DriverError, match="has no input 'reset'"):
        make().set_contact("reset", T0, closed=True)


def test_a_lost_bus_counts_as_the_weather_that_is_stated(make_weather):
    """Nobody asks for a minute: the failure override begins; the next request ends it."""
    unit = make_weather(bus_loss={"silent_for": "60 s", "treat_as": "failure"})
    unit.read("input", 0, 1, T0 + 30)
    unit.advance(T0 + 89.999)
    assert unit.active == ()
    unit.advance(T0 + 90)
    assert unit.active == ("failure",)
    unit.read("input", 0, 1, T0 + 100)
    unit.advance(T0 + 100)
    assert unit.active == ()


def test_a_lost_bus_counts_as_nothing_else(make_weather):
    """Treating a lost bus as an override that the unit lacks is refused."""
    with pytest.raises(
        ValueError, match="bus_loss is treated as 'frost', an override that the unit does not have"
    ):
        make_weather(
            bus_loss={"silent_for": "60 s", "treat_as": "frost"},
            frost=None,
            sensors={"outside": None},
        )
