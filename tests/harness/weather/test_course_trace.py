"""Traces: values, steps, and their parts."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pulses_and_tips import jump
from wind_averages import Areas, mean

from ventproof.weather.course import Trace, constant, ramp

steps_s = st.lists(st.integers(0, 50), min_size=1, max_size=12).filter(any)


@st.composite
def traces(draw, low=0, high=400):
    """Draw traces on a grid of tenths, steps included."""
    gaps = draw(steps_s)
    values = draw(st.lists(st.integers(low, high), min_size=len(gaps) + 1, max_size=len(gaps) + 1))
    times = [sum(gaps[:k]) / 10 for k in range(len(gaps) + 1)]
    return Trace(tuple(times), tuple(v / 10 for v in values))


def test_a_step_has_a_value_before_and_one_after():
    """At a step, `at` gives the value after it and `before` the one before it."""
    wind = jump(2.0, 9.0, at_s=5.0, for_s=10.0)
    assert (wind.before(5.0), wind.at(5.0)) == (2.0, 9.0)
    assert (wind.before(0.0), wind.at(10.0)) == (2.0, 9.0)
    assert mean(wind, 4.0, 6.0) == 5.5


def test_a_step_at_either_end_belongs_to_the_trace():
    """A step on the first or last instant has a value on either side, and no part of it lasts."""
    wind = Trace((0.0, 0.0, 4.0, 4.0), (7.0, 1.0, 1.0, 9.0))
    assert (wind.before(0.0), wind.at(0.0), wind.before(4.0), wind.at(4.0)) == (7.0, 1.0, 1.0, 9.0)
    assert mean(wind, 0.0, 4.0) == 1.0


@settings(max_examples=40, deadline=None)
@given(traces(), st.floats(0, 1), st.floats(0, 1))
def test_parts_have_the_values_and_areas_of_the_whole(wind, one, other):
    """A part has the values of the trace, and its mean is the difference of two integrals."""
    from_s, to_s = sorted((one * wind.end_s, other * wind.end_s))
    if to_s - from_s < 1e-6:
        return
    part = wind.part(from_s, to_s)
    middle_s = (from_s + to_s) / 2
    assert part.at(middle_s) == pytest.approx(wind.at(middle_s), abs=1e-6)
    area = Areas(wind).to(to_s) - Areas(wind).to(from_s)
    assert mean(wind, from_s, to_s) * (to_s - from_s) == pytest.approx(area, abs=1e-9)
    assert wind.smallest() - 1e-9 <= mean(wind, from_s, to_s) <= wind.largest() + 1e-9


@given(st.floats(-40, 60), st.floats(-40, 60), st.floats(0, 1))
@example(0.6, 0.6, 13.01171875 / 600)
def test_no_value_leaves_its_line(one, other, share):
    """Rounding never takes a value past the ends of its line: a steady wind stays at the speed that just turns cups."""
    assert min(one, other) <= ramp(one, other, for_s=600.0).at(share * 600.0) <= max(one, other)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Trace((0.0, 1.0), (1.0,)), r"^2 instants and 1 values; give each instant one value$"),
        (lambda: Trace.through([]), r"^0 points make no trace; give 2 to 1000000$"),
        (lambda: Trace((0.0,), (1.0,)), r"^1 points make no trace; give 2 to 1000000$"),
        (lambda: Trace((0.0, float("nan")), (1.0, 1.0)), r"^nan in a trace must be a finite number$"),
        (
            lambda: Trace((0.0, 2.0, 1.0), (0.0, 0.0, 0.0)),
            r"^the instant 1.0 s comes after 2.0 s; instants must",
        ),
        (
            lambda: Trace((1.0, 1.0), (0.0, 2.0)),
            r"^the trace begins and ends at 1.0 s; it must last more than 0 s$",
        ),
        (
            lambda: constant(1.0, for_s=1.0).at(2.0),
            r"^2.0 s is outside the trace, which runs from 0.0 s to 1.0 s$",
        ),
        (lambda: constant(1.0, for_s=1.0).part(0.5, 0.5), r"^a part from 0.5 s to 0.5 s has no span"),
    ],
)
def test_wrong_traces_are_refused(make, message):
    """A trace that cannot be, or a question outside it, is refused with what would be right."""
    with pytest.raises(ValueError, match=message):
        make()
