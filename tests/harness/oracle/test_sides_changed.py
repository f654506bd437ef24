"""When a vent changes to the lee side and back: the dead band, the time that it settles for, and what is not known."""

from __future__ import annotations

import pytest

from ventproof.oracle.sides import lee_sides
from ventproof.oracle.timeline import ALWAYS, Timeline, UncertainState, WeatherChange
from ventproof.table.load import read_table

TABLE = """
table: sides
opened_by: {house_temperature: 30 °C}
vents:
  roof: {signal: roof_vent, open: 90 %, starts_within: 1 s, full_travel: [28 s, 32 s], tolerance: 1 %, faces: 350}
  side: {signal: side_vent, open: 90 %, starts_within: 1 s, full_travel: [28 s, 32 s], tolerance: 1 %}
overrides:
  gale:
    when: [{wind: cups, above: 15 m/s, ends_at: 9 m/s, accuracy: 0.4 m/s, averaged_over: 3 s}]
    entry_delay: 2 s
    release_delay: 60 s
    positions: {roof: 10 %, side: 0 %}
    leeward: {roof: 20 %}
direction: wind_direction
"""
BAND = "sides: {dead_band: 10 °, accuracy: 1 °}\n"
SETTLES = "sides: {settles_after: 5 s, delay_tolerance: 1 s}\n"
POWERED = UncertainState(ALWAYS, ALWAYS)


def roof(sides, *turns, powered=POWERED):
    """Return whether the roof lies in the lee, of winds that come from there so many seconds after the begin."""
    weather = [WeatherChange(at_s, "direction", "", degrees) for at_s, degrees in turns]
    return lee_sides(read_table("table.yaml", TABLE + sides).model, weather, powered)["roof"]


@pytest.mark.parametrize(
    ("degrees", "lee"), [(350, "no"), (80, "no"), (81, "yes"), (170, "yes"), (259, "yes"), (260, "no")]
)
def test_without_a_dead_band_the_lee_begins_past_straight_across(degrees, lee):
    """Straight across is windward yet, on either side and through north."""
    assert roof("", (0, degrees)).at(1) == lee


@pytest.mark.parametrize(
    ("first", "then", "lee"),
    [
        (350, 88, "no"),
        (350, 90, "open"),
        (350, 92, "yes"),
        (170, 72, "yes"),
        (170, 70, "open"),
        (170, 68, "no"),
        (80, 85, "open"),
    ],
)
def test_within_the_dead_band_a_vent_stays_on_its_side(first, then, lee):
    """It stays where it was until the wind is past the band, give or take the accuracy; what was never said is open."""
    assert roof(BAND, (0, first), (10, then)).at(11) == lee


def test_a_side_settles():
    """A turn of less than the time does nothing; after a longer one the side changes within the tolerance."""
    assert roof(SETTLES, (0, 350), (20, 170), (23, 350)).may.at(24) is False
    lasting = roof(SETTLES, (0, 350), (20, 170))
    assert [lasting.at(t_s) for t_s in (23.9, 25, 26)] == ["no", "open", "yes"]


def test_after_a_start_every_vent_faces_the_wind_until_the_vane_says_otherwise():
    """What was so before the supply went is forgotten: within the dead band the vent is windward again."""
    off = Timeline(initially=True, switches_s=(30.0, 40.0))
    lost = roof(BAND, (0, 170), (10, 80), powered=UncertainState(off, off))
    assert [lost.at(t_s) for t_s in (20, 50)] == ["yes", "no"]


def test_a_vent_that_faces_nowhere_has_no_lee_side():
    """And without any direction the roof may be on either."""
    table = read_table("table.yaml", TABLE).model
    sides = lee_sides(table, [], POWERED)
    assert (sides["side"].at(0), sides["roof"].at(0)) == ("no", "open")
