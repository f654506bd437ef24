"""Outlines: fewer corners, and never further off than is allowed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ventproof.figures.drawing import OFF_PX, columns, outline

steps = st.lists(
    st.tuples(st.sampled_from([0.0, 0.1, 1.0, 7.5]), st.floats(-3, 3, width=32)), min_size=1, max_size=60
)


@given(steps)
def test_every_corner_is_passed_within_the_allowance(moves):
    """Ends are kept, corners keep their order, and what was dropped lies close to the line that is drawn."""
    corners = [(float(x), float(y)) for x, y in np.cumsum(moves, axis=0)]
    kept = outline(corners)
    assert (kept[0], kept[-1]) == (corners[0], corners[-1])
    places = iter(corners)
    assert all(corner in places for corner in kept)
    for x, y in corners:
        lines = [(a, b) for a, b in pairwise(kept) if a[0] <= x <= b[0]] or [(kept[0], kept[0])]
        off = min(
            abs(y - a[1] - (b[1] - a[1]) * ((x - a[0]) / (b[0] - a[0]) if b[0] > a[0] else 0))
            for a, b in lines
        )
        on_a_jump = any(a[0] == b[0] and min(a[1], b[1]) <= y <= max(a[1], b[1]) for a, b in lines)
        assert on_a_jump or off <= OFF_PX + 1e-6


def test_a_straight_line_needs_its_ends_alone():
    """A thousand corners on a line become two."""
    assert outline([(float(x), 0.5 * x) for x in range(1000)]) == [(0.0, 0.0), (999.0, 499.5)]


def test_what_can_be_seen_is_kept():
    """A tooth higher than the allowance stays, and so does a jump."""
    tooth = [(0.0, 0.0), (1.0, 0.0), (2.0, 3.0), (3.0, 0.0), (3.0, 5.0), (9.0, 5.0)]
    assert outline(tooth) == tooth


def test_nothing_is_made_of_nothing():
    """No corners, no outline."""
    assert outline([]) == []


@given(steps, st.booleans())
def test_a_line_by_columns_never_runs_inside_of_the_other(moves, up):
    """Whatever lies between two whole pixels, the line through their places holds all of it, on its own side."""
    corners = [(float(x), float(y)) for x, y in np.cumsum(moves, axis=0)]
    drawn = columns(corners, up=up)
    xs, ys = zip(*drawn, strict=True)
    for (x0, y0), (x1, y1) in pairwise(corners):
        for share in np.linspace(0, 1, 9):
            x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
            if len(drawn) < len(corners):
                at = float(np.interp(x, xs, ys))
                assert at <= y + 1e-6 if up else at >= y - 1e-6


def test_a_crowd_of_steps_takes_one_corner_a_column():
    """Forty steps on ten pixels are a slope of eleven corners, no more than a column off."""
    stairs = [(i / 4, float((i + 1) // 2)) for i in range(41)]
    drawn = columns(stairs, up=False)
    assert len(drawn) == 11
    assert outline(drawn[1:-1]) == [drawn[1], drawn[-2]]
