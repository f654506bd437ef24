"""Shifts between two groups against Lakens, SciPy and statsmodels.

Marks: (seen) a public page or public data shows the number; (recomputed) by an independent tool; (memory) the
number was remembered and then recomputed.
"""

from __future__ import annotations

import math
import random
import statistics

import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind

from ventproof.statistics.shifts import Contrast, cliff, contrast, fewer_passes, holm, shift
from ventproof.verdict.finding import Bounds


def scaled(mean: float, deviation: float, size: int) -> list[float]:
    """Return values that have exactly this mean and standard deviation."""
    rng = random.Random(size)
    raw = [rng.gauss(0, 1) for _ in range(size)]
    centre, spread = statistics.fmean(raw), statistics.stdev(raw)
    return [mean + deviation * (value - centre) / spread for value in raw]


def exact(values: list[float]) -> list[Bounds]:
    return [Bounds(value, value) for value in values]


# Lakens, Improving Your Statistical Inferences, chapter 9: two groups of 15, means 4.55 and 4.87, standard deviations
# 1.05 and 1.11, bounds ±0.5 (seen; recomputed).
TREATED = scaled(4.55, 1.05, 15)
UNTREATED = scaled(4.87, 1.11, 15)


def test_equivalence_example_of_lakens():
    """Welch's t -0.8111 on 27.914 degrees, 90 % interval -0.9912 to 0.3512, so not within ±0.5."""
    found = contrast(UNTREATED, TREATED)
    assert found.difference / found.error == pytest.approx(-0.8111, abs=5e-5)
    assert found.degrees == pytest.approx(27.914, abs=5e-4)
    said = shift(exact(UNTREATED), exact(TREATED), limit=0.5, confidence=0.90)
    assert said.interval == pytest.approx((-0.9912, 0.3512), abs=5e-5)
    assert said.standing == "undecided"
    assert shift(exact(UNTREATED), exact(TREATED), limit=1.0, confidence=0.90).standing == "same"


def test_equivalence_is_that_of_statsmodels():
    """Two groups are the same where the larger p of statsmodels' two one-sided tests (Welch) is 2.5 % at most."""
    same = 0
    for seed in range(60):
        rng = random.Random(seed)
        base = [rng.gauss(10, 1) for _ in range(rng.randint(2, 12))]
        candidate = [rng.gauss(10.3, 1.5) for _ in range(rng.randint(2, 12))]
        p, _, _ = ttost_ind(candidate, base, -1.8, 1.8, usevar="unequal")
        said = shift(exact(base), exact(candidate), limit=1.8, confidence=0.95)
        assert (said.standing == "same") == (p <= 0.025)
        same += said.standing == "same"
    assert 15 <= same <= 45


def test_interval_is_that_of_scipy():
    """The interval of exact values is SciPy's Welch interval; one value against several takes the pooled one."""
    for seed in range(20):
        rng = random.Random(seed)
        base = [rng.expovariate(1) for _ in range(rng.randint(2, 9))]
        candidate = [rng.gauss(3, 0.2) for _ in range(rng.randint(2, 9))]
        theirs = stats.ttest_ind(candidate, base, equal_var=False).confidence_interval(0.95)
        said = shift(exact(base), exact(candidate), limit=0.1, confidence=0.95)
        assert said.interval == pytest.approx((theirs.low, theirs.high), rel=1e-9)
        pooled = contrast(base, candidate[:1])
        theirs = stats.ttest_ind_from_stats(
            candidate[0], 0, 1, statistics.fmean(base), statistics.stdev(base), len(base)
        )
        assert abs(pooled.difference / pooled.error) == pytest.approx(abs(theirs.statistic), rel=1e-9)
        assert pooled.degrees == len(base) - 1


def test_what_is_surely_more_than_the_least_is_scipys_one_sided_test():
    """Both the p value and the standing are those of SciPy's Welch test against the least difference that counts."""
    for seed in range(40):
        rng = random.Random(seed)
        base = [rng.gauss(10, 0.4) for _ in range(rng.randint(2, 9))]
        candidate = [rng.gauss(11, 0.6) for _ in range(rng.randint(2, 9))]
        later = statistics.fmean(candidate) > statistics.fmean(base)
        low, high = (base, candidate) if later else (candidate, base)
        theirs = stats.ttest_ind([v - 0.5 for v in high], low, equal_var=False, alternative="greater").pvalue
        said = shift(exact(base), exact(candidate), limit=1.0, least=0.5, confidence=0.95)
        assert said.p_within == pytest.approx(
            min(1.0, 2 * theirs), rel=1e-5
        )  # ours lets rounding lie on the limit
        if said.standing != "same":
            assert (said.standing == "changed") == (2 * theirs < 0.05)


def test_effect_is_that_of_the_rank_test():
    """SciPy's documentation example has U 17 of 20 pairs (recomputed), which is an effect of 0.7."""
    males, females = [19, 22, 16, 29, 24], [20, 11, 17, 12]
    assert stats.mannwhitneyu(males, females).statistic == 17
    assert cliff(exact(females), exact(males)) == pytest.approx(2 * 17 / 20 - 1)


def test_holm_is_that_of_statsmodels():
    """Adjusted p values agree with statsmodels for random families, ties included."""
    for seed in range(20):
        rng = random.Random(seed)
        family = [round(rng.random() ** 3, 2) for _ in range(rng.randint(1, 30))]
        assert holm(family) == pytest.approx(list(multipletests(family, method="holm")[1]), abs=1e-12)


def test_holm_on_a_worked_family():
    """0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02: by hand, each step times what is left."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_fewer_passes_is_fishers_exact_test():
    """Fisher's tea taster, three of four right, has p 17/70 (memory, recomputed); SciPy agrees everywhere."""
    assert fewer_passes((3, 4), (1, 4)) == pytest.approx(17 / 70)
    for seed in range(30):
        rng = random.Random(seed)
        n, m = rng.randint(1, 20), rng.randint(1, 20)
        a, b = rng.randint(0, n), rng.randint(0, m)
        theirs = stats.fisher_exact([[b, m - b], [a, n - a]], alternative="less")[1]
        assert fewer_passes((a, n), (b, m)) == pytest.approx(theirs, rel=1e-9)


def test_one_each_has_no_error_to_speak_of():
    """Welch's degrees of freedom do not exist for one value each; no p value is made up."""
    assert contrast([1.0], [2.0]) == Contrast(1.0, math.inf, 0)
