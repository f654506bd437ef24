"""Bounds and limits against the NIST/SEMATECH e-Handbook, ISO 16269-6, SciPy, NumPy and statsmodels.

Marks: (seen) a public page or public data shows the number; (recomputed) by an independent tool; (memory) the
table was remembered and then recomputed.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.stats.proportion import proportion_confint

from ventproof.statistics.repeats import RepeatCounts, clopper_pearson, fail_rate, success_run_repeats
from ventproof.statistics.tolerance_limits import normal_factor, order_confidence, order_repeats, quantile
from ventproof_bench.base.evidence import Window


@pytest.mark.parametrize(
    ("reliability", "confidence", "repeats"),
    [
        (0.90, 0.90, 22),
        (0.95, 0.95, 59),
        (0.99, 0.95, 299),
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.99, 0.99, 459),
        (0.99, 0.90, 230),
        (0.999, 0.95, 2995),  # seen: documentation of the Python package reliability
    ],
)
def test_success_run_numbers(reliability, confidence, repeats):
    """Binomial with zero failures (recomputed); the rival with a uniform prior gives one fewer."""
    assert success_run_repeats(reliability, confidence) == repeats
    assert math.ceil(math.log(1 - confidence) / math.log(reliability) - 1) == repeats - 1


def test_what_59_clean_repeats_prove():
    """Upper failure rate 0.049508 at 95 % (recomputed); the rule of three says 3/59, a little more."""
    fails_at_most = 1 - clopper_pearson(59, 59, 0.95, "lower").lower
    assert fails_at_most == pytest.approx(0.049508, abs=5e-7)
    assert fails_at_most < 3 / 59


def test_exact_interval_of_the_handbook():
    """NIST/SEMATECH 7.2.4.1, 4 of 20 at 90 % (seen).

    The page prints an upper bound of 0.401029, then an interval ending at 0.400; true is 0.4010281.
    """
    bounds = clopper_pearson(4, 20, 0.90)
    assert bounds.lower == pytest.approx(0.071354, abs=1e-5)
    assert bounds.upper == pytest.approx(0.401028, abs=1e-5)


@pytest.mark.parametrize(
    ("bounds", "expected"),
    [
        (clopper_pearson(12, 100, 0.95), (0.0635689, 0.2002357)),
        (clopper_pearson(0, 20, 0.95), (0.0, 0.168433)),
        (clopper_pearson(20, 20, 0.95), (0.831567, 1.0)),
    ],
)
def test_intervals_recomputed_by_two_packages(bounds, expected):
    """12 of 100 and the edges at 95 % (recomputed: SciPy and statsmodels agree)."""
    assert (bounds.lower, bounds.upper) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.99])
@pytest.mark.parametrize(("k", "n"), [(0, 1), (1, 1), (3, 7), (58, 59), (400, 1000)])
def test_intervals_match_scipy_and_statsmodels(k, n, confidence):
    """The exact interval, two-sided and one-sided, agrees with independent packages."""
    mine = clopper_pearson(k, n, confidence)
    assert (mine.lower, mine.upper) == pytest.approx(
        proportion_confint(k, n, alpha=1 - confidence, method="beta"), abs=1e-9
    )
    for side, alternative in (("two-sided", "two-sided"), ("lower", "greater"), ("upper", "less")):
        one = clopper_pearson(k, n, confidence, side)
        theirs = stats.binomtest(k, n, alternative=alternative).proportion_ci(confidence, method="exact")
        assert (one.lower, one.upper) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize(
    ("fails", "runs", "published"),
    [
        (81, 263, (0.2527, 0.3676)),
        (15, 148, (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1684)),
        (1, 29, (0.0009, 0.1776)),
    ],
)
def test_the_rate_of_flaky_runs_is_the_published_interval(fails, runs, published):
    """Newcombe, Statistics in Medicine 17 (1998), table I, method 5, exact at 95 % (memory; statsmodels agrees)."""
    rate = fail_rate(RepeatCounts(passes=runs - fails, fails=fails), 0.95)
    assert (rate.lower, rate.upper) == pytest.approx(published, abs=5.1e-5)
    assert (rate.lower, rate.upper) == pytest.approx(proportion_confint(fails, runs, method="beta"), abs=1e-9)


@pytest.mark.parametrize(("fails", "undecided", "runs"), [(3, 0, 25), (3, 2, 25), (0, 4, 9), (1, 1, 2)])
def test_the_rate_of_flaky_runs_holds_both_readings_of_what_is_undecided(fails, undecided, runs):
    """From below as if what is inconclusive had passed, from above as if it had failed (SciPy)."""
    rate = fail_rate(RepeatCounts(passes=runs - fails - undecided, fails=fails, inconclusive=undecided), 0.95)
    low = stats.binomtest(fails, runs).proportion_ci(0.95, method="exact").low
    high = stats.binomtest(fails + undecided, runs).proportion_ci(0.95, method="exact").high
    assert (rate.lower, rate.upper) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize(
    ("repeats", "one_sided", "two_sided"), [(10, 2.9110, 3.3934), (20, 2.3960, 2.7603), (30, 2.2198, 2.5549)]
)
def test_exact_tolerance_factors(repeats, one_sided, two_sided):
    """ISO 16269-6 at 95 % coverage and confidence (memory, recomputed)."""
    assert normal_factor(repeats, 0.95, 0.95) == pytest.approx(one_sided, abs=5.1e-5)
    assert normal_factor(repeats, 0.95, 0.95, "two-sided") == pytest.approx(two_sided, abs=5.1e-5)


def test_the_handbooks_factors_are_approximations():
    """NIST/SEMATECH 7.2.6.3, N 43, p 0.90, 99 %: k2 2.2173 (Howe), k1 1.8752 (Natrella) (seen).

    Ours are exact: 2.2228 and 1.8740 (recomputed). At N 6 the one-sided approximation is far off: 5.2808
    for 4.4111.
    """

    def natrella(n):
        z_p, z_c = stats.norm.ppf(0.90), stats.norm.ppf(0.99)
        a, b = 1 - z_c**2 / (2 * (n - 1)), z_p**2 - z_c**2 / n
        return (z_p + math.sqrt(z_p**2 - a * b)) / a

    howe = stats.norm.ppf(0.95) * math.sqrt(42 * (1 + 1 / 43) / stats.chi2.ppf(0.01, 42))
    assert howe == pytest.approx(2.2173, abs=6e-5)
    assert natrella(43) == pytest.approx(1.8752, abs=6e-5)
    assert natrella(6) == pytest.approx(5.2808, abs=6e-5)
    assert normal_factor(43, 0.90, 0.99, "two-sided") == pytest.approx(2.2228, abs=6e-5)
    assert normal_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=6e-5)
    assert normal_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=6e-5)


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(2, 0.9, 0.9), (6, 0.9, 0.99), (59, 0.95, 0.95)])
def test_tolerance_factors_fulfil_their_definition(n, coverage, confidence):
    """SciPy integrates over the spread s the probability that mean + k s, or mean +- k s, covers enough."""
    k1, k2 = normal_factor(n, coverage, confidence), normal_factor(n, coverage, confidence, "two-sided")
    spread = stats.chi(n - 1, scale=1 / math.sqrt(n - 1))
    mean = stats.norm(scale=1 / math.sqrt(n))

    def above(s):
        return spread.pdf(s) * mean.sf(stats.norm.ppf(coverage) - k1 * s)

    def enclosed(s):
        grid = np.linspace(0, 9 / math.sqrt(n), 2001)
        covers = stats.norm.cdf(grid + k2 * s) - stats.norm.cdf(grid - k2 * s) >= coverage
        return spread.pdf(s) * (2 * mean.cdf(grid[covers].max(initial=0.0)) - 1)

    top = spread.ppf(1 - 1e-13)
    assert integrate.quad(above, 0, top, limit=200)[0] == pytest.approx(confidence, abs=1e-7)
    s = np.linspace(0, top, 3001)
    assert integrate.simpson([enclosed(x) for x in s], x=s) == pytest.approx(confidence, abs=2e-3)


@pytest.mark.parametrize(
    ("coverage", "repeats", "confidence"),
    [(0.90, 46, 0.9520), (0.95, 93, 0.9500), (0.95, 92, 0.9479)],
)
def test_order_statistics_two_sided(coverage, repeats, confidence):
    """Wilks' two-sided limits from the extremes (46: seen in public data; the others recomputed)."""
    assert order_confidence(repeats, coverage, rank=1, side="two-sided") == pytest.approx(
        confidence, abs=6e-5
    )
    assert order_repeats(0.95, 0.95, "two-sided") == 93
    assert order_repeats(0.90, 0.95, "two-sided") == 46
    assert order_repeats(0.95, 0.95) == 59


@pytest.mark.parametrize("rank", [1, 2, 5])
def test_order_statistics_match_the_binomial(rank):
    """The r-th largest covers p when at least r of n values lie above the p quantile: SciPy's binomial."""
    ours = order_confidence(120, 0.95, rank=rank, side="upper")
    assert ours == pytest.approx(stats.binom.sf(rank - 1, 120, 0.05), abs=1e-12)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.9, 0.95, 1.0])
@pytest.mark.parametrize("n", [1, 2, 20, 59])
def test_quantiles_match_numpy(share, n):
    """NumPy's inverted distribution function gives the same order statistic."""
    times = [random.Random(n).uniform(0, 90) for _ in range(n)]
    seen = quantile([Window(t, t) for t in times], share)
    assert seen.latest_s == np.quantile(times, share, method="inverted_cdf")
