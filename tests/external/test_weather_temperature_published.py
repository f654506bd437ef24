"""Temperature sensors and levels against published values and independent solvers.

Sources stand beside each check. 'From memory' marks what was not seen in print; the tables of resistances
from -50 °C to 130 °C and at round hundreds are also those of the CRAN package `thermocouple`.
"""

import pytest
from numpy.polynomial import Polynomial
from scipy.optimize import brentq

from ventproof.weather.levels import level_scale
from ventproof.weather.thermometer import PT100, BetaLaw, SteinhartHart

IEC_60751 = {
    -200: 18.520, -100: 60.256, -50: 80.306, -40: 84.271, -20: 92.160, -10: 96.086, 0: 100.000, 10: 103.903,
    20: 107.793, 25: 109.735, 30: 111.673, 40: 115.541, 50: 119.397, 60: 123.242, 80: 130.897, 100: 138.5055,
    200: 175.856, 850: 390.481,
}  # fmt: skip
CALCULATOR = ((5.0, 25_000.0), (25.0, 10_000.0), (45.0, 4_000.0))
COMMON_10K = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)


def read_by(law, ohm):
    """Return the temperature at which a law has a resistance, by Brent's method (SciPy)."""
    return brentq(lambda t: law.resistance_ohm(t) - ohm, -50, 150, xtol=1e-10)


@pytest.mark.parametrize(("temperature", "ohm"), IEC_60751.items())
def test_platinum_table(temperature, ohm):
    """IEC 60751:2008 and 2022, resistances of a Pt100."""
    # One unit in the last place: one public table rounds 107.7935 and 138.5055 up.
    assert PT100.resistance_ohm(temperature) == pytest.approx(ohm, abs=6e-4)


def test_platinum_between_decades_below_zero():
    """-49 °C is 80.70 ohm; a published function in circulation prints 79.91, having gone the wrong way from -50 °C."""
    assert PT100.resistance_ohm(-49.0) == pytest.approx(80.70, abs=5e-3)


def test_platinum_slope_and_coefficient():
    """Slope 0.3908 ohm/°C at 0 °C and 0.3879 at 25 °C; alpha 3.851e-3 (IEC 60751, scope), 3.85055e-3 worked out."""
    for temperature_c, slope in ((0.0, 0.3908), (25.0, 0.3879)):
        ends = [PT100.resistance_ohm(temperature_c + half) for half in (-1e-3, 1e-3)]
        assert (ends[1] - ends[0]) / 2e-3 == pytest.approx(slope, abs=5e-5)
    alpha = (PT100.resistance_ohm(100.0) - 100.0) / 100.0 / 100.0
    assert alpha == pytest.approx(3.85055e-3, abs=5e-9)
    assert alpha == pytest.approx(3.851e-3, abs=1e-6)


@pytest.mark.parametrize("temperature", [-199.9, -151.3, -49.95, -0.01, 0.01, 24.99, 402.7, 849.9])
def test_platinum_by_an_independent_polynomial(temperature):
    """NumPy's polynomials with the standard's coefficients give the same resistance."""
    warm = Polynomial([1, 3.9083e-3, -5.775e-7])
    cold = warm + Polynomial([0, 0, 0, -100 * -4.183e-12, -4.183e-12])
    curve = cold if temperature < 0 else warm
    assert PT100.resistance_ohm(temperature) == pytest.approx(100 * curve(temperature), rel=1e-12)


def test_sample_of_a_calculator():
    """Coefficients that a public calculator gives for three points go through them (they are no real part)."""
    law = SteinhartHart(2.108508173e-3, 0.7979204727e-4, 6.535076315e-7)
    for temperature, ohm in CALCULATOR:
        assert law.resistance_ohm(temperature) == pytest.approx(ohm, rel=1e-7)


@pytest.mark.parametrize(
    ("ohm", "temperature"),
    [(32_650, 0.0002), (10_000, 24.9997), (5_000, 41.572), (3_603, 49.986), (1_000, 87.168)],
)
def test_common_10k_curve(ohm, temperature):
    """Coefficients of a common 10 kohm curve (from memory); 32.66 kohm at 0 and 3.60 kohm at 50 °C are published."""
    assert read_by(COMMON_10K, ohm) == pytest.approx(temperature, abs=6e-4)


def test_common_10k_curve_as_published():
    """R10k columns of CRAN `thermocouple`: 32.66 kohm at 0 °C, 3.600 to 3.602 kohm at 50 °C."""
    assert COMMON_10K.resistance_ohm(0.0) == pytest.approx(32_660, abs=15)
    assert COMMON_10K.resistance_ohm(50.0) == pytest.approx(3_601, abs=2)


@pytest.mark.parametrize(
    ("beta", "temperature", "ohm"),
    [
        (3950, -20, 105_384.7), (3950, 0, 33_620.6), (3950, 10, 20_174.6), (3950, 35, 6_505.5),
        (3950, 50, 3_588.2), (3950, 85, 1_086.7), (3435, 0, 28_704.3), (3435, 50, 4_101.2), (3435, 85, 1_451.3),
    ],
)  # fmt: skip
def test_beta_law(beta, temperature, ohm):
    """Resistances of 10 kohm thermistors by the beta law, worked out apart from this project."""
    law = BetaLaw(ohm=10_000.0, beta_k=beta)
    assert law.resistance_ohm(temperature) == pytest.approx(ohm, abs=0.051)


def test_two_laws_differ_by_half_a_degree_at_freezing():
    """At 32,650 ohm beta 3950 reads 0.55 °C where the common curve reads 0.00: the law errs, not the sensor."""
    assert read_by(BetaLaw(ohm=10_000.0, beta_k=3950.0), 32_650) == pytest.approx(0.55, abs=5e-3)
    assert read_by(COMMON_10K, 32_650) == pytest.approx(0.0, abs=5e-3)


@pytest.mark.parametrize(("percent", "ma"), [(0, 4), (25, 8), (50, 12), (75, 16), (100, 20)])
def test_current_loop(percent, ma):
    """IEC 60381-1, direct current signals: the five points of a 4-20 mA loop."""
    assert level_scale((4.0, 20.0), 0.0, 100.0).level(percent) == pytest.approx(ma)


@pytest.mark.parametrize(("ma", "percent"), [(3.8, -1.25), (20.5, 103.125), (3.6, -2.5), (21.0, 106.25)])
def test_namur_limits_as_percent_of_span(ma, percent):
    """NAMUR NE 43 limits in per cent of span, worked out apart from this project."""
    assert level_scale((4.0, 20.0), 0.0, 100.0).value(ma) == pytest.approx(percent)
