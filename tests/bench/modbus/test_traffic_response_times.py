"""Response times of messages on one line: limits of the analysis."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.modbus.traffic import Message, worst_response_us


def message(duration_us, period_us, jitter_us=0):
    """Return a message."""
    return Message(duration_us=duration_us, period_us=period_us, jitter_us=jitter_us)


def test_more_than_all_of_the_time_is_refused():
    """Utilisation above 1 is refused for whom it concerns, and only for him."""
    messages = [message(3, 4), message(2, 7)]
    assert worst_response_us(messages, 0) == 5
    with pytest.raises(
        ValueError, match=r"want the line for 103\.6 % of the time; it must be less than all of it"
    ):
        worst_response_us(messages, 1)


def test_exactly_all_of_the_time_is_allowed_when_nothing_delays():
    """A line that is taken for all of the time works out, unless jitter or a less urgent message comes on top."""
    full = [message(2, 4), message(4, 8)]
    assert worst_response_us(full, 1) == 2 + 4
    with pytest.raises(ValueError, match="want the line for 100 % of the time"):
        worst_response_us([*full, message(1, 1000)], 1)
    with pytest.raises(ValueError, match="want the line for 100 % of the time"):
        worst_response_us([message(2, 4), message(4, 8, 1)], 1)


def test_one_that_becomes_ready_as_the_line_falls_free_goes_first():
    """An urgent message ready at the very end of a transmission is sent before the one that waits."""
    messages = [message(2, 6), message(4, 100), message(1, 100)]
    assert worst_response_us(messages, 1) == 2 + 1 + 4
    assert worst_response_us(messages, 2) == 2 + 4 + 2 + 1


def test_jitter_counts_for_oneself_and_for_others():
    """A message that may be ready later responds later, and one more of it can come in a row ahead of others."""
    assert worst_response_us([message(2, 10, 3)], 0) == 5
    assert worst_response_us([message(2, 10, 9), message(3, 100)], 1) == 2 + 2 + 3


@pytest.mark.parametrize("wrong", [(0, 1, 0), (1, 0, 0), (1, 1, -1)])
def test_times_that_mean_nothing_are_refused(wrong):
    """No duration, no period or a negative jitter is refused."""
    with pytest.raises(
        ValueError, match="needs a duration and a period above zero and a jitter not below it"
    ):
        message(*wrong)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(40, 90), st.integers(0, 30)), min_size=1, max_size=4),
    st.data(),
)
def test_more_load_never_shortens_a_response(parts, data):
    """Longer, more frequent or more jittery messages make no response of the set shorter."""
    messages = [message(*part) for part in parts]
    index = data.draw(st.integers(0, len(parts) - 1))
    changed = data.draw(st.integers(0, len(parts) - 1))
    duration_us, period_us, jitter_us = parts[changed]
    heavier = data.draw(
        st.sampled_from(
            [(duration_us + 1, period_us, jitter_us), (duration_us, period_us, jitter_us + 5)]
            + ([(duration_us, period_us - 3, jitter_us)] if changed != index else [])
        )
    )
    loaded = [*messages[:changed], message(*heavier), *messages[changed + 1 :]]
    assert worst_response_us(loaded, index) >= worst_response_us(messages, index)
