"""Conformity against JCGM 106:2012, ILAC-G8:09/2019, ISO 14253-1:2017, the GUM and SciPy.

Marks: (seen) a public page or public data shows the number; (memory) the example's inputs or wording
are from memory and only the arithmetic was recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from ventproof.statistics.conformity import Limits, Normal, Rectangular, conformance, global_risks, guarded

RESISTORS = Limits(lower=1499.80, upper=1500.20)


@pytest.mark.parametrize(
    ("estimate", "u", "tolerance", "expected"),
    [
        (-5.47, 0.05, Limits(upper=-5.40), 0.919),  # 7.3 Zener voltage, V
        (509.7, 8.6, Limits(lower=490.0), 0.989),  # 7.3 burst strength, kPa
        (13.6, 1.8, Limits(lower=12.5, upper=16.3), 0.663),  # 7.4 viscosity, mm2/s
    ],
)
def test_conformance_matches_the_guide(estimate, u, tolerance, expected):
    """JCGM 106:2012 7.3 and 7.4 worked examples (memory)."""
    assert conformance(estimate, Normal(u), tolerance) == pytest.approx(expected, abs=0.0006)


@pytest.mark.parametrize(
    ("guard_band", "consumer", "producer"),
    [
        (0.02, 0.00988, 0.06903),  # the guide's own: about 1 % and 7 % (inputs seen in public data)
        (0.0, 0.01894, 0.03721),  # simple acceptance, recomputed
        (-0.04, 0.04490, 0.00710),  # relaxed, recomputed
    ],
)
def test_global_risks_match_the_guide(guard_band, consumer, producer):
    """JCGM 106:2012 9.5 resistors: process 1500.00 +- 0.12 ohm, measured with 0.04 ohm."""
    risks = global_risks(
        process_mean=1500.0,
        process_sd=0.12,
        measurement_sd=0.04,
        tolerance=RESISTORS,
        acceptance=guarded(RESISTORS, guard_band),
    )
    assert risks.consumer == pytest.approx(consumer, abs=6e-6)
    assert risks.producer == pytest.approx(producer, abs=6e-6)


@pytest.mark.parametrize("measurement_sd", [0.001, 0.04, 0.5])
def test_global_risks_match_the_bivariate_normal(measurement_sd):
    """SciPy's bivariate normal of true value and reading gives the same risks, even with narrow errors."""
    accept = guarded(RESISTORS, 0.05)
    risks = global_risks(
        process_mean=1500.05,
        process_sd=0.12,
        measurement_sd=measurement_sd,
        tolerance=RESISTORS,
        acceptance=accept,
    )
    variance = 0.12**2
    joint = stats.multivariate_normal(
        mean=[1500.05, 1500.05], cov=[[variance, variance], [variance, variance + measurement_sd**2]]
    )
    both = joint.cdf(
        [RESISTORS.upper, accept.upper],
        lower_limit=[RESISTORS.lower, accept.lower],
        rng=np.random.default_rng(1),
    )
    reading = stats.norm(1500.05, np.hypot(0.12, measurement_sd))
    accepted = reading.cdf(accept.upper) - reading.cdf(accept.lower)
    assert risks.consumer == pytest.approx(accepted - both, abs=1e-6)
    true = stats.norm(1500.05, 0.12)
    assert risks.producer == pytest.approx(true.cdf(1500.2) - true.cdf(1499.8) - both, abs=1e-6)


@pytest.mark.parametrize(
    ("factor", "k", "risk"),
    [
        (0.0, 2.0, 0.5),  # simple acceptance
        (1.0, 2.0, 0.02275),
        (1.0, 1.96, 0.02500),
        (0.83, 2.0, 0.0485),  # ISO 14253-1:2017 claims less than 5 %
        (0.83, 1.96, 0.0519),  # and does not keep it with k = 1.96
        (1.5, 1.96, 0.00164),
        (1.5, 2.0, 0.00135),
        (3.0, 2.0, 1e-9),
    ],
)
def test_specific_risks_match_the_guard_band_table(factor, k, risk):
    """ILAC-G8:09/2019 table 1 and ISO 14253-1:2017: risk at an acceptance limit, w = factor x U.

    Rules seen in public data, risks recomputed.
    """
    uncertainty = Normal(1.0)
    limit = guarded(Limits(upper=10.0), factor * k).upper
    assert 1 - conformance(limit, uncertainty, Limits(upper=10.0)) == pytest.approx(risk, rel=4e-3, abs=1e-10)


@pytest.mark.parametrize(("poll_period_s", "u_s"), [(1.0, 0.2887), (0.5, 0.1443)])
def test_rectangular_uncertainty_matches_the_gum(poll_period_s, u_s):
    """JCGM 100:2008 4.3.7 and F.2.2.1: an event seen by polling has u = P / sqrt(12) (seen: 0.2887 q)."""
    assert Rectangular(poll_period_s / 2).standard == pytest.approx(u_s, abs=5e-5)


@pytest.mark.parametrize("estimate", [-3.0, 0.4, 1.0, 7.5])
def test_conformance_matches_scipy(estimate):
    """SciPy's normal and uniform distributions give the same probabilities."""
    limits = Limits(lower=0.0, upper=1.5)
    normal, flat = stats.norm(estimate, 0.7), stats.uniform(estimate - 0.7, 1.4)
    assert conformance(estimate, Normal(0.7), limits) == pytest.approx(normal.cdf(1.5) - normal.cdf(0.0))
    assert conformance(estimate, Rectangular(0.7), limits) == pytest.approx(flat.cdf(1.5) - flat.cdf(0.0))
