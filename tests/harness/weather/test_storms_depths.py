"""Design storms, random showers, and intensity names."""

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulses_and_tips import steady_rain

from ventproof.weather.hyetograph import MassCurve
from ventproof.weather.storms import (
    OffsetIdf,
    PowerIdf,
    alternating_blocks,
    chicago_storm,
    depth_mm,
    random_showers,
    scs_storm,
)

FEW = settings(max_examples=40, deadline=None)
formulas = st.one_of(
    st.builds(OffsetIdf, st.floats(1, 5000), st.floats(0, 60), st.floats(0.1, 1)),
    st.builds(PowerIdf, st.floats(1, 5000), st.floats(0.1, 1), st.floats(0, 60)),
)


@FEW
@given(formulas, st.integers(1, 40), st.sampled_from([1, 2.5, 10]))
def test_alternating_blocks_hold_the_formulas_depth(idf, count, block_min):
    """The whole storm, and every run of heaviest blocks, holds what the formula gives for its duration."""
    storm = alternating_blocks(idf, duration_min=count * block_min, block_min=block_min)
    assert len(storm.pieces) == count
    depths = sorted((float(p.depth_mm) for p in storm.pieces), reverse=True)
    for k in range(1, count + 1):
        assert sum(depths[:k]) == pytest.approx(depth_mm(idf, k * block_min), rel=1e-9)
    peak = max(range(count), key=lambda k: storm.pieces[k].begins_mm_per_h)
    assert all(a.begins_mm_per_h <= b.begins_mm_per_h for a, b in pairwise(storm.pieces[: peak + 1]))
    assert all(a.begins_mm_per_h >= b.begins_mm_per_h for a, b in pairwise(storm.pieces[peak:]))


@pytest.mark.parametrize("a", [1, 3, 1000 / 3, 2718.28])
def test_a_depth_that_does_not_grow_all_falls_at_once(a):
    """A formula whose depth is the same for every duration puts it into one block, rounding notwithstanding."""
    flat = OffsetIdf(a=a, b=0, n=1)
    for storm in (
        alternating_blocks(flat, duration_min=200, block_min=1),
        chicago_storm(flat, duration_min=200, peak_at=0.375, block_min=1),
    ):
        assert float(storm.depth_mm) == pytest.approx(a / 60, rel=1e-12)
        wet = [p for p in storm.pieces if float(p.depth_mm) > 1e-9 * a]
        assert 1 <= len(wet) <= 2  # the Chicago storm parts it before and after the peak


@FEW
@given(formulas, st.sampled_from([0, 0.25, 0.375, 0.5, 1]), st.integers(1, 8))
def test_chicago_windows_hold_the_formulas_depth(idf, peak_at, eighths):
    """Every window that is parted around the peak as the storm is holds what the formula gives for its duration."""
    curve = MassCurve(chicago_storm(idf, duration_min=128, peak_at=peak_at, block_min=1))
    length_s = 16 * 60 * eighths
    start_s = Fraction(peak_at) * (128 * 60 - length_s)
    inside_mm = float(curve.depth_mm_by(start_s + length_s) - curve.depth_mm_by(start_s))
    assert inside_mm == pytest.approx(depth_mm(idf, length_s / 60), rel=1e-9)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: OffsetIdf(0, 1, 0.5), r"^a=0 must be more than 0$"),
        (lambda: OffsetIdf(1, -1, 0.5), r"^b=-1 must not be negative$"),
        (lambda: OffsetIdf(1, 1, 1.5), r"^n=1\.5 must be more than 0 and at most 1$"),
        (lambda: PowerIdf(1, 0, 1), r"^e=0 must be more than 0 and at most 1$"),
        (
            lambda: scs_storm("I", depth_mm=1),
            r"^'I' is not a type of 24-hour storm; write one of II, III, IA$",
        ),
        (lambda: scs_storm("II", depth_mm=0), r"^depth_mm=0 must be more than 0$"),
        (
            lambda: alternating_blocks(OffsetIdf(1, 1, 1), duration_min=10, block_min=3),
            r"^block_min=3 does not divide duration_min=10; use blocks that fill the storm$",
        ),
        (
            lambda: alternating_blocks(OffsetIdf(1, 1, 1), duration_min=1e6, block_min=1),
            r"^1000000 blocks are more than 10000; use longer blocks$",
        ),
        (
            lambda: chicago_storm(OffsetIdf(1, 1, 1), duration_min=10, peak_at=1.5, block_min=1),
            r"^peak_at=1\.5 must be 0 to 1, the share of the storm before its peak$",
        ),
        (
            lambda: showers(showers_per_h=1e6),
            r"^1e\+06 showers an hour over 36000 s are some 10000000 showers, more than 10000; use fewer",
        ),
        (lambda: showers(mean_shower_s=0), r"^mean_shower_s=0 must be more than 0$"),
    ],
)
def test_what_is_no_storm_is_refused(make, message):
    """Each number out of its range is named with its value and what would be right."""
    with pytest.raises(ValueError, match=message):
        make()


def showers(**change):
    usual = {"duration_s": 36_000, "showers_per_h": 4, "mean_shower_s": 600, "mean_mm_per_h": 6, "seed": 1}
    return random_showers(**{**usual, **change})


@FEW
@given(st.integers(0, 1000), st.sampled_from([0, 0.5, 4, 40]))
def test_showers_fill_their_span(seed, rate):
    """The showers' hyetograph lasts exactly the span, is dry at first, never negative, and the seed's alone."""
    rain = showers(seed=seed, showers_per_h=rate)
    assert rain.duration_s == 36_000
    assert rain.pieces[0].begins_mm_per_h == 0
    assert rain == showers(seed=seed, showers_per_h=rate)


def test_showers_change_with_the_seed():
    """Two seeds give two different rains, and no showers give a dry span."""
    assert showers(seed=1) != showers(seed=2)
    assert showers(showers_per_h=0) == steady_rain(0, duration_s=36_000)


def test_showers_keep_their_mean():
    """Over 50 seeded weeks the mean intensity is the product of the three means, to five per cent."""
    week_s = 7 * 86_400
    fallen_mm = sum(float(showers(seed=s, duration_s=week_s).depth_mm) for s in range(50))
    assert fallen_mm / (50 * week_s / 3600) == pytest.approx(4 * 600 / 3600 * 6, rel=0.05)
