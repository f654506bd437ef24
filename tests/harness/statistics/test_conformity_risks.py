"""Conformity: what must hold for every reading, limit and uncertainty."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.statistics.conformity import Limits, Normal, Rectangular, conformance, global_risks, guarded

UNCERTAINTIES = st.one_of(st.floats(0.01, 1).map(Normal), st.floats(0.01, 1).map(Rectangular))
ONE_OR_TWO_SIDED = st.sampled_from([Limits(upper=5.0), Limits(lower=-5.0), Limits(lower=-5.0, upper=5.0)])
PROBABILITIES = st.sampled_from([0.5, 0.8, 0.95, 0.999])


@settings(max_examples=60, deadline=None)
@given(st.floats(-20, 20), UNCERTAINTIES)
def test_one_sided_probabilities_add_up(reading, uncertainty):
    """Above and below one limit share the whole probability between them."""
    above = conformance(reading, uncertainty, Limits(lower=1.0))
    assert above + conformance(reading, uncertainty, Limits(upper=1.0)) == pytest.approx(1.0, abs=1e-12)


def test_far_tails_keep_their_digits():
    """A hopeless reading has a small probability rather than zero, on either side alike."""
    high = conformance(20.0, Normal(1.0), Limits(lower=-1.0, upper=0.0))
    assert high == pytest.approx(conformance(-21.0, Normal(1.0), Limits(lower=-1.0, upper=0.0)), rel=1e-9)
    assert 0 < high < 1e-80


def test_simple_acceptance_is_no_guard_band():
    """A guard band of zero leaves the limits as they are, a negative one widens them."""
    tolerance = Limits(lower=10.0, upper=20.0)
    assert guarded(tolerance, 0.0) == tolerance
    assert guarded(tolerance, -1.0) == Limits(lower=9.0, upper=21.0)


@settings(max_examples=25, deadline=None)
@given(st.floats(-3, 3), st.floats(0.2, 3), st.floats(0.001, 2), st.floats(-0.4, 0.9))
def test_risks_over_a_lot_are_shares(mean, spread, error, band):
    """Every risk is a share of the lot, and what conforms bounds the producer's."""
    tolerance = Limits(lower=-1.0, upper=1.0)
    risks = global_risks(
        process_mean=mean,
        process_sd=spread,
        measurement_sd=error,
        tolerance=tolerance,
        acceptance=guarded(tolerance, band),
    )
    lot = NormalDist(mean, spread)
    conforming = lot.cdf(1.0) - lot.cdf(-1.0)
    assert -1e-12 <= risks.producer <= conforming + 1e-9
    assert -1e-12 <= risks.consumer <= 1 - conforming + 1e-9


def test_a_guard_band_trades_false_passes_for_false_fails():
    """Drawing the acceptance limits in lowers the consumer's risk and raises the producer's."""
    tolerance = Limits(upper=1.0)
    plain, tight = (
        global_risks(
            process_mean=0.0, process_sd=0.5, measurement_sd=0.1, tolerance=tolerance, acceptance=accept
        )
        for accept in (None, guarded(tolerance, 0.2))
    )
    assert tight.consumer < plain.consumer
    assert tight.producer > plain.producer


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (Limits, r"^limits without a finite side decide nothing; give lower, upper or both$"),
        (lambda: Limits(lower=2.0, upper=1.0), r"^lower=2\.0 must not be above upper=1\.0$"),
        (lambda: Limits(lower=math.nan, upper=1.0), r"^lower=nan must not be above upper=1\.0$"),
        (lambda: Normal(0.0), r"^standard=0\.0 must be finite and more than zero$"),
        (lambda: Rectangular(math.inf), r"^half_width=inf must be finite and more than zero$"),
        (
            lambda: conformance(math.nan, Normal(1.0), Limits(upper=1.0)),
            r"^estimate=nan must be a finite number$",
        ),
        (lambda: guarded(Limits(lower=0.0, upper=1.0), 0.6), r"it must be at most 0\.5$"),
        (lambda: guarded(Limits(upper=1.0), math.inf), r"^guard_band=inf must be a finite number$"),
        (
            lambda: global_risks(
                process_mean=0.0, process_sd=0.0, measurement_sd=1.0, tolerance=Limits(upper=1.0)
            ),
            r"^process_sd=0\.0 must be finite and more than zero$",
        ),
        (
            lambda: global_risks(
                process_mean=math.inf, process_sd=1.0, measurement_sd=1.0, tolerance=Limits(upper=1.0)
            ),
            r"^process_mean=inf must be finite$",
        ),
    ],
)
def test_impossible_questions_are_refused(call, message):
    """Each refusal names the value and what would be right."""
    with pytest.raises(ValueError, match=message):
        call()
