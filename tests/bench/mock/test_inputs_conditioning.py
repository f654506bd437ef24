"""Conditioning of a contact: debounce, delays, counting."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.mock.inputs import Counter
from ventproof_bench.mock.rules.settling import Settling


def play(settling, edges, until_s):
    """Apply (time, state) edges as the unit does; return the changes of the value as (time, value)."""
    changes = []
    for at_s, state in [*edges, (until_s, None)]:
        while settling.due_s <= at_s:
            due_s = settling.due_s
            settling.fire()
            changes.append((due_s, settling.value))
        if state is not None:
            settling.change(at_s, state=state)
    return changes


def test_a_state_kept_long_enough_counts_from_its_edge():
    """The value follows the input exactly the debounce time after the edge."""
    assert play(Settling(0.05, 0.05), [(1.0, True)], 2.0) == [(1.05, True)]


def test_a_state_kept_for_exactly_the_time_counts():
    """A contact that opens at the very instant its closure becomes valid was closed long enough."""
    assert play(Settling(0.5, 0.5), [(1.0, True), (1.5, False)], 3.0) == [(1.5, True), (2.0, False)]


def test_a_shorter_closure_is_ignored():
    """A closure shorter than the debounce time leaves no trace."""
    assert play(Settling(0.5, 0.5), [(1.0, True), (1.4, False)], 9.0) == []


def test_bounce_restarts_the_time():
    """The time runs from the last edge of a bouncing contact."""
    edges = [(1.0, True), (1.2, False), (1.25, True)]
    assert play(Settling(0.5, 0.5), edges, 9.0) == [(1.75, True)]


def test_a_gap_in_the_rain_restarts_the_release_delay():
    """The release delay begins anew when the contact closes and opens again."""
    edges = [(0.0, True), (10.0, False), (20.0, True), (21.0, False)]
    assert play(Settling(2.0, 30.0), edges, 99.0) == [(2.0, True), (51.0, False)]


def test_repeating_a_state_does_not_restart_the_time():
    """Telling a closed contact that it is closed changes nothing."""
    settling = Settling(0.5, 0.5)
    settling.change(1.0, state=True)
    settling.change(1.3, state=True)
    assert settling.due_s == 1.5
    assert settling.pending


def test_nothing_is_due_at_rest():
    """A contact at rest has no event ahead of it."""
    assert Settling(0.1, 0.1).due_s == math.inf


@settings(max_examples=60)
@given(st.lists(st.integers(1, 400), max_size=30), st.integers(1, 200))
def test_debounce_passes_exactly_the_long_states(spans_ms, hold_ms):
    """The value changes once for each state kept for the debounce time, and never otherwise."""
    edges, at_ms, state = [], 0, False
    for span in spans_ms:
        at_ms += span
        state = not state
        edges.append((at_ms, state))
    expected, value = [], False
    for i, (edge_ms, closed) in enumerate(edges):
        kept_ms = edges[i + 1][0] - edge_ms if i + 1 < len(edges) else math.inf
        if kept_ms >= hold_ms and closed != value:
            value = closed
            expected.append((edge_ms + hold_ms, closed))
    assert play(Settling(hold_ms, hold_ms), edges, at_ms + hold_ms) == expected


def test_the_counter_wraps_at_32_bits():
    """The closure after 4 294 967 295 makes 0."""
    counter = Counter(counted=2**32 - 1)
    counter.closure()
    assert counter.count == 0


def test_a_counter_that_misses_every_third_counts_two_of_three():
    """A lossy counter loses its share, whatever its phase."""
    for phase in range(6):
        counter = Counter(misses_every=3, phase=phase)
        for _ in range(30):
            counter.closure()
        assert counter.count == 20
