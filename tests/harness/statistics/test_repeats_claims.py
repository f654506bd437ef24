"""Repeats: counting, bounds and sentences never promise more than was seen."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.statistics.repeats import (
    RepeatCounts,
    clopper_pearson,
    pass_rate,
    standing,
    success_run_repeats,
    summary,
)
from ventproof_bench.base.evidence import Window

SHARES = st.floats(0.01, 0.999)


def binomial(k, n, p):
    """Return the probability of k successes in n."""
    return math.comb(n, k) * p**k * (1 - p) ** (n - k)


@pytest.mark.parametrize("confidence", [0.8, 0.95])
@pytest.mark.parametrize("n", [1, 5, 20, 59])
def test_exact_bounds_hold_at_least_as_often_as_they_say(n, confidence):
    """The bounds miss no true value more often than they say, by exact summation."""
    two = [clopper_pearson(k, n, confidence) for k in range(n + 1)]
    lower = [clopper_pearson(k, n, confidence, "lower").lower for k in range(n + 1)]
    for p in (0.01, 0.1, 0.5, 0.83, 0.95, 0.999):
        assert sum(binomial(k, n, p) for k in range(n + 1) if two[k].lower <= p <= two[k].upper) >= confidence
        assert sum(binomial(k, n, p) for k in range(n + 1) if lower[k] <= p) >= confidence


@pytest.mark.parametrize("n", [10, 59, 93])
@pytest.mark.parametrize("p", [0.5, 0.9, 0.95, 0.99])
def test_a_fixed_series_rarely_gives_the_wrong_answer(n, p):
    """Proved below the claim and refuted at or above it each happen with at most 5 %, by exact summation."""
    answers = [standing(RepeatCounts(passes=k, fails=n - k), 0.95, 0.95) for k in range(n + 1)]
    wrong = "refuted" if p >= 0.95 else "proved"
    assert sum(binomial(k, n, p) for k in range(n + 1) if answers[k] == wrong) <= 0.05


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 30), st.integers(0, 30), st.integers(1, 30))
def test_an_inconclusive_repeat_helps_nobody(passes, fails, inconclusive):
    """The bounds with undecided repeats enclose those of every way to decide them."""
    wide = pass_rate(RepeatCounts(passes=passes, fails=fails, inconclusive=inconclusive), 0.9)
    for turned in range(inconclusive + 1):
        decided = pass_rate(RepeatCounts(passes=passes + turned, fails=fails + inconclusive - turned), 0.9)
        assert wide.lower <= decided.lower
        assert decided.upper <= wide.upper


def test_only_passes_prove():
    """A series of nothing but inconclusive repeats proves nothing and refutes nothing."""
    assert standing(RepeatCounts(passes=0, fails=0, inconclusive=500), 0.95, 0.95) == "undecided"
    assert standing(RepeatCounts(passes=59, fails=0, inconclusive=1), 0.95, 0.95) == "undecided"
    assert standing(RepeatCounts(passes=59, fails=0), 0.95, 0.95) == "proved"
    assert standing(RepeatCounts(passes=58, fails=0), 0.95, 0.95) == "undecided"


@settings(max_examples=100, deadline=None)
@given(SHARES, SHARES)
def test_the_success_run_number_is_the_least_that_proves(reliability, confidence):
    """That many passes prove the claim, by the exact bound, and one fewer does not."""
    n = success_run_repeats(reliability, confidence)
    assert clopper_pearson(n, n, confidence, "lower").lower >= reliability * (1 - 1e-9)
    assert n == 1 or clopper_pearson(n - 1, n - 1, confidence, "lower").lower < reliability


def test_rounding_asks_for_no_extra_repeat():
    """Claims that come out even, such as 90 % confidence in 10 %, need just that number."""
    assert success_run_repeats(0.1, 0.9) == 1
    assert success_run_repeats(0.1, 0.99) == 2
    assert success_run_repeats(0.5, 0.75) == 2
    assert standing(RepeatCounts(passes=1, fails=0), 0.1, 0.9) == "proved"


def test_a_repeat_without_a_verdict_counts_as_undecided():
    """A bench fault is never a pass, and is not dropped either."""
    assert RepeatCounts.of(["pass", None, "fail", "inconclusive"]) == RepeatCounts(
        passes=1, fails=1, inconclusive=2
    )


def test_a_clean_series_says_so_plainly():
    """The sentences of 59 clean repeats, word for word."""
    found = summary(["pass"] * 59, [Window(1.0, 2.0)] * 59, reliability=0.95)
    assert found.standing == "proved"
    assert found.limit_s == 2.0
    assert found.sentences == (
        "Of 59 repeats 59 passed, 0 failed and 0 could not be decided.",
        "With 95 % confidence at least 95.0 % of such repeats pass (exact bound).",
        "The claim that at least 95 % pass, at 95 % confidence, is proved.",
        "At least 95 % of these repeats responded within 2.000 s.",
        (
            "With 95 % confidence 95 % of such repeats respond within 2.000 s, "
            "whatever the distribution of the times."
        ),
        "This holds for this unit as tested, and if no repeat influenced the next.",
    )


def test_a_spoilt_series_says_what_it_takes():
    """One fail and one bench fault leave the claim undecided, and unknown times leave the limit unstated."""
    found = summary(["pass"] * 57 + ["fail", None], [Window(1.0, 2.0)] * 58 + [None], reliability=0.95)
    assert found.standing == "undecided"
    assert found.limit_s == math.inf
    assert found.normal_limit_s is None
    assert found.sentences[1:5] == (
        (
            "With 95 % confidence at least 89.7 % of such repeats pass (exact bound); "
            "the undecided ones were counted as not passed."
        ),
        (
            "The claim that at least 95 % pass, at 95 % confidence, is undecided: too few passed to prove it "
            "and too many to refute it; a new series of 59 must all pass."
        ),
        "At least 95 % of these repeats responded within 2.000 s.",
        "Too many response times are unknown to state a limit for 95 % of future repeats.",
    )


def test_a_short_series_says_how_long_it_should_be():
    """Ten clean repeats prove no 95 %, and the sentences say that 59 would."""
    found = summary(["pass"] * 10, [Window(1.0, 1.0)] * 9 + [None], reliability=0.95)
    assert found.limit_s is None
    assert found.sentences[2] == (
        "The claim that at least 95 % pass, at 95 % confidence, is undecided: "
        "it takes 59 repeats without a fail."
    )
    assert found.sentences[3:5] == (
        "More than 5 % of the repeats have no known response time.",
        "A limit for 95 % of future repeats takes at least 59 repeats.",
    )


def test_a_bad_series_is_refuted():
    """Ten fails refute the claim; without a claim and times there is nothing to say of either."""
    assert summary(["fail"] * 10, reliability=0.95).standing == "refuted"
    plain = summary(["fail"] * 10)
    assert (plain.standing, plain.quantile_s, plain.limit_s) == (None, None, None)
    assert len(plain.sentences) == 3


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: RepeatCounts(passes=-1, fails=0), r"^passes=-1 must not be negative$"),
        (
            lambda: RepeatCounts.of(["passed"]),
            r"^'passed' is not a verdict; a verdict is pass, fail or inconclusive$",
        ),
        (lambda: summary([]), r"^trials=0 must be at least 1$"),
        (lambda: clopper_pearson(3, 2, 0.9), r"^successes=3 must be from 0 to trials=2$"),
        (
            lambda: clopper_pearson(1, 2, 95),
            r"^confidence=95 must be more than 0 and less than 1, such as 0\.95 for 95 %$",
        ),
        (lambda: success_run_repeats(1.0, 0.9), r"^reliability=1\.0 must be more than 0 and less than 1"),
        (
            lambda: standing(RepeatCounts(passes=1, fails=0), 0.0, 0.9),
            r"^reliability=0\.0 must be more than 0",
        ),
        (
            lambda: summary(["pass"], []),
            r"^0 response times for 1 repeats; give one \(or None\) for each$",
        ),
    ],
)
def test_wrong_input_is_refused(call, message):
    """Each refusal names the value and what would be right."""
    with pytest.raises(ValueError, match=message):
        call()
