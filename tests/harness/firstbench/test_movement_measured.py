"""Travel and refresh that are measured from a movement hold the truth."""

from __future__ import annotations

from math import floor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.firstbench.codings import Coding, RawReading
from ventproof.firstbench.movement import (
    declared_refresh_s,
    declared_travel_s,
    limit_s,
    longest_refresh_s,
    samples_of,
    shortest_travel_s,
    stands,
)
from ventproof_bench.base.evidence import Sample


def readings(travel_s, refresh_s, poll_s, step, phase):
    """Readings of a vent that opens at a constant speed from 5 s on, refreshed and polled at regular times."""
    samples = []
    for number in range(round((travel_s + 12) / poll_s)):
        requested_s = number * poll_s
        copied_s = floor((requested_s - phase) / refresh_s) * refresh_s + phase if refresh_s else requested_s
        percent = min(100.0, max(0.0, (copied_s - 5) / travel_s * 100))
        samples.append(Sample(round(percent / step) * step, requested_s - 0.001, requested_s + 0.02))
    return samples


@given(
    travel_s=st.floats(5, 200),
    refresh_s=st.sampled_from([0.0, 0.1, 0.2, 0.5, 1.0]),
    poll_s=st.sampled_from([0.05, 0.1, 0.25]),
    step=st.sampled_from([0.1, 0.5, 1.0]),
    phase=st.floats(0, 1),
)
def test_what_is_declared_bounds_the_true_travel_and_refresh(travel_s, refresh_s, poll_s, step, phase):
    """A travel declared is never longer than the true one, nor much shorter; a refresh never much shorter.

    A declared travel that is too long would let the judge exclude what happened, which may be a false pass.
    """
    seen = readings(travel_s, refresh_s, poll_s, step, phase)
    refresh_found = longest_refresh_s(seen, step=step)
    if refresh_s and refresh_s >= 2 * poll_s and travel_s * step / 100 < refresh_s:
        assert declared_refresh_s(refresh_found) >= refresh_s * 0.999
    shortest_s = shortest_travel_s(seen, step=step, refresh_s=max(refresh_found or 0.0, refresh_s))
    assert shortest_s is not None
    assert declared_travel_s(shortest_s) <= travel_s
    if travel_s > 20:
        assert shortest_s > 0.7 * travel_s


@given(st.lists(st.integers(0, 3), min_size=2, max_size=60))
def test_a_register_stands_when_it_was_the_same_for_long_enough(words):
    """Counted independently: the readings of the last three seconds are one value, and there are so many."""
    track = [RawReading((word,), number * 0.5, number * 0.5 + 0.1) for number, word in enumerate(words)]
    last_s = track[-1].requested_s
    long_enough = last_s - track[0].replied_s >= 3
    same = len({w for n, w in enumerate(words) if n * 0.5 + 0.1 >= last_s - 3}) == 1
    assert stands(track, 3) == (long_enough and same)


def test_nothing_that_moved_has_no_travel():
    """Neither a vent that stands nor one that was read twice."""
    still = [Sample(5.0, t, t + 0.1) for t in range(10)]
    assert shortest_travel_s(still, step=0.1, refresh_s=0.2) is None
    assert shortest_travel_s([], step=0.1, refresh_s=0.2) is None
    assert longest_refresh_s(still, step=0.1) is None


def test_what_is_no_number_is_left_out():
    """A float that is none brings no sample."""
    track = [RawReading((0x7FC0, 0), 0.0, 0.1), RawReading((0x4190, 0), 1.0, 1.1)]
    assert samples_of(track, Coding("f32")) == (Sample(18.0, 1.0, 1.1),)


@pytest.mark.parametrize(("measured", "declared"), [(29.1, 27.0), (38.7, 36.0), (150.0, 140.0), (0.0, 0.0)])
def test_a_declared_travel_is_a_little_shorter_and_round(measured, declared):
    """Five per cent less, two digits, rounded down."""
    assert declared_travel_s(measured) == declared


@given(st.floats(0, 600))
def test_a_deadline_leaves_room_for_the_next_time(measured):
    """A tenth and two seconds more, whole seconds."""
    assert measured * 1.1 + 2 <= limit_s(measured) < measured * 1.1 + 3.001


def test_a_vent_that_was_let_go_on_its_way_tells_no_travel():
    """A few seconds of a movement, less a refresh interval, would seem far quicker than it was."""
    begun = [
        Sample(min(100.0, 100 - 3.3 * (t - 1) if t > 1 else 100.0), t, t + 0.05)
        for t in (n / 10 for n in range(40))
    ]
    assert shortest_travel_s(begun, step=0.1, refresh_s=0.2) is None
