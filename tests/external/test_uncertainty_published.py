"""Uncertainty budgets against the GUM (JCGM 100:2008) and SciPy.

Clause numbers are from memory but for G.2b, which was seen; the inputs of example H.1 were compared with public code.
Every result was computed again with SciPy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from ventproof_bench.base.uncertainty import (
    Component,
    UncertaintyBudget,
    bounds,
    effective_freedom,
    resolution,
    scatter,
    within_span,
)

# GUM example H.1, calibration of an end gauge: standard uncertainties in nm and their degrees of freedom.
H1 = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))


def end_gauge():
    parts = (
        Component(what=f"part {n}", distribution="normal", half_width=u, freedom=nu)
        for n, (u, nu) in enumerate(H1)
    )
    return UncertaintyBudget("length", "nm", tuple(parts))


def test_the_end_gauge_of_the_gum_comes_out():
    """H.1.6: u_c = 32 nm, 16 effective degrees of freedom after truncation, U99 = 93 nm."""
    budget = end_gauge()
    assert budget.combined == pytest.approx(31.67, abs=0.005)
    assert round(budget.combined) == 32
    assert budget.freedom == pytest.approx(16.76, abs=0.01)
    t99 = stats.t.ppf(0.995, math.floor(budget.freedom))
    assert t99 == pytest.approx(2.92, abs=0.005)
    assert t99 * budget.combined == pytest.approx(92.5, abs=0.05)
    assert budget.expanded == 2 * budget.combined


@pytest.mark.parametrize(
    ("component", "standard"),
    [
        (bounds("half-width 1", 1.0), 0.57735),  # GUM 4.3.7: a/√3
        (resolution("one step", 1.0), 0.28868),  # GUM F.2.2.1: 0.29 of a step
        (within_span("polls a second apart", 1.0), 0.28868),  # the same rectangle
        (within_span("polls half a second apart", 0.5), 0.14434),
        (Component(what="triangle", distribution="triangular", half_width=1.0), 0.40825),  # GUM 4.3.9: a/√6
    ],
)
def test_bounds_become_standard_uncertainties(component, standard):
    """Half-widths are divided as the GUM says."""
    assert component.standard == pytest.approx(standard, abs=5e-6)
    assert component.freedom == math.inf


def test_the_divisors_are_those_of_the_distributions():
    """SciPy's uniform and triangular distributions on ±a have these standard deviations."""
    assert bounds("", 3.0).standard == pytest.approx(stats.uniform(-3, 6).std())
    triangle = Component(what="", distribution="triangular", half_width=3.0)
    assert triangle.standard == pytest.approx(stats.triang(0.5, -3, 6).std())


def test_an_interval_between_two_polled_events_is_the_root_of_two_larger():
    """Two independent rectangles of a second: 0.4082 s, the triangle of half-width 1 s."""
    twice = UncertaintyBudget("", "s", (within_span("begin", 1.0), within_span("end", 1.0)))
    assert twice.combined == pytest.approx(0.40825, abs=5e-6)
    assert twice.freedom == math.inf


def test_certain_bounds_do_not_limit_the_freedom():
    """One component of readings among certain bounds, freedom·(u_c/u)^4 (GUM G.4.1)."""
    assert effective_freedom([(1.0, 4.0), (1.0, math.inf)]) == pytest.approx(16.0)
    assert effective_freedom([(0.0, 4.0)]) == math.inf


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30))
def test_scatter_is_the_sample_standard_deviation(readings):
    """NumPy with ddof=1 says the same (GUM 4.2.2)."""
    made = scatter("readings", readings)
    assert made.standard == pytest.approx(np.std(readings, ddof=1), rel=1e-9, abs=1e-6)
    assert made.freedom == len(readings) - 1


def test_one_reading_has_no_scatter():
    """A single reading says nothing of how readings differ."""
    with pytest.raises(ValueError, match="needs two readings or more"):
        scatter("one", [1.0])
