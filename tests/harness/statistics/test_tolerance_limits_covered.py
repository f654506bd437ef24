"""Response-time limits: conservative for every time inside its window, and honest about their confidence."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.statistics.tolerance_limits import (
    normal_factor,
    normal_limits,
    order_confidence,
    order_limits,
    order_repeats,
    quantile,
)
from ventproof_bench.base.evidence import Window

SPANS = st.tuples(st.floats(0, 100), st.floats(0, 10), st.floats(0, 1))


def windows_of(spans):
    """Return what the bench knows of each time."""
    return [Window(start, start + width) for start, width, _ in spans]


def times_of(spans):
    """Return the true time in each window."""
    return [min(start + width, start + width * part) for start, width, part in spans]


@settings(max_examples=80, deadline=None)
@given(st.lists(SPANS, min_size=2, max_size=12), st.sampled_from(["lower", "upper", "two-sided"]))
def test_normal_limits_enclose_those_of_every_possible_time(spans, side):
    """Whatever the true times within their windows, their own limits lie inside the stated ones."""
    stated = normal_limits(windows_of(spans), 0.9, 0.9, side)
    times = times_of(spans)
    reach = normal_factor(len(times), 0.9, 0.9, side) * statistics.stdev(times)
    mean = statistics.fmean(times)
    assert side == "upper" or stated.lower <= mean - reach + 1e-9
    assert side == "lower" or stated.upper >= mean + reach - 1e-9


@settings(max_examples=80, deadline=None)
@given(st.lists(SPANS, min_size=1, max_size=30), st.floats(0.01, 1))
def test_a_quantile_window_contains_that_of_every_possible_time(spans, share):
    """The true quantile lies within the window, and at least the share does not exceed its end."""
    seen = quantile(windows_of(spans), share)
    times = sorted(times_of(spans))
    true = times[max(1, math.ceil(share * len(times) - 1e-9)) - 1]
    assert seen.earliest_s <= true <= seen.latest_s
    assert sum(t <= seen.latest_s for t in times) >= share * len(times) - 1e-6


@settings(max_examples=40, deadline=None)
@given(st.lists(SPANS, min_size=30, max_size=60))
def test_order_limits_enclose_those_of_every_possible_time(spans):
    """The distribution-free limits take the late end above and the early end below."""
    windows, times = windows_of(spans), [Window(t, t) for t in times_of(spans)]
    for side in ("lower", "upper", "two-sided"):
        stated, true = order_limits(windows, 0.9, 0.8, side), order_limits(times, 0.9, 0.8, side)
        assert stated.lower <= true.lower
        assert stated.upper >= true.upper


def test_more_repeats_allow_a_tighter_rank():
    """At 95/95 the largest of 59 is the limit, and the second largest from 93 on."""
    times = [Window(float(i), float(i)) for i in range(1, 94)]
    assert order_limits(times[:58], 0.95, 0.95) is None
    assert order_limits(times[:59], 0.95, 0.95).upper == 59.0
    assert order_limits(times[:92], 0.95, 0.95).upper == 92.0
    assert order_limits(times, 0.95, 0.95).upper == 92.0


def test_a_response_that_never_came_is_infinitely_late():
    """It takes a rank of its own, and leaves no normal limit."""
    never = Window(5.0, math.inf)
    times = [Window(1.0, 2.0)] * 92
    assert order_limits([*times, never], 0.95, 0.95).upper == 2.0
    assert order_limits([*times[:58], never], 0.95, 0.95).upper == math.inf
    assert normal_limits([*times, never], 0.95, 0.95) is None
    assert normal_limits([Window(math.inf, math.inf)] * 3, 0.95, 0.95) is None
    assert normal_limits([Window(1.0, 2.0)], 0.95, 0.95) is None


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 0.995), st.floats(0.05, 0.995), st.sampled_from(["lower", "upper", "two-sided"]))
def test_the_number_of_repeats_is_the_least(coverage, confidence, side):
    """That many reach the confidence and one fewer does not."""
    n = order_repeats(coverage, confidence, side)
    assert order_confidence(n, coverage, rank=1, side=side) >= confidence - 1e-9
    assert order_confidence(n - 1, coverage, rank=1, side=side) < confidence


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: quantile([], 0.5), r"^times is empty; a quantile needs at least one response time$"),
        (lambda: quantile([Window(1.0, 1.0)], 0.0), r"^share=0\.0 must be more than 0 and at most 1$"),
        (lambda: normal_factor(1, 0.9, 0.9), r"^repeats=1 must be at least 2: one value shows nothing"),
        (lambda: order_repeats(1.0, 0.9), r"^coverage=1\.0 must be more than 0 and less than 1"),
        (lambda: order_limits([], 0.9, 0.0), r"^confidence=0\.0 must be more than 0 and less than 1"),
        (lambda: normal_limits([], 0.9, 1.5), r"^confidence=1\.5 must be more than 0 and less than 1"),
    ],
)
def test_wrong_shares_are_refused(call, message):
    """Each refusal names the value and what would be right."""
    with pytest.raises(ValueError, match=message):
        call()
