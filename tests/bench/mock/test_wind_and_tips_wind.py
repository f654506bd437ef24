"""Cups and the gale override: every time worked out by hand from pulses, windows and delays."""

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from ventproof_bench.mock.wind_and_tips import PulseWindow

T0 = 1000.0
DEBOUNCE_S = 0.002


def blow(unit, hz, from_s, to_s):
    """Play an even train of pulses, the first at `from_s`; return when the last one came."""
    count = round((to_s - from_s) * hz)
    for k in range(count):
        unit.set_contact("cups", from_s + k / hz, closed=True)
        unit.set_contact("cups", from_s + (k + 0.5) / hz, closed=False)
    return from_s + (count - 1) / hz


def warm(unit):
    """Open all vents and return a time at which they stand."""
    unit.write("holding", 0, [300], T0)
    return T0 + 60.0


def wind(unit, at_s):
    """Read gust and mean wind, m/s."""
    return [word / 10 for word in unit.read("input", 8, 2, at_s)]


def test_a_calm_reads_nothing_whatever_the_offset(make_weather):
    """Without a pulse the wind is 0 m/s: the offset belongs to turning cups."""
    assert wind(make_weather(), T0 + 10) == [0, 0]


def test_a_steady_wind_reads_the_line_of_the_cups(make_weather):
    """10 Hz at 1.2 m a pulse and 0.4 m/s offset is 12.4 m/s, at every refresh once the window is full."""
    unit = make_weather()
    blow(unit, 10, T0, T0 + 60)
    assert {wind(unit, T0 + 4 + k * 0.2)[0] for k in range(250)} == {12.4}


def test_the_mean_fills_its_window(make_weather):
    """After 60 s at 10 Hz the ten-minute mean has 600 pulses: 1 Hz, 1.6 m/s; ten minutes later none."""
    unit = make_weather()
    blow(unit, 10, T0, T0 + 60)
    assert wind(unit, T0 + 60) == [12.4, 1.6]
    assert wind(unit, T0 + 659) == [0, 0.4]  # 11 pulses are left: 0.4 and 0.022 m/s
    assert wind(unit, T0 + 661) == [0, 0]


def test_a_gale_begins_with_the_pulse_that_makes_it_and_its_entry_delay(make_weather):
    """12 m/s are 29 pulses in 3 s; at 20 Hz the 29th comes 1.4 s after the first, and 2 s later the roof closes."""
    unit = make_weather()
    gale_s = warm(unit)
    blow(unit, 20, gale_s, gale_s + 60)
    begins_s = gale_s + 1.4 + DEBOUNCE_S + 2.0
    unit.advance(begins_s - 0.0001)
    assert unit.active == ()
    unit.advance(begins_s + 0.0001)
    assert unit.active == ("gale",)
    unit.advance(gale_s + 60)
    moves_s = begins_s + 0.4
    assert list(unit.truth("roof")[-3:]) == [
        (pytest.approx(moves_s), pytest.approx(92)),
        (pytest.approx(moves_s + 0.92 * 30), 0),
        (gale_s + 60, 0),
    ]
    assert unit.position("side") == pytest.approx(10)


def test_a_gale_ends_below_the_hysteresis_and_after_its_release_delay(make_weather):
    """9 m/s are 21.5 pulses in 3 s: at 20 Hz 21 are left 1.95 s after the last, and 60 s later the vents are free."""
    unit = make_weather()
    gale_s = warm(unit)
    last_s = blow(unit, 20, gale_s, gale_s + 30)
    ends_s = last_s + 1.95 + DEBOUNCE_S + 60
    unit.advance(ends_s - 0.001)
    assert unit.active == ("gale",)
    unit.advance(ends_s + 0.001)
    assert unit.active == ()
    unit.advance(ends_s + 60)
    assert unit.position("roof") == pytest.approx(92)


def test_a_wind_between_the_limits_keeps_the_state(make_weather):
    """At 8 Hz, 10 m/s, a gale goes on that had begun, and none begins."""
    unit = make_weather()
    blow(unit, 8, T0, T0 + 100)
    unit.advance(T0 + 100)
    assert unit.active == ()
    blow(unit, 20, T0 + 100, T0 + 110)
    blow(unit, 8, T0 + 110, T0 + 300)
    unit.advance(T0 + 299)
    assert unit.active == ("gale",)


