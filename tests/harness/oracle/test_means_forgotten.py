"""The mean of a wind over a loss of supply: what a unit that has just started may take it for, and must."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.oracle.means import LeastMean, MostMean
from ventproof.oracle.timeline import ALWAYS, Steps, Timeline, UncertainState, beyond

OVER_S = 6.0
ON = UncertainState(ALWAYS, ALWAYS)
BACK = UncertainState(*(Timeline(initially=True, switches_s=(20.0, on_s)) for on_s in (30.0, 31.0)))
"""Surely dead from 20 to 30 s, and surely back at 31 s."""


def at(mean, t_s):
    """Return the mean at an instant."""
    begin_s, end_s = next((b, e) for b, e in pairwise([-1e3, *sorted({*mean.edges()}), 1e3]) if b <= t_s < e)
    first, last = mean.ends(begin_s, end_s)
    return first + (last - first) * (t_s - begin_s) / (end_s - begin_s)


def test_a_mean_crosses_its_threshold_in_between():
    """From 3 to 15 over 3 s the mean passes 12 after 2.25 s; back from there it passes 9 after 1.5 s."""
    wind = Steps(3.0, ((10.0, 15.0), (20.0, 3.0)))
    for bound in (LeastMean, MostMean):
        assert beyond(bound(wind, 3.0, ON), 12.0, 9.0).switches_s == (12.25, 21.5)


def test_a_wind_from_before_a_start_counts_for_nothing():
    """Neither surely nor possibly: a gale up to the cut and calm afterwards is no gale."""
    wind = Steps(18.0, ((29.0, 0.0),))
    assert [at(LeastMean(wind, OVER_S, BACK), t_s) for t_s in (19.0, 25.0, 40.0)] == [18.0, 0.0, 0.0]
    assert [at(MostMean(wind, OVER_S, BACK), t_s) for t_s in (19.0, 25.0, 30.1, 40.0)] == [
        18.0,
        0.0,
        0.0,
        0.0,
    ]


def test_a_steady_wind_fills_the_mean_anew():
    """Surely so once its whole time has passed since the latest start; it may be so as soon as the unit sees it."""
    least, most = (bound(Steps(18.0), OVER_S, BACK) for bound in (LeastMean, MostMean))
    assert [at(least, t_s) for t_s in (30.5, 31.0, 34.0, 37.0, 50.0)] == pytest.approx([0, 0, 9, 18, 18])
    assert [at(most, t_s) for t_s in (29.9, 30.0, 34.0, 50.0)] == [0, 18, 18, 18]


def test_only_while_it_may_have_just_started_may_a_gust_count_whole():
    """A gust of a second soon after a start may be all that the mean is of; later it is a sixth of it."""
    gust = Steps(0.0, ((32.0, 18.0), (33.0, 0.0), (62.0, 18.0), (63.0, 0.0)))
    most = MostMean(gust, OVER_S, BACK)
    assert [at(most, t_s) for t_s in (31.5, 32.5, 36.9)] == [0, 18, 18]
    assert [at(most, t_s) for t_s in (37.0, 65.0, 70.0)] == pytest.approx([3, 3, 0])


def test_a_wind_that_begins_below_counts_as_calm_before_a_start():
    """Where an override begins in little wind, it may do so at a start, and must once nothing else is possible."""
    wind = Steps(18.0, ((40.0, 2.0),))
    least, most = LeastMean(wind, OVER_S, BACK), MostMean(wind, OVER_S, BACK)
    assert beyond(least, 4.0, 6.0, BACK.may, rising=False).switches_s[:2] == (30.0, 33.0)
    assert beyond(most, 4.0, 6.0, BACK.must, rising=False).switches_s == (
        pytest.approx(40 + OVER_S * 14 / 16),
    )


WINDS = st.lists(st.tuples(st.integers(1, 60), st.sampled_from([0.0, 4.0, 9.0, 18.0])), max_size=8)


@settings(max_examples=100, deadline=None)
@given(winds=WINDS, started_s=st.floats(30, 31), since=st.integers(1, 100))
def test_whatever_part_a_unit_takes_the_mean_of_lies_between(winds, started_s, since):
    """A unit that starts between both instants and takes the rest for calm, or the mean of the part that it saw."""
    at_s, jumps = 0.0, []
    for tenths, speed in winds:
        at_s += tenths
        jumps.append((at_s, speed))
    wind, now_s = Steps(9.0, tuple(jumps)), started_s + since / 7
    span_s = min(OVER_S, now_s - started_s)
    calm_before, alone = wind.mean(now_s, OVER_S, started_s), wind.mean(now_s, span_s)
    least, most = (at(bound(wind, OVER_S, BACK), now_s) for bound in (LeastMean, MostMean))
    assert least - 1e-9 <= min(calm_before, alone)
    assert max(calm_before, alone) <= most + 1e-9
