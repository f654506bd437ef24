"""What end switches and potentiometers tell, healthy and failed."""

import pytest

from ventproof_bench.plant.feedback import (
    EndSwitchTold,
    PositionTold,
    PotentiometerCondition,
    SwitchCondition,
)


def told(switch, places, *, step_s=1.0):
    """Return what a switch tells of a drive that is at one place after the other, a step apart."""
    return [switch.reached(i * step_s, float(place)) for i, place in enumerate(places)]


@pytest.mark.parametrize(
    ("at", "end", "reached"),
    [
        (0, "closed", [True, False, False, False, False]),
        (2, "closed", [True, True, False, False, False]),
        (100, "open", [False, False, False, False, True]),
        (98, "open", [False, False, False, True, True]),
    ],
)
def test_a_switch_tells_that_its_end_is_reached_from_its_place_outward(at, end, reached):
    """At its place and beyond it tells so, and as soon as the drive is off it, no more."""
    assert told(EndSwitchTold(at, end), [0, 2, 50, 98, 100]) == reached
    assert told(EndSwitchTold(at, end), [100, 98, 50, 2, 0]) == reached[::-1]


@pytest.mark.parametrize(("stuck", "tells"), [("reached", True), ("never", False)])
def test_a_stuck_switch_tells_the_same_everywhere(stuck, tells):
    """Wherever the drive is it tells that the end is reached, or that it is not; mended it tells the truth."""
    switch = EndSwitchTold(0, "closed")
    switch.condition = SwitchCondition(stuck=stuck)
    assert told(switch, [0, 50, 100, 0]) == [tells] * 4
    switch.condition = SwitchCondition()
    assert [switch.reached(10.0, 0.0), switch.reached(11.0, 50.0)] == [True, False]


def test_a_late_switch_tells_later_what_was_so():
    """It tells both of reaching and of leaving 2 s late; of a visit shorter than that likewise, not sooner."""
    switch = EndSwitchTold(0, "closed")
    switch.condition = SwitchCondition(late_s=2.0)
    places = [9, 9, 0, 0, 0, 9, 9, 9, 9, 0, 9, 9, 9, 9]
    truth = [place == 0 for place in places]
    assert told(switch, places) == [False, False, *truth[:-2]]


def test_a_bouncing_switch_tells_one_and_the_other_by_turns():
    """After each change it bounces for its time, then tells the truth."""
    switch = EndSwitchTold(100, "open")
    switch.condition = SwitchCondition(bounces_s=0.35)
    heard = told(switch, [50] * 3 + [100] * 10 + [50] * 10, step_s=0.1)
    assert heard[:3] == [False] * 3
    assert heard[3:7] == [True, False, True, False]
    assert heard[7:13] == [True] * 6
    assert set(heard[13:17]) == {True, False}
    assert heard[17:] == [False] * 6


@pytest.mark.parametrize(
    ("condition", "shows"),
    [
        (PotentiometerCondition(), [0.0, 30.0, 100.0]),
        (PotentiometerCondition(how="open"), ["open"] * 3),
        (PotentiometerCondition(how="short"), ["short"] * 3),
        (PotentiometerCondition(how="stuck"), [0.0] * 3),
        (PotentiometerCondition(how="reversed"), [100.0, 70.0, 0.0]),
    ],
)
def test_a_potentiometer_shows_its_place_or_how_it_failed(condition, shows):
    """Healthy, with a wire open or shorted, stuck where it was first seen, with its ends exchanged."""
    sensor = PositionTold()
    sensor.apply(condition)
    assert [sensor.shows(place) for place in (0.0, 30.0, 100.0)] == shows
    sensor.apply(PotentiometerCondition())
    assert sensor.shows(30.0) == 30.0


def test_noise_strays_within_its_limit_and_is_the_same_again():
    """Noise of 1 % uses both sides of its limit, never leaves it, and the same seed gives the same noise."""
    first, second = PositionTold(), PositionTold()
    for sensor in (first, second):
        sensor.apply(PotentiometerCondition(noise_percent=1.0, seed=7))
    shown = [first.shows(50.0) for _ in range(1000)]
    assert [second.shows(50.0) for _ in range(1000)] == shown
    assert 49.0 <= min(shown) < 49.1
    assert 50.9 < max(shown) <= 51.0
