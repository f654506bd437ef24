"""The tipping bucket: intensities and times worked out by hand."""

import pytest

T0 = 1000.0
DEBOUNCE_S = 0.02


def tip(unit, *times_s):
    """Play tips of 100 ms."""
    for at_s in times_s:
        unit.set_contact("bucket", at_s, closed=True)
        unit.set_contact("bucket", at_s + 0.1, closed=False)


def rate(unit, at_s):
    """Read the intensity, mm/h."""
    return unit.read("input", 12, 1, at_s)[0] / 10


def test_the_intensity_is_that_of_the_last_three_tips(make_weather):
    """Tips of 0.2 mm after 0, 60 and 100 s: 0.4 mm in 100 s are 14.4 mm/h; then 0.2 mm in the time since."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 61, T0 + 101)
    assert rate(unit, T0 + 60) == 0
    assert rate(unit, T0 + 62) == 12.0
    assert rate(unit, T0 + 102) == 14.4
    assert rate(unit, T0 + 101 + 72.02) == 10.0
    assert rate(unit, T0 + 101 + 144.02) == 5.0


def test_an_older_tip_leaves_the_window(make_weather):
    """The fourth tip replaces the first: 0.4 mm in 40 + 20 s are 24 mm/h."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 61, T0 + 101, T0 + 121)
    assert rate(unit, T0 + 122) == 24.0


def test_rain_by_tips_begins_the_rain_override(make_weather):
    """10 mm/h are reached with the second tip 72 s after the first, and the entry delay of 2 s follows."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 73)
    begins_s = T0 + 73 + DEBOUNCE_S + 2
    unit.advance(begins_s - 0.001)
    assert unit.active == ()
    unit.advance(begins_s + 0.001)
    assert unit.active == ("rain",)
    assert unit.read("discrete", 8, 1, begins_s + 1)[0]
    assert unit.read("discrete", 1, 1, begins_s + 1)[0] == 0


def test_a_tip_too_late_for_the_threshold_starts_nothing(make_weather):
    """73 s between two tips are 9.9 mm/h."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 74)
    unit.advance(T0 + 100)
    assert unit.active == ()


def test_rain_by_tips_ends_when_the_next_tip_is_overdue(make_weather):
    """6 mm/h, the threshold less the hysteresis, are a tip in 120 s; 30 s later the override ends."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 21)
    ends_s = T0 + 21 + DEBOUNCE_S + 120 + 30
    unit.advance(ends_s - 0.001)
    assert unit.active == ("rain",)
    unit.advance(ends_s + 0.001)
    assert unit.active == ()


def test_the_contact_keeps_up_a_rain_that_the_tips_let_go(make_weather):
    """The override lasts while either the contact or the bucket says rain."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 21)
    unit.set_contact("rain", T0 + 100, closed=True)
    unit.set_contact("rain", T0 + 400, closed=False)
    unit.advance(T0 + 429)
    assert unit.active == ("rain",)
    unit.advance(T0 + 431)
    assert unit.active == ()


def test_a_pause_ends_the_shower(make_weather):
    """After 120 s without a tip earlier ones are forgotten: the next two alone make the intensity."""
    unit = make_weather()
    tip(unit, T0 + 1, T0 + 21, T0 + 200, T0 + 240)
    assert rate(unit, T0 + 201) == 0
    assert rate(unit, T0 + 241) == 18.0


@pytest.mark.parametrize(("faults", "counts"), [({}, 3), ({"words_swapped": 1}, 3 << 16)])
def test_tips_are_counted(make_weather, faults, counts):
    """The tip counter stands in the two registers after the intensity, high word first."""
    unit = make_weather(faults, tip_rate={"counted": 0})
    tip(unit, T0 + 1, T0 + 2, T0 + 3)
    high, low = unit.read("input", 13, 2, T0 + 4)
    assert high << 16 | low == counts


def test_two_tips_at_one_instant_harm_nobody(make_weather):
    """Without debounce two closures at one instant count twice and make an intensity beyond the register."""
    unit = make_weather(tip_rate={"debounce": "0 s", "counted": 0})
    for closed in (True, False, True):
        unit.set_contact("bucket", T0 + 1, closed=closed)
    assert unit.read("input", 12, 1, T0 + 1.1)[0] == 0xFFFF
    assert unit.read("input", 13, 2, T0 + 2)[1] == 2
