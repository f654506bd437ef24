"""Numbers, shares and spans in words: nothing is lost, and no bound is shown better than it was proved."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.verdict.text import about, clocked, milliseconds, percent, rounded_up, seconds, short_span


@given(st.integers(0, 10**9), st.integers(0, 4))
def test_an_upper_bound_is_never_shown_lower_than_it_is(millionths, decimals):
    """What is shown is at least the bound, but for what arithmetic leaves of its last digit, and less than one more."""
    bound = millionths / 1e6
    shown = float(rounded_up(bound, decimals))
    step = 10.0**-decimals
    assert bound - 1.001e-6 * step <= shown < bound + step


@pytest.mark.parametrize(
    ("span_s", "text"),
    [(0.2, "0.2 s"), (119.0, "119 s"), (120.0, "2 min"), (36000.0, "10 h"), (4320000.0, "50 d")],
)
def test_a_span_is_written_in_whole_units_from_two_on(span_s, text):
    """A span of two or more whole minutes, hours or days is written in them, any other in seconds."""
    assert seconds(span_s) == text


@pytest.mark.parametrize(
    ("span_s", "text"), [(35.24, "35.2 s"), (119.96, "120 s"), (150.0, "2.5 min"), (90000.0, "25 h")]
)
def test_a_rough_span_has_a_tenth_of_its_unit(span_s, text):
    """How long something takes is told to a tenth of what people count it in."""
    assert about(span_s) == text


@pytest.mark.parametrize(("span_s", "text"), [(29.0, "0 min"), (3570.0, "1 h 0 min"), (7500.0, "2 h 5 min")])
def test_greenhouse_time_is_told_in_hours_and_minutes(span_s, text):
    """Hours stand before minutes from an hour on, the minutes being rounded first."""
    assert clocked(span_s) == text


def test_shares_and_short_spans_keep_their_digits():
    """A confidence reads as it was asked for, and a short span in the unit in which it is measured."""
    assert percent(0.95) == "95 %"
    assert percent(0.9999995) == "99.99995 %"
    assert milliseconds(0.01234) == "12.3 ms"
    assert (short_span(0.01234), short_span(1.25)) == ("12.34 ms", "1.25 s")
