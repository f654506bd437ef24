"""What a bench measures of itself, against made-up units whose truth is known."""

from __future__ import annotations

import math
import random
from bisect import bisect
from itertools import count, takewhile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.base.evidence import Gap, Poll, Sample, Window
from ventproof_bench.selfcheck.measure import (
    bus_measured,
    delay_bounds,
    jumped_s,
    quantiles,
    refresh_measured,
)


def readings(refresh_s, every_s, trip_s, course, *, lasts_s, phase_s=0.0):
    """Read a unit that copies `course` at every multiple of its refresh interval."""
    made = []
    for k in takewhile(lambda k: k * every_s < lasts_s, count()):
        at_s = phase_s + k * every_s
        copied_s = math.floor((at_s + trip_s / 2) / refresh_s) * refresh_s
        made.append(Sample(round(course(copied_s), 1), at_s, at_s + trip_s))
    return made


@settings(max_examples=150, deadline=None)
@given(
    refresh_s=st.floats(0.03, 3.0),
    every_s=st.floats(0.05, 0.5),
    trip_s=st.floats(0.001, 0.04),
    phase_s=st.floats(0.0, 1.0),
    rate=st.sampled_from([-7.0, -3.3, 0.4, 3.3, 9.0]),
    rests=st.booleans(),
)
def test_the_true_refresh_interval_lies_within_the_bounds(  # noqa: PLR0917 - hypothesis gives names
    refresh_s, every_s, trip_s, phase_s, rate, rests
):
    """Whatever the unit, the polls and the movement, the bounds hold the truth, a rest on the way included."""

    def course(at_s):
        moving_s = min(at_s, 8.0) + max(0.0, at_s - 14.0) if rests else at_s
        return 50 + rate * moving_s

    samples = readings(refresh_s, every_s, trip_s, course, lasts_s=25.0, phase_s=phase_s)
    found = refresh_measured(
        "vent", samples, step=0.1, declared_s=0.2, error=0.05, rate_per_s=1.05 * abs(rate)
    )
    if found is not None:
        assert found.at_least_s <= refresh_s + 1e-9
        assert refresh_s <= found.at_most_s + 1e-9


def test_bounds_are_close_where_polls_are_quick():
    """A unit that refreshes every 300 ms, polled every 100 ms, is known to a few milliseconds."""
    samples = readings(0.3, 0.1, 0.006, lambda s: 3.3 * s, lasts_s=25.0, phase_s=0.013)
    found = refresh_measured("vent", samples, step=0.1, declared_s=0.2, rate_per_s=3.6)
    assert 0.29 < found.at_least_s <= 0.3 <= found.at_most_s < 0.31


@pytest.mark.parametrize("rate_per_s", [3.3, None])
def test_a_value_that_comes_of_pulses_is_never_said_to_be_refreshed_rarely(rate_per_s):
    """A reading that only moves with a pulse every second is copied each 200 ms: the bounds must not say otherwise."""
    samples = readings(0.2, 0.1, 0.006, lambda s: 3.3 * math.floor(s), lasts_s=25.0, phase_s=0.013)
    found = refresh_measured("gust", samples, step=0.1, declared_s=0.2, rate_per_s=rate_per_s)
    assert (found.at_least_s > found.declared_s) == (
        rate_per_s is not None
    )  # an actuator that moved so would be copied so
    assert found.at_most_s >= 0.2


def test_a_value_at_rest_says_nothing():
    """No refresh interval comes of a value that does not move."""
    assert (
        refresh_measured(
            "vent",
            readings(0.2, 0.1, 0.01, lambda _: 5.0, lasts_s=5.0),
            step=0.1,
            declared_s=0.2,
            rate_per_s=3.6,
        )
        is None
    )


