"""A contact that was not moved as asked proves nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.case.counting import spoiled
from ventproof_bench.base.evidence import EdgeReport, Window


def train(spans_s, *, width_s=0.01, late=(), lost=()):
    """Make the edges of a train: asked spans, each edge's window, edges that came late (number: seconds) or never."""
    edges, due = [], 10.0
    for number, span in enumerate([0.0, *spans_s]):
        due += span
        at = due + dict(late).get(number, 0.0)
        window = None if number in lost else Window(at, at + width_s)
        edges.append(EdgeReport(number % 2 == 0, due, window))
    return edges


@given(st.lists(st.floats(0.02, 5), min_size=1, max_size=20), st.floats(0, 0.01))
def test_a_train_on_time_is_in_order(spans_s, width_s):
    """Edges at their deadlines are what was asked for, whatever the spans."""
    assert spoiled(train(spans_s, width_s=width_s)) == ""


def test_a_hiccup_that_stretches_a_closure_spoils_the_train():
    """A closure of 0.3 s that lasted 0.8 s may be rain to the unit: it is said, with both times."""
    said = spoiled(train([0.3, 0.3, 0.3], late={1: 0.5}.items()))
    assert said.startswith("between edges 1 and 2 the contact was closed for about 0.8 s instead of 0.3 s")


def test_a_train_that_is_late_as_a_whole_is_still_the_train():
    """Lateness alone is in the windows; only the spans between edges make the stimulus."""
    assert spoiled(train([0.3, 0.3], late={0: 0.4, 1: 0.4, 2: 0.4}.items())) == ""


def test_a_lost_edge_spoils_the_train():
    """An edge that never left is counted and named."""
    assert spoiled(train([0.3, 0.3], lost={1})).startswith("1 of 3 edges never left the bench")


@pytest.mark.parametrize("edges", [[], train([])])
def test_one_edge_has_no_span(edges):
    """A single edge, or none, cannot be out of shape."""
    assert spoiled(edges) == ""
