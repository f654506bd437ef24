"""What could lie beyond the edges of a demand: every such place, and no other."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ventproof.envelope.spans import Piece
from ventproof.figures.demand import Demand, outside

VALUES = st.integers(-9, 9).map(float)
SLACK = 1e-9


def bounds(piece, t_s):
    share = (t_s - piece.t0) / (piece.t1 - piece.t0)
    return piece.l0 + share * (piece.l1 - piece.l0), piece.u0 + share * (piece.u1 - piece.u0)


@given(
    st.tuples(VALUES, VALUES, VALUES, VALUES),
    st.one_of(st.none(), VALUES),
    st.one_of(st.none(), VALUES),
    st.floats(0.5, 3.5),
    st.floats(-9, 9),
)
def test_a_place_is_hatched_if_it_is_possible_and_beyond_an_edge(ends, low, high, t_s, value):
    """Within the span, of all places between the bounds exactly those below the lower or above the upper edge."""
    piece = Piece(0.0, min(ends[:2]), max(ends[:2]), 4.0, min(ends[2:]), max(ends[2:]))
    least, most = bounds(piece, t_s)
    beyond = (low is not None and value < low) or (high is not None and value > high)
    edges = [edge for edge in (least, most, low, high) if edge is not None]
    if min(abs(value - edge) for edge in edges) < SLACK:
        return
    hatched = any(
        p.t0 <= t_s <= p.t1 and p.t0 < p.t1 and bounds(p, t_s)[0] <= value <= bounds(p, t_s)[1]
        for p in outside([piece], [(0.5, 3.5)], Demand(low=low, high=high))
    )
    assert hatched == (beyond and least <= value <= most)
