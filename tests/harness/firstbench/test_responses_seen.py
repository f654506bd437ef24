"""What signals did while an output was switched is told with the times that the readings leave possible."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ventproof.firstbench.responses import differing, moved_signals, moving
from ventproof_bench.base.evidence import Poll, Window

THERE, BACK = Window(10.0, 10.1), Window(30.0, 30.1)


def polls(course, every_s=0.25, until_s=60.0):
    """Readings of signals whose value at an instant `course` tells."""
    count = round(until_s / every_s)
    return [
        Poll("unit", t, t + 0.05, course(t), "input", 0, ())
        for t in (number * every_s for number in range(count))
    ]


@given(
    late_s=st.floats(0.1, 5),
    travel_s=st.floats(2, 12),
    release_s=st.floats(0.1, 8),
    held=st.sampled_from([8.0, 45.0]),
)
def test_times_hold_the_truth_and_are_at_most_two_readings_late(late_s, travel_s, release_s, held):
    """Of a vent made up with known delays: neither too early nor more than two readings late."""

    def course(t):
        went = min(1.0, max(0.0, (t - THERE.latest_s - late_s) / travel_s))
        came = min(1.0, max(0.0, (t - BACK.latest_s - release_s) / travel_s))
        return {
            "vent": 92 + (held - 92) * (went - came),
            "alarm": float(THERE.latest_s + late_s <= t < BACK.latest_s + release_s),
        }

    seen = moved_signals(polls(course), THERE, BACK, {"vent": 0.01, "alarm": 0.0})
    vent, alarm = seen["vent"], seen["alarm"]
    assert (vent.before, vent.held, vent.after) == (92, held, 92)
    assert vent.answered
    assert vent.came_back
    assert late_s <= alarm.first_s <= late_s + 0.1 + 0.5
    assert release_s <= alarm.back_first_s <= release_s + 0.1 + 0.5
    assert late_s + travel_s - 0.2 <= vent.stood_s <= late_s + travel_s + 0.1 + 0.5
    assert release_s + travel_s - 0.2 <= vent.back_stood_s <= release_s + travel_s + 0.1 + 0.5


def test_a_signal_that_stirs_by_less_than_its_step_did_not_answer():
    """A potentiometer is never quite still."""
    seen = moved_signals(polls(lambda t: {"vent": 92 + (t % 0.5)}), THERE, BACK, {"vent": 0.5})["vent"]
    assert not seen.answered
    assert seen.first_s is None


def test_what_was_not_read_before_or_after_is_not_told():
    """A signal that only answers later says nothing of what it did."""
    seen = moved_signals(polls(lambda t: {"late": 1.0} if t > 20 else {}), THERE, BACK, {"late": 0.0})
    assert seen == {}


def test_signals_that_read_otherwise_than_before_the_switch_are_found():
    """By their last reading; back at what they were, they are found no more."""
    course = polls(lambda t: {"alarm": float(10 < t < 40), "calm": 1.0})
    assert differing([p for p in course if p.replied_s < 35], THERE, {"alarm": 0.0, "calm": 0.0}) == {"alarm"}
    assert differing(course, THERE, {"alarm": 0.0, "calm": 0.0}) == frozenset()


def test_what_moves_is_named_until_nothing_changed_for_long_enough():
    """Before so long was read, and while nothing is read, nobody knows."""
    course = polls(lambda t: {"vent": min(t, 20.0), "alarm": 1.0})
    steps = {"vent": 0.01, "alarm": 0.0}
    assert moving([p for p in course if p.replied_s < 22], steps, for_s=4, now_s=22) == {"vent"}
    assert moving(course, steps, for_s=4, now_s=59) == frozenset()
    assert moving(course[-3:], steps, for_s=4, now_s=59.7) is None
    assert moving(course, steps, for_s=4, now_s=70) is None
    assert moving([], steps, for_s=4, now_s=10) is None
