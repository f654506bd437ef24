"""Vanes with a gap."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.weather.vane import PotentiometerVane, normal_deg

VANE = PotentiometerVane(full_ohm=10_000.0, gap_deg=6.0)
FEW = settings(max_examples=60, deadline=None)


def between_deg(one_deg, other_deg):
    """Return the smaller angle between two directions."""
    apart_deg = (one_deg - other_deg) % 360
    return min(apart_deg, 360 - apart_deg)


@pytest.mark.parametrize(
    ("from_deg", "ohm"), [(3.0, 0.0), (90.0, 10_000 * 87 / 354), (180.0, 5000.0), (357.0, 10_000.0)]
)
def test_the_track_runs_from_gap_to_gap(from_deg, ohm):
    """With 6 degrees of gap about north, 3 degrees is the track's beginning and 357 its end."""
    assert VANE.resistance_ohm(from_deg) == pytest.approx(ohm)


@pytest.mark.parametrize("from_deg", [0.0, 360.0, 2.9, 357.1, -1.0])
def test_in_the_gap_the_wiper_touches_nothing(from_deg):
    """Between 357 and 3 degrees the circuit is open."""
    assert VANE.resistance_ohm(from_deg) is None


@FEW
@given(st.floats(0, 359.9), st.floats(0, 20), st.floats(0, 359))
def test_the_wiper_stands_where_the_wind_comes_from(from_deg, gap_deg, centre_deg):
    """Outside the gap the place on the track, clockwise from its beginning, is the direction; inside is none."""
    vane = PotentiometerVane(full_ohm=1000.0, gap_deg=gap_deg, gap_centre_deg=centre_deg)
    share = vane.share(from_deg)
    off_deg = between_deg(from_deg, centre_deg)
    if off_deg > gap_deg / 2 + 1e-9:
        along_deg = share * (360 - gap_deg)
        assert between_deg(centre_deg + gap_deg / 2 + along_deg, from_deg) < 1e-9
    elif off_deg < gap_deg / 2 - 1e-9:
        assert share is None


def test_a_vane_without_a_gap_begins_again_at_north():
    """A gap of nothing leaves every direction on the track."""
    assert PotentiometerVane(full_ohm=360.0, gap_deg=0.0).resistance_ohm(359.0) == pytest.approx(359.0)


def test_a_hair_west_of_north_is_still_a_direction():
    """Directions stay below 360 even where rounding would reach it."""
    assert normal_deg(-1e-20) == 0.0
    assert normal_deg(720.0) == 0.0


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: PotentiometerVane(full_ohm=0.0), r"^full_ohm=0.0 must be a finite resistance above 0 ohm$"),
        (
            lambda: PotentiometerVane(full_ohm=1.0, gap_deg=360.0),
            r"^gap_deg=360.0 must be from 0 to less than 360$",
        ),
        (lambda: normal_deg(float("nan")), r"^nan is not a direction; give degrees clockwise from north$"),
    ],
)
def test_wrong_vanes_are_refused(make, message):
    """Numbers out of range are refused with the range."""
    with pytest.raises(ValueError, match=message):
        make()