def test_a_gust_shorter_than_the_entry_delay_starts_nothing(make_weather):
    """29 pulses within 1.4 s make a gale that is over 1.6 s later: less than 2 s."""
    unit = make_weather(wind={"hysteresis": "0 m/s"})
    blow(unit, 20, T0, T0 + 1.45)
    unit.advance(T0 + 100)
    assert unit.active == ()
    assert wind(unit, T0 + 100) == [0, 0.5]


@pytest.mark.parametrize(("wind_from", "roof"), [(180, 0), (90, 0), (270, 0), (0, 20), (269, 0), (271, 20)])
def test_the_lee_side_may_stay_open(make_weather, wind_from, roof):
    """The roof opens to 180 degrees: it is leeward, at 20 %, when the wind comes from more than 90 degrees away."""
    unit = make_weather()
    gale_s = warm(unit)
    unit.set_level("direction", gale_s, 4 + 16 * wind_from / 360)
    blow(unit, 20, gale_s, gale_s + 60)
    assert unit.read("input", 10, 1, gale_s + 60)[0] == wind_from
    assert unit.position("roof") == pytest.approx(roof)
    assert unit.position("side") == pytest.approx(10)


def test_a_wind_that_turns_moves_the_vents_at_once_but_opens_none(make_weather):
    """Turning onto the roof closes it; turning away again leaves it closed while the gale lasts."""
    unit = make_weather()
    gale_s = warm(unit)
    unit.set_level("direction", gale_s, 4.0)
    blow(unit, 20, gale_s, gale_s + 180)
    unit.set_level("direction", gale_s + 60, 12.0)
    unit.set_level("direction", gale_s + 120, 4.0)
    unit.advance(gale_s + 60)
    assert unit.position("roof") == pytest.approx(20)
    unit.advance(gale_s + 60 + 0.4 + 0.2 * 30)
    assert unit.position("roof") == pytest.approx(0)
    unit.advance(gale_s + 180)
    assert unit.position("roof") == pytest.approx(0)


def test_a_failed_vane_makes_every_vent_windward(make_weather):
    """When the vane's wire breaks the leeward roof closes 2 s later."""
    unit = make_weather()
    gale_s = warm(unit)
    unit.set_level("direction", gale_s, 4.0)
    blow(unit, 20, gale_s, gale_s + 120)
    unit.set_level("direction", gale_s + 60, 0.0)
    unit.advance(gale_s + 62.3)
    assert unit.position("roof") == pytest.approx(20)
    unit.advance(gale_s + 62.4 + 0.2 * 30)
    assert unit.position("roof") == pytest.approx(0)
    assert unit.read("discrete", 11, 1, gale_s + 70)[0]


def test_a_lost_vane_that_is_believed_leaves_the_roof_open(make_weather):
    """The fault keeps the side that the vane gave last; the failure itself is reported all the same."""
    unit = make_weather({"lost_vane_keeps_lee": 1.0})
    gale_s = warm(unit)
    unit.set_level("direction", gale_s, 4.0)
    blow(unit, 20, gale_s, gale_s + 120)
    unit.set_level("direction", gale_s + 60, 0.0)
    unit.advance(gale_s + 100)
    assert unit.position("roof") == pytest.approx(20)
    assert unit.read("discrete", 11, 1, gale_s + 101)[0]


def test_cups_that_stand_still_too_long_have_failed(make_weather):
    """Twelve hours without a pulse count as a gale; the next pulse mends the cups."""
    unit = make_weather(bus_loss=None)
    unit.advance(T0 + 12 * 3600 + 1.9)
    assert unit.active == ()
    unit.advance(T0 + 12 * 3600 + 2.1)
    assert unit.active == ("gale",)
    assert unit.read("discrete", 12, 1, T0 + 12 * 3600 + 3)[0]
    unit.set_contact("cups", T0 + 13 * 3600, closed=True)
    unit.advance(T0 + 13 * 3600 + 60.1)
    assert unit.active == ()


@hypothesis_settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 400), max_size=60), st.integers(0, 9000))
def test_a_window_holds_the_pulses_of_its_span(spans_ms, asked_ms):
    """However pulses come, the window counts those of the last 3 s, as a plain search does."""
    window, at_ms, times_ms = PulseWindow(3.0), 0, []
    for span in spans_ms:
        at_ms += span
        times_ms.append(at_ms)
        window.pulse(at_ms / 1000)
    asked_ms = max(asked_ms, at_ms) + 0.5
    expected = sum(asked_ms - 3000 < t for t in times_ms)
    assert window.hz(asked_ms / 1000) == expected / 3.0