def jittery(seed, refresh_s, *, every_s=0.1, rate=3.3, polls=0.0, trips=0.0, refreshes=0.0):
    """Read a vent on its way, through a bus whose polls, trips and refreshes are as irregular as told."""
    draw, made, free_s = random.Random(seed), [], 0.0
    copies_s = [k * refresh_s * (1 - refreshes * draw.random()) for k in range(int(45 / refresh_s))]
    for k in range(int(40 / every_s)):
        asked_s = max(free_s, (k + polls * draw.random()) * every_s)
        free_s = asked_s + 0.006 + trips * draw.random()
        copied_s = copies_s[bisect(copies_s, draw.uniform(asked_s, free_s)) - 1]
        made.append(Sample(round(min(100.0, max(0.0, rate * (copied_s - 3))), 1), asked_s, free_s))
    return made


JITTERS = {
    "polls": {"polls": 1.0},
    "trips": {"trips": 0.09},
    "all": {"polls": 0.5, "trips": 0.05, "refreshes": 0.001},
}


@pytest.mark.parametrize("jitter", JITTERS.values(), ids=JITTERS)
@pytest.mark.parametrize(("rate", "found_at"), [(3.3, (2, 4)), (0.5, (4,))])
def test_a_slow_refresh_is_found_however_irregular_the_bus_and_a_right_one_never_accused(
    jitter, rate, found_at
):
    """Four times what is declared, and two where the vent is quick; a unit that keeps its word is never blamed."""
    for seed in range(15):
        for times in (1, *found_at):
            found = refresh_measured(
                "vent",
                jittery(seed, 0.2 * times, rate=rate, **jitter),
                step=0.1,
                declared_s=0.2,
                error=0.05,
                rate_per_s=1.07 * rate,
            )
            assert (found.at_least_s > 0.2) == (times in found_at), (seed, times)


def test_a_unit_that_refreshes_irregularly_is_found_by_its_longest_interval():
    """No interval is the same as another, and no poll: what stood still longest tells."""
    samples = jittery(3, 0.8, polls=1.0, trips=0.05, refreshes=0.02)
    found = refresh_measured("vent", samples, step=0.1, declared_s=0.2, error=0.05, rate_per_s=3.6)
    assert found.at_least_s > 0.6


def test_a_jump_that_the_polls_allow_for_says_nothing_of_the_refresh():
    """An hour without a reading, then another value: the vent had time enough."""
    samples = [Sample(5.0, 0.0, 0.01), Sample(95.0, 3600.0, 3600.01)]
    assert jumped_s(samples, rate_per_s=3.3, error=0.05) <= 0
    near = [Sample(5.0, 0.0, 0.01), Sample(8.4, 0.1, 0.11)]
    assert jumped_s(near, rate_per_s=3.3, error=0.05) == pytest.approx(1 - 0.11)


def test_quantiles_are_measured_values():
    """Nearest ranks: the 95th of a hundred, never a value in between."""
    found = quantiles(range(1, 101))
    assert (found.count, found.median_s, found.p95_s, found.p99_s, found.worst_s) == (100, 50, 95, 99, 100)
    with pytest.raises(ValueError, match="nothing to rank"):
        quantiles([])


def test_a_bus_is_measured_between_its_gaps():
    """Two reads either side of a gap say nothing of jitter; the gap is counted."""

    def at(s):
        return Poll("line", s, s + 0.01, {"vent": 1.0}, "input", 0, (1,))

    polls = [at(0.0), at(0.1), at(0.205), at(5.0)]
    found = bus_measured("line", polls, [Gap("line", 0.3, 4.9, "timeout")], every_s=0.1)
    assert found.gaps == 1
    assert found.late.worst_s == pytest.approx(0.005)
    assert found.age_s == pytest.approx(0.115)
    assert found.round_trip.worst_s == pytest.approx(0.01)
    assert bus_measured("line", polls[:1], [], every_s=0.1) is None


def test_a_delay_lies_between_its_bounds():
    """From the last old reading, as old as it may be, to the first new one."""
    samples = [Sample(0.0, 0.9, 0.91), Sample(0.0, 2.0, 2.01), Sample(1.0, 2.1, 2.11)]
    window = Window(1.0, 1.02)
    assert delay_bounds(samples, window, 0.0, refresh_s=0.2) == pytest.approx((0.78, 1.11))
    assert delay_bounds(samples[:2], window, 0.0, refresh_s=0.2) is None
