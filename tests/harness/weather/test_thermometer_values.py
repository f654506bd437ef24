"""Resistance thermometers: each law holds, and what no sensor can show is refused."""

from math import exp, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.weather.thermometer import PT100, PT1000, BetaLaw, Platinum, SteinhartHart

FEW = settings(max_examples=100, deadline=None)
NTC = BetaLaw(ohm=10_000.0, beta_k=3950.0)


@FEW
@given(st.floats(-200, 849), st.floats(1e-6, 1))
def test_platinum_rises(temperature, more):
    """A warmer platinum thermometer has more resistance."""
    low, high = PT100.resistance_ohm(temperature), PT100.resistance_ohm(temperature + more)
    assert high > low


def test_a_pt1000_is_ten_pt100s():
    """Ten times the resistance at every temperature."""
    assert PT1000.resistance_ohm(-40.0) == pytest.approx(10 * PT100.resistance_ohm(-40.0))


@FEW
@given(st.floats(-60, 150), st.floats(1e2, 1e6), st.floats(2500, 5000), st.floats(0, 50))
def test_the_beta_law_goes_through_its_reference(temperature, ohm, beta, at_c):
    """The reference point is on the curve, and from there the resistance falls or rises by the law's factor."""
    law = BetaLaw(ohm=ohm, beta_k=beta, at_c=at_c)
    assert law.resistance_ohm(at_c) == pytest.approx(ohm)
    factor = exp(beta * (at_c - temperature) / ((temperature + 273.15) * (at_c + 273.15)))
    assert law.resistance_ohm(temperature) == pytest.approx(ohm * factor)


@FEW
@given(
    st.floats(-60, 150),
    st.floats(0.5e-3, 4e-3),
    st.floats(1e-4, 4e-4),
    st.sampled_from([0.0, 1e-150, 1e-28, 1e-9, 9e-8, 7e-7, 1e-4]),
)
def test_the_resistance_solves_the_three_parameter_law(temperature, a, b, c):
    """Put in again it gives the temperature, with no, a faint and a strong cubic term, above and below 1 ohm."""
    ln = log(SteinhartHart(a, b, c).resistance_ohm(temperature))
    assert 1 / (a + b * ln + c * ln**3) - 273.15 == pytest.approx(temperature, abs=1e-7)


def test_the_beta_law_is_the_three_parameter_law_without_its_cube():
    """Both laws agree where c is 0."""
    kelvin, beta = 298.15, 3950.0
    same = SteinhartHart(1 / kelvin - 9.210340371976184 / beta, 1 / beta, 0.0)  # ln 10,000
    for temperature in (-20.0, 0.0, 25.0, 50.0):
        assert same.resistance_ohm(temperature) == pytest.approx(NTC.resistance_ohm(temperature))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Platinum(0.0), r"^ohm_at_0_c=0.0 must be a finite resistance above 0 ohm$"),
        (
            lambda: PT100.resistance_ohm(-201.0),
            r"^-201.0 °C is outside what IEC 60751 covers; give -200 °C to 850 °C$",
        ),
        (lambda: BetaLaw(ohm=-1.0, beta_k=3950.0), r"^-1.0 ohm must be a finite resistance above 0 ohm"),
        (lambda: BetaLaw(ohm=1.0, beta_k=0.0), r"^beta_k=0.0 must be a finite number of kelvin above 0$"),
        (
            lambda: NTC.resistance_ohm(-273.15),
            r"^-273.15 °C is not a temperature; give more than -273.15 °C$",
        ),
        (
            lambda: NTC.resistance_ohm(-272.0),
            r"^at -272.0 °C this law gives no resistance that can be written down$",
        ),
        (lambda: SteinhartHart(float("nan"), 1e-4, 0.0), r"^a=nan must be a finite number$"),
        (lambda: SteinhartHart(1e-3, -1e-4, 0.0), r"^b=-0.0001 must be a finite number above 0; check the"),
        (lambda: SteinhartHart(1e-3, 1e-4, -1e-7), r"^c=-1e-07 must be a finite number from 0 up; check the"),
    ],
)
def test_what_no_sensor_shows_is_refused(make, message):
    """Temperatures, resistances and coefficients that cannot be are refused with what would be right."""
    with pytest.raises(ValueError, match=message):
        make()
