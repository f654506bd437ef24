"""Gust shapes, and the running means and gusts of a period that tests measure them by."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pulses_and_tips import jump
from wind_averages import gust, mean, mean_wind, running_mean

from ventproof.weather.course import Trace, constant
from ventproof.weather.wind import cosine_gust, rectangular_gust

FEW = settings(max_examples=40, deadline=None)
winds = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 300)), min_size=2, max_size=12).map(
    lambda points: Trace(
        (*(sum(gap for gap, _ in points[:k]) / 10 for k in range(1, len(points) + 1)), 60.0),
        (*(v / 10 for _, v in points), 1.0),
    )
)


def test_a_cosine_gust_peaks_half_way_and_keeps_its_mean():
    """The gust touches its peak in the middle, starts and ends at the base, and has half the rise as mean."""
    wind = cosine_gust(6.0, 8.0, at_s=10.0, lasts_s=5.0, for_s=20.0)
    assert wind.at(12.5) == 14.0
    assert (wind.at(10.0), wind.at(15.0), wind.at(20.0)) == (6.0, 6.0, 6.0)
    assert mean(wind, 10.0, 15.0) == pytest.approx(10.0, abs=1e-12)
    assert wind.at(11.25) == pytest.approx(10.0)


def test_a_gust_may_fill_the_whole_wind():
    """A gust from the first to the last instant needs no steady wind around it."""
    assert mean(rectangular_gust(2.0, 3.0, at_s=0.0, lasts_s=4.0, for_s=4.0), 0.0, 4.0) == 5.0
    assert cosine_gust(2.0, -2.0, at_s=0.0, lasts_s=4.0, for_s=4.0).smallest() == 0.0


def test_a_short_spike_is_averaged_by_the_gust_filter():
    """One second of 20 m/s in a calm is a gust of 20/3 m/s, no sooner than the spike is over."""
    peak = gust(rectangular_gust(0.0, 20.0, at_s=10.0, lasts_s=1.0, for_s=30.0), 0.0, 30.0)
    assert (peak.value, peak.at_s) == (pytest.approx(20 / 3), 11.0)


def test_a_step_needs_three_seconds_to_become_a_gust():
    """The running mean reaches a step's full height just 3 s after it."""
    wind = jump(0.0, 10.0, at_s=5.0, for_s=30.0)
    assert running_mean(wind, 7.0, 3.0) == pytest.approx(20 / 3)
    assert (gust(wind, 0.0, 30.0).value, gust(wind, 0.0, 30.0).at_s) == (pytest.approx(10.0), 8.0)


def test_the_gust_of_a_triangle_lies_where_both_window_ends_are_equal():
    """A rise of 1 and a fall of 2 m/s a second put the 3 s window from 2 s before the peak to 1 s after it."""
    wind = Trace((0.0, 10.0, 15.0), (0.0, 10.0, 0.0))
    peak = gust(wind, 0.0, 15.0)
    assert peak.at_s == pytest.approx(11.0)
    assert peak.value == pytest.approx(9.0)


@FEW
@example(Trace((0.0, 0.1, 0.1, 0.2, 60.0), (0.0, 0.0, 1.1, 1.2, 1.0)), 0.5)  # 0.6 - 0.5 falls before the step
@given(winds, st.sampled_from([0.5, 1.0, 3.0, 10.0]))
def test_no_window_beats_the_gust(wind, window_s):
    """No running mean on a fine grid exceeds the gust, and the gust is itself a running mean."""
    peak = gust(wind, wind.start_s, wind.end_s, window_s=window_s)
    first_s, span_s = wind.start_s + window_s, wind.end_s - wind.start_s - window_s
    means = [running_mean(wind, first_s + span_s * k / 300, window_s) for k in range(301)]
    assert max(means) <= peak.value + 1e-9
    assert running_mean(wind, peak.at_s, window_s) == pytest.approx(peak.value, abs=1e-9)


@FEW
@given(winds)
def test_a_gust_lies_between_mean_and_maximum(wind):
    """Some 3 s window has at least the mean of the 3 s windows' span, and none exceeds the largest speed."""
    peak = gust(wind, wind.start_s, wind.end_s)
    assert peak.value <= wind.largest() + 1e-9
    whole = gust(wind, wind.start_s, wind.end_s, window_s=wind.duration_s)
    assert whole.value == pytest.approx(mean(wind, wind.start_s, wind.end_s))
    # 3 s windows side by side cover a span of whole windows: the largest is no less than their mean.
    covered_s = wind.start_s + 3.0 * (wind.duration_s // 3.0)
    assert peak.value >= mean(wind, wind.start_s, covered_s) - 1e-9


def test_the_mean_wind_takes_ten_minutes():
    """A step is in the ten-minute mean by the share of the window that it fills."""
    wind = jump(4.0, 10.0, at_s=600.0, for_s=1200.0)
    assert mean_wind(wind, 900.0) == pytest.approx(7.0)
    assert mean_wind(wind, 1200.0) == pytest.approx(10.0)
    with pytest.raises(ValueError, match=r"^-1.0 s is outside the trace"):
        mean_wind(wind, 599.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: cosine_gust(-1.0, 5.0, at_s=0.0, lasts_s=1.0, for_s=2.0),
            r"^base=-1.0 m/s must not be negative$",
        ),
        (
            lambda: cosine_gust(5.0, -6.0, at_s=0.0, lasts_s=1.0, for_s=2.0),
            r"^rise=-6.0 m/s takes the wind of 5.0 m/s below 0; give -5.0 or more$",
        ),
        (
            lambda: cosine_gust(5.0, 1.0, at_s=-1.0, lasts_s=1.0, for_s=2.0),
            r"^at_s=-1.0 s must not be negative$",
        ),
        (
            lambda: cosine_gust(5.0, 1.0, at_s=0.0, lasts_s=0.0, for_s=2.0),
            r"^lasts_s=0.0 s must be more than 0 s$",
        ),
        (
            lambda: rectangular_gust(5.0, 1.0, at_s=1.0, lasts_s=2.0, for_s=2.0),
            r"^a gust from 1.0 s to 3.0 s does not fit in for_s=2.0 s; make that longer$",
        ),
        (
            lambda: gust(constant(1.0, for_s=2.0), 0.0, 2.0),
            r"^a period from 0.0 s to 2.0 s holds no window of 3.0 s; lengthen the period$",
        ),
    ],
)
def test_wrong_gusts_are_refused(make, message):
    """Numbers out of range are refused with the range."""
    with pytest.raises(ValueError, match=message):
        make()
