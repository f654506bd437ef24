"""Turbulence against its published spectra, with SciPy's quadrature and periodogram as independent measures.

Source: T. Burton, D. Sharpe, N. Jenkins, E. Bossanyi, Wind Energy Handbook (2001), equations 2.23 (Kaimal), 2.24
(von Karman) and the ratio of their length scales, 2.329. Kolmogorov's -5/3 law holds for both at high frequencies.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.signal import periodogram, welch
from scipy.stats import kurtosis, skew

from ventproof.weather.turbulence import spectral_density, turbulent_wind

BOTH = pytest.mark.parametrize("spectrum", ["surface-layer", "isotropic"])
SITE = {"mean_m_per_s": 10.0, "length_m": 56.7}


def points_of(spectrum, seed, for_s=1200.0, every_s=0.25, **more):
    site = SITE | more
    wind = turbulent_wind(intensity=0.15, for_s=for_s, every_s=every_s, seed=seed, spectrum=spectrum, **site)
    assert wind.smallest() > 0
    return np.array(wind.values[:-1])


@BOTH
def test_the_area_of_a_spectrum_is_the_variance(spectrum):
    """Integrated over all frequencies, density over variance is 1."""
    # In x = f L / U, split where the integrand bends.
    area = sum(
        quad(lambda f: spectral_density(spectrum, f, mean_m_per_s=1.0, length_m=1.0), a, b, limit=500)[0]
        for a, b in ((0.0, 0.1), (0.1, 10.0), (10.0, np.inf))
    )
    assert area == pytest.approx(1.0, abs=2e-4)


@BOTH
def test_high_frequencies_follow_the_five_thirds_law(spectrum):
    """Ten times the frequency is 10^(-5/3) of the density."""
    high, higher = (spectral_density(spectrum, f, **SITE) for f in (100.0, 1000.0))
    assert higher / high == pytest.approx(10 ** (-5 / 3), rel=5e-3)


def test_the_two_spectra_meet_at_high_frequencies():
    """With length scales in the ratio 2.329 both have the same density at high frequencies."""
    ratio = (36 / 70.8) ** -1.25
    assert ratio == pytest.approx(2.329, abs=1e-3)
    von_karman = spectral_density("isotropic", 1000.0, mean_m_per_s=10.0, length_m=50.0)
    kaimal = spectral_density("surface-layer", 1000.0, mean_m_per_s=10.0, length_m=50.0 * ratio)
    assert kaimal == pytest.approx(von_karman, rel=1e-3)


def test_the_kaimal_peak_lies_where_its_derivative_says():
    """The product f S(f) of Kaimal's spectrum is largest at f L / U = 1/4 (from its derivative)."""
    x = np.linspace(0.01, 2, 20_000)
    density = [f * spectral_density("surface-layer", f, mean_m_per_s=1.0, length_m=1.0) for f in x]
    assert x[int(np.argmax(density))] == pytest.approx(0.25, abs=1e-3)


@BOTH
def test_a_made_wind_has_the_spectrum(spectrum):
    """SciPy's periodogram of one wind is the published spectrum, scaled as one to the asked variance."""
    points = points_of(spectrum, seed=3)
    frequencies, measured = periodogram(points, fs=4.0)
    wanted = np.array([spectral_density(spectrum, f, **SITE) for f in frequencies])
    ratio = measured[1:-1] / wanted[1:-1]
    # Speeds are rounded to 1e-6 m/s, which shows in the smallest waves only.
    assert ratio == pytest.approx(np.full(len(ratio), ratio.mean()), rel=1e-3)
    # Waves slower than the trace and faster than 2 Hz are missing; the rest carries their variance.
    assert 1.0 < ratio.mean() / (0.15 * 10.0) ** 2 < 1.15
    assert points.std() / points.mean() == pytest.approx(0.15, abs=1e-6)


@BOTH
def test_the_mean_spectrum_of_many_winds(spectrum):
    """Welch's method, blind to the frequencies that were used, finds the spectrum within 15 % over two decades."""
    spectra = [welch(points_of(spectrum, seed), fs=4.0, nperseg=1024) for seed in range(12)]
    frequencies = spectra[0][0]
    mean = np.mean([density for _, density in spectra], axis=0)
    for low, high in ((0.015, 0.05), (0.05, 0.2), (0.2, 0.8), (0.8, 1.5)):
        band = (frequencies >= low) & (frequencies < high)
        wanted = [spectral_density(spectrum, f, **SITE) * 1.5**2 for f in frequencies[band]]
        assert mean[band].sum() == pytest.approx(sum(wanted), rel=0.15)


def test_speeds_are_spread_as_a_normal_distribution():
    """Many waves of random phase add up to a normal distribution: hardly any skew or excess kurtosis (SciPy)."""
    points = np.concatenate([points_of("surface-layer", seed) for seed in range(8)])
    assert abs(skew(points)) < 0.25
    assert abs(kurtosis(points)) < 0.5
