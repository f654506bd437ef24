"""Edge plans: instants, widths, and what an output cannot play."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.edges import Edge, check_plan, pulse_plan, shortest_span_s


def test_a_plan_closes_and_opens_at_its_instants():
    """Three closures of 0.2 s, 0.5 s apart."""
    plan = pulse_plan(3, closed_for_s=0.2, open_for_s=0.5)
    assert [(round(e.at_s, 9), e.closed) for e in plan] == [
        (0.0, True),
        (0.2, False),
        (0.7, True),
        (0.9, False),
        (1.4, True),
        (1.6, False),
    ]
    assert shortest_span_s(plan) == pytest.approx(0.2)


@given(
    times=st.integers(1, 300),
    closed_for_s=st.floats(1e-3, 100),
    open_for_s=st.floats(1e-3, 100),
)
def test_a_plan_does_not_drift(times, closed_for_s, open_for_s):
    """However long a train is, its edges alternate and stand where multiplication puts them."""
    plan = pulse_plan(times, closed_for_s=closed_for_s, open_for_s=open_for_s)
    assert len(plan) == 2 * times
    assert [e.closed for e in plan] == [True, False] * times
    assert plan[-1].at_s == pytest.approx(times * (closed_for_s + open_for_s) - open_for_s, rel=1e-12)
    check_plan(plan, fastest_edge_s=min(closed_for_s, open_for_s) * 0.999)


def test_a_plan_at_the_limit_of_the_output_is_played():
    """Rounding of decimal fractions does not refuse what is exactly as fast as allowed."""
    check_plan(pulse_plan(50, closed_for_s=0.1, open_for_s=0.2), fastest_edge_s=0.1)


@pytest.mark.parametrize(
    ("plan", "says"),
    [
        (
            pulse_plan(2, closed_for_s=0.004, open_for_s=1),
            r"^edges 4 ms apart are too fast for this output, which",
        ),
        (
            [Edge(1, closed=True), Edge(1, closed=False)],
            r"^the edge at 1 s does not come after the one at 1 s$",
        ),
        ([Edge(0, closed=True), Edge(1, closed=True)], r"^the edge at 1 s moves nothing: .* closed already$"),
    ],
)
def test_a_plan_that_cannot_be_played_is_refused(plan, says):
    """Too fast, out of order, and edges that move nothing: each with its reason."""
    with pytest.raises(ValueError, match=says):
        check_plan(plan, fastest_edge_s=0.005)


@pytest.mark.parametrize(
    ("times", "closed_for_s", "open_for_s", "says"),
    [
        (0, 1, 1, r"^times=0 must be 1 to 100000$"),
        (100_001, 1, 1, r"^times=100001 must be"),
        (1, 0, 1, r"^closed_for=0 s must be more than 0 s$"),
        (1, 1, -1, r"^open_for=-1 s must be"),
        (1, float("nan"), 1, r"^closed_for=nan s must be"),
    ],
)
def test_numbers_that_make_no_plan_are_refused(times, closed_for_s, open_for_s, says):
    """The number that is wrong is named."""
    with pytest.raises(ValueError, match=says):
        pulse_plan(times, closed_for_s=closed_for_s, open_for_s=open_for_s)


def test_a_plan_without_edges_has_no_span():
    """Nothing to play is no error."""
    check_plan([], fastest_edge_s=1)
    assert shortest_span_s([]) is None
