"""Vent drives: exact trajectories worked out by hand, and what no command may break."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.mock.drive import Actuator, Habits
from ventproof_bench.plant.vent import Condition, VentTravel

BRISK = VentTravel(open_s=10.0, close_s=10.0, dead_time_s=0.5)  # 10 s for full travel
COASTING = VentTravel(open_s=10.0, close_s=10.0, dead_time_s=0.5, coast_s=0.2)


def track(travel, commands, until_s):
    """Return the breakpoints of a drive that was given commands, ready to compare."""
    vent = Actuator(travel, 0.0)
    for at_s, target in commands:
        vent.command(target, at_s)
    return [(pytest.approx(t), pytest.approx(p)) for t, p in corners(vent.breakpoints(until_s))]


def corners(points):
    """Return the first and the last of the points of a course, and those at which it bends."""
    rates = [(p1 - p0) / (t1 - t0) for (t0, p0), (t1, p1) in pairwise(points)]
    bends = [
        point
        for point, (before, after) in zip(points[1:-1], pairwise(rates), strict=True)
        if after != pytest.approx(before)
    ]
    return [points[0], *bends, points[-1]]


@pytest.mark.parametrize(
    ("travel", "commands", "expected"),
    [
        pytest.param(BRISK, [], [(0, 0), (60, 0)], id="left alone it stays closed"),
        pytest.param(
            BRISK, [(1, 40)], [(0, 0), (1, 0), (1.5, 0), (5.5, 40), (60, 40)], id="dead time, travel, rest"
        ),
        pytest.param(
            BRISK,
            [(1, 40), (3.5, 80)],
            [(0, 0), (1, 0), (1.5, 0), (3.5, 20), (9.5, 80), (60, 80)],
            id="onward without another dead time",
        ),
        pytest.param(
            BRISK,
            [(1, 80), (3.5, 5)],
            [(0, 0), (1, 0), (1.5, 0), (3.5, 20), (4.0, 20), (5.5, 5), (60, 5)],
            id="a reversal stops, waits, turns",
        ),
        pytest.param(
            COASTING,
            [(1, 40)],
            [(0, 0), (1, 0), (1.5, 0), (5.5, 40), (5.7, 42), (60, 42)],
            id="coasts past its target",
        ),
        pytest.param(
            COASTING,
            [(1, 100)],
            [(0, 0), (1, 0), (1.5, 0), (11.5, 100), (60, 100)],
            id="no coast at an end stop",
        ),
        pytest.param(
            COASTING,
            [(1, 99)],
            [(0, 0), (1, 0), (1.5, 0), (11.4, 99), (11.5, 100), (60, 100)],
            id="coast ends there",
        ),
        pytest.param(
            COASTING,
            [(1, 80), (3.5, 5)],
            [(0, 0), (1, 0), (1.5, 0), (3.5, 20), (3.7, 22), (4.2, 22), (5.9, 5), (6.1, 3), (60, 3)],
            id="a reversal coasts first",
        ),
        pytest.param(
            COASTING,
            [(1, 40), (5.6, 10)],
            [(0, 0), (1, 0), (1.5, 0), (5.5, 40), (5.7, 42), (6.2, 42), (9.4, 10), (9.6, 8), (60, 8)],
            id="a command while coasting waits for rest",
        ),
        pytest.param(
            BRISK,
            [(1, 40), (1.2, 60)],
            [(0, 0), (1, 0), (1.2, 0), (1.5, 0), (7.5, 60), (60, 60)],
            id="same dead time",
        ),
        pytest.param(
            BRISK,
            [(1, 40), (1.2, 0)],
            [(0, 0), (1, 0), (1.2, 0), (1.7, 0), (60, 0)],
            id="called off in its dead time",
        ),
    ],
)
def test_trajectories_worked_out_by_hand(travel, commands, expected):
    """Each corner stands where the arithmetic by hand puts it."""
    assert track(travel, commands, 60.0) == corners(expected)


def test_a_jammed_vent_stays_where_it_jams():
    """A vent that jams at 20 % closes no further, opens freely, and does not coast into the jam."""
    jams = Condition(jams_closing_at_percent=20.0)
    vent = Actuator(VentTravel(open_s=10.0, close_s=10.0, coast_s=0.2), 0.0, condition=jams)
    vent.command(50.0, 0.0)
    vent.command(0.0, 10.0)
    assert vent.position_at(30.0) == 20.0
    vent.command(60.0, 30.0)
    assert vent.position_at(60.0) == pytest.approx(62.0)


def test_a_creeping_vent_leaves_its_place_but_not_its_end_stop():
    """Creep moves a vent that rests between its ends, up to fully open, and leaves a closed one alone."""
    creeps = Condition(creep_percent_s=0.5)
    vent = Actuator(VentTravel(open_s=10.0, close_s=10.0), 0.0, condition=creeps)
    assert vent.position_at(500.0) == 0.0
    vent.command(40.0, 500.0)
    assert vent.position_at(504.0) == 40.0
    assert vent.position_at(514.0) == pytest.approx(45.0)
    assert vent.position_at(900.0) == 100.0
    vent.command(0.0, 514.0)
    assert vent.position_at(530.0) == 0.0


def test_an_inverted_drive_opens_when_told_to_close():
    """With its outputs exchanged the drive ends at the mirror of its target."""
    vent = Actuator(VentTravel(open_s=10.0, close_s=10.0), 0.0, habits=Habits(inverted=True))
    vent.command(30.0, 0.0)
    assert vent.position_at(60.0) == 70.0


commands = st.lists(st.tuples(st.integers(0, 9000), st.integers(0, 100)), max_size=12)
travels = st.builds(
    VentTravel,
    open_s=st.floats(2, 200),
    close_s=st.floats(2, 200),
    dead_time_s=st.floats(0, 3),
    coast_s=st.floats(0, 2),
)
conditions = st.builds(Condition, jams_closing_at_percent=st.none() | st.floats(0, 100))


@settings(max_examples=120, deadline=None)
@given(travels, conditions, commands)
def test_no_command_breaks_the_laws_of_travel(travel, condition, given_commands):
    """The position keeps within 0 to 100 %, is never faster than the drive, and time goes forward."""
    vent = Actuator(travel, 0.0, condition=condition)
    for at_ds, target in sorted(given_commands):
        vent.command(float(target), at_ds / 10)
    fastest_percent_s = 100 / min(travel.open_s, travel.close_s)
    points = vent.breakpoints(2000.0)
    for (t0, p0), (t1, p1) in pairwise(points):
        assert t1 > t0
        assert -1e-9 <= p1 <= 100 + 1e-9
        assert abs(p1 - p0) <= fastest_percent_s * (t1 - t0) * (1 + 1e-6) + 1e-9


@settings(max_examples=60, deadline=None)
@given(travels, conditions, commands)
def test_a_command_never_changes_the_past(travel, condition, given_commands):
    """What a vent had done when a command came is the same after it."""
    vent = Actuator(travel, 0.0, condition=condition)
    for at_ds, target in sorted(given_commands):
        now_s = at_ds / 10
        before = [vent.position_at(now_s * i / 7) for i in range(8)]
        vent.command(float(target), now_s)
        assert [vent.position_at(now_s * i / 7) for i in range(8)] == pytest.approx(before)


@pytest.mark.parametrize(("second", "moved"), [(0, -5), (100, 5), (50, 0)])
def test_a_command_during_the_coast_waits_for_its_end(second, moved):
    """Told to turn at 40 % and told again while it coasts to 50 %, the vent coasts on and then goes its new way."""
    vent = Actuator(VentTravel(open_s=10.0, close_s=10.0, dead_time_s=1, coast_s=1), 0.0)
    vent.command(100, 0.0)
    vent.command(10, 5.0)
    vent.command(second, 5.5)
    assert [vent.position_at(t) for t in (5.5, 6.0, 7.0)] == [pytest.approx(p) for p in (45, 50, 50)]
    assert vent.position_at(7.5) == pytest.approx(50 + moved)
