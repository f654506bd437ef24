"""A shift between two groups: what is surely the same, surely changed, or cannot be told."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ventproof.statistics.shifts import MOST_REPEATS, fewer_passes, holm, shift
from ventproof.verdict.finding import Bounds


def windows(*middles: float, half: float = 0.2) -> list[Bounds]:
    return [Bounds(middle - half, middle + half) for middle in middles]


@pytest.mark.parametrize(
    ("candidate", "limit", "standing"),
    [
        (30.0, 0.4, "same"),  # exactly at the limit is within it
        (30.0, 0.39, "undecided"),
        (36.1, 5.0, "changed"),
        (36.1, 6.1, "undecided"),
        (24.0, 5.0, "changed"),
        (30.4, 0.0, "undecided"),
        (30.41, 0.0, "changed"),
    ],
)
def test_one_run_each_is_judged_by_the_windows(candidate, limit, standing):
    """With one run each the interval is what polling leaves open, and says nothing about chance."""
    said = shift(windows(30.0), windows(candidate), limit=limit, confidence=0.95)
    assert said.standing == standing
    assert said.interval == pytest.approx((candidate - 30.4, candidate - 29.6))
    assert not said.chance


@pytest.mark.parametrize("width", [1e-9, 1e-6, 0.1])
def test_no_number_of_repeats_is_told_for_one_run_each(width):
    """Even where rounding alone leaves it open: what is unknown is how runs spread."""
    said = shift([Bounds(30.0, 30.0)], [Bounds(30.0, 30.0 + width)], limit=0.0, confidence=0.95)
    assert said.repeats in {0, None}


def test_runs_without_spread_are_no_more_precise_than_the_polling():
    """Identical repeats on a virtual bench leave an interval as wide as the windows, however many there are."""
    said = shift(windows(*[30.0] * 50), windows(*[30.1] * 50), limit=1.0, confidence=0.95)
    assert said.interval == pytest.approx((-0.3, 0.5))
    assert said.chance


def test_windows_too_wide_are_not_mended_by_repeats():
    """What no number of repeats can decide is said to be so."""
    said = shift(windows(30.0, 30.1, half=2), windows(30.0, 30.1, half=2), limit=1.0, confidence=0.95)
    assert (said.standing, said.repeats) == ("undecided", 0)


def test_the_number_of_repeats_that_would_tell_tells():
    """With as many repeats of the same mean and spread the comparison is decided, and not with one fewer."""
    base, candidate = [29.0, 30.0, 31.0], [29.5, 30.5, 31.5]
    said = shift(windows(*base, half=0.05), windows(*candidate, half=0.05), limit=1.5, confidence=0.95)
    assert said.standing == "undecided"
    runs = said.repeats
    spread = math.sqrt((runs - 1) / runs)  # values at ±spread have a standard deviation of 1

    def again(count: int):
        signs = [(-1) ** n for n in range(count)]
        return shift(
            windows(*(30 + spread * s for s in signs), half=0.05),
            windows(*(30.5 + spread * s for s in signs), half=0.05),
            limit=1.5,
            confidence=0.95,
        )

    assert again(runs + runs % 2).standing == "same"
    assert again(runs - 2 + runs % 2).standing == "undecided"
    assert 2 < runs < MOST_REPEATS


def test_one_new_run_against_several_is_compared_with_their_spread():
    """A single candidate among the scatter of the base is not flagged, one far outside is."""
    base = windows(29.0, 30.0, 31.0, 30.5, 29.5, half=0.05)
    assert shift(base, windows(32.0, half=0.05), limit=0.5, confidence=0.95).standing == "undecided"
    assert shift(base, windows(40.0, half=0.05), limit=0.5, confidence=0.95).standing == "changed"


@given(
    base=st.lists(st.floats(0, 100), min_size=1, max_size=6),
    candidate=st.lists(st.floats(0, 100), min_size=1, max_size=6),
    half=st.floats(0, 3),
    limit=st.floats(0, 20),
)
@settings(max_examples=200, deadline=None)
def test_what_is_said_agrees_with_itself(base, candidate, half, limit):
    """Standing, interval and probabilities tell one story, and to swap the groups mirrors it."""
    one, two = windows(*base, half=half), windows(*candidate, half=half)
    said, mirrored = (shift(a, b, limit=limit, confidence=0.95) for a, b in ((one, two), (two, one)))
    assume(abs(max(-said.interval.low, said.interval.high) - limit) > 1e-6)  # on the edge rounding decides
    assert said.interval.low <= said.estimate <= said.interval.high
    assert said.interval.high - said.interval.low >= 4 * half - 1e-9
    if said.standing == "changed":
        assert said.p_within <= 0.05 + 1e-9
    assert mirrored.standing == said.standing
    assert mirrored.effect == -said.effect
    assert (said.repeats is None) == (said.standing != "undecided")


def test_identical_groups_are_seldom_flagged():
    """Six hundred families of identical groups, skewed as response times are: at most 5 % hold a flagged shift."""
    rng = random.Random(7)
    families, flagged = 600, 0
    for _ in range(families):
        family = []
        for _ in range(5):
            groups = [[30 + rng.expovariate(2) for _ in range(5)] for _ in range(2)]
            polled = [
                [
                    Bounds(value - part * 0.1, value + (1 - part) * 0.1)
                    for value in group
                    if (part := rng.random())
                ]
                for group in groups
            ]
            family.append(shift(*polled, limit=0.0, confidence=0.95).p_within)
        flagged += any(p <= 0.05 for p in holm(family))
    assert flagged / families <= 0.05


def test_a_shift_at_the_limit_is_seldom_called_the_same():
    """At a true shift on the limit `same` is said in at most 2.5 % of cases, the level of each one-sided test."""
    rng = random.Random(8)
    said = [
        shift(
            *(
                [Bounds(v - 0.05, v + 0.05) for v in (rng.gauss(centre, 0.2) for _ in range(6))]
                for centre in (30, 31)
            ),
            limit=1.0,
            confidence=0.95,
        ).standing
        for _ in range(1500)
    ]
    assert said.count("same") / len(said) <= 0.025


def test_impossible_values_are_refused():
    """No group, a negative limit, no confidence, and more passes than runs are errors that name the value."""
    with pytest.raises(ValueError, match=r"0 values and 1: a comparison takes at least one of each"):
        shift([], windows(1.0), limit=1, confidence=0.95)
    with pytest.raises(ValueError, match=r"limit=-1 must not be negative"):
        shift(windows(1.0), windows(1.0), limit=-1, confidence=0.95)
    with pytest.raises(ValueError, match=r"confidence=95 must be more than 0 and less than 1"):
        shift(windows(1.0), windows(1.0), limit=1, confidence=95)
    with pytest.raises(ValueError, match=r"passes=4 must be from 0 to runs=3"):
        fewer_passes((4, 3), (1, 1))
