"""Turbulence: what was asked for is what comes out, as far as a wind cannot blow below 0 m/s."""

from statistics import fmean, pstdev

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wind_averages import gust, mean

from ventproof.weather.turbulence import spectral_density, turbulent_wind

FEW = settings(max_examples=25, deadline=None)
USUAL = {"mean_m_per_s": 8.0, "intensity": 0.2, "for_s": 600.0, "seed": 7}


def intensity_of(wind):
    """Return the standard deviation over the mean; the last point is the first once more."""
    return pstdev(wind.values[:-1]) / fmean(wind.values[:-1])


@FEW
@given(
    st.floats(1, 30), st.floats(0.05, 1), st.integers(0, 10**9), st.sampled_from(["surface-layer", "isotropic"]),
    st.integers(9, 900),
)  # fmt: skip
def test_mean_is_kept_and_no_wind_is_negative(speed, intensity, seed, spectrum, points):
    """Whatever was clipped, the mean stays, no speed is below 0, and the intensity is true, or less with calms."""
    wind = turbulent_wind(
        mean_m_per_s=speed, intensity=intensity, for_s=points / 4, seed=seed, spectrum=spectrum
    )
    assert mean(wind, 0.0, wind.end_s) == pytest.approx(speed, abs=1e-6)
    assert wind.smallest() >= 0
    if wind.smallest() > 0:
        assert intensity_of(wind) == pytest.approx(intensity, abs=1e-5)
    else:
        assert intensity_of(wind) < intensity


def test_the_seed_decides():
    """The same seed makes the same wind, another seed another."""
    one, again = turbulent_wind(**USUAL), turbulent_wind(**USUAL)
    assert one == again
    assert turbulent_wind(**USUAL | {"seed": 8}) != one


def test_a_seeded_wind_stays_the_same_from_version_to_version():
    """The first points of one seed are pinned: a run can be repeated years later."""
    assert turbulent_wind(**USUAL).values[:3] == (9.29903, 7.108961, 7.755182)


def test_the_trace_has_a_point_every_quarter_second_and_closes():
    """600 s have 2400 steps of 0.25 s, and the last value is the first."""
    wind = turbulent_wind(**USUAL)
    assert wind.times_s[:3] == (0.0, 0.25, 0.5)
    assert (len(wind.times_s), wind.end_s) == (2401, 600.0)
    assert wind.values[0] == wind.values[-1]


def test_strong_turbulence_has_calms():
    """At 80 % intensity about one point in ten would be negative and is 0 instead: the intensity falls short."""
    wind = turbulent_wind(mean_m_per_s=2.0, intensity=0.8, for_s=600.0, seed=1)
    assert 0.05 < sum(v == 0 for v in wind.values[:-1]) / 2400 < 0.16
    assert 0.65 < intensity_of(wind) < 0.75


def test_gust_factors_are_those_of_the_trade():
    """At 20 % intensity the 3 s gust of ten minutes is 1.3 to 1.8 times the mean (common practice, no source)."""
    for seed in range(5):
        wind = turbulent_wind(**USUAL | {"seed": seed})
        assert 1.3 < gust(wind, 0.0, 600.0).value / 8.0 < 1.8


def test_spectra_begin_at_four_time_scales():
    """At 0 Hz either spectrum is 4 L / U."""
    for spectrum in ("surface-layer", "isotropic"):
        assert spectral_density(spectrum, 0.0, mean_m_per_s=10.0, length_m=50.0) == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mean_m_per_s": 0.0}, r"^mean_m_per_s=0.0 must be a finite number above 0$"),
        ({"length_m": float("inf")}, r"^length_m=inf must be a finite number above 0$"),
        ({"intensity": 20}, r"^intensity=20 must be more than 0 and at most 1; 0.2 means 20 %$"),
        ({"for_s": 1.0}, r"^for_s=1.0 s at every_s=0.25 s makes 4 points; 8 to 1000000 are possible$"),
        ({"every_s": -1.0}, r"^every_s=-1.0 must be a finite number above 0$"),
    ],
)
def test_impossible_turbulence_is_refused(change, message):
    """Numbers out of range are refused with the range."""
    with pytest.raises(ValueError, match=message):
        turbulent_wind(**USUAL | change)
