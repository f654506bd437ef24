"""Change points of a sequence: found where they are, nowhere else, and only where they may be."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.statistics.shifts import changes, noise_of


def test_a_step_is_found_where_it_is():
    """Values that step once have one change, whatever their level."""
    assert changes([21.0, 21.1, 21.0, 27.1, 27.0, 27.1], 0.1) == [3]
    assert changes([1e6 + 21.0, 1e6 + 21.1, 1e6 + 27.1, 1e6 + 27.0], 0.1) == [2]


def test_changes_are_only_where_they_may_be():
    """Between the repeats of one version nothing is cut."""
    values = [1.0, 1.0, 5.0, 5.0, 5.0, 5.0]
    assert changes(values, 0.1, places=[3]) == [3]
    assert changes(values, 0.1, places=[]) == []


def test_scatter_alone_has_no_change():
    """Of 200 sequences of 30 scattering values at most 5 % are cut."""
    rng = random.Random(5)
    sequences = [[rng.gauss(0, 1) for _ in range(30)] for _ in range(200)]
    assert sum(bool(changes(values, 1.0)) for values in sequences) <= 10


def test_noise_is_not_moved_by_a_step():
    """The noise of a sequence with one step is that of one without, nearly."""
    rng = random.Random(6)
    values = [rng.gauss(0, 1) for _ in range(400)]
    assert noise_of(values) == pytest.approx(1.0, abs=0.15)
    stepped = [v + 50 * (n > 200) for n, v in enumerate(values)]
    assert noise_of(stepped) == pytest.approx(noise_of(values), rel=0.05)


@settings(max_examples=100, deadline=None)
@given(values=st.lists(st.floats(-100, 100), max_size=12), noise=st.floats(0.01, 10))
def test_places_are_in_order_and_inside(values, noise):
    """Changes are indices inside the sequence, each once, in order."""
    found = changes(values, noise)
    assert found == sorted(set(found))
    assert all(0 < place < len(values) for place in found)


def test_noise_must_be_more_than_nothing():
    """Without noise every difference would be a change."""
    with pytest.raises(ValueError, match=r"noise=0 must be more than 0"):
        changes([1.0, 2.0], 0)
