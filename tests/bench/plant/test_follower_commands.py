"""A drive that takes a position: where it goes, when it moves at all, and what it may not take back."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.plant.follower import Follower
from ventproof_bench.plant.vent import Vent, VentTravel


def commanded(commands, *, travel=None, deadband_percent=1.0):
    """Return a vent that was told, in order, to go to places: (instant, place)."""
    travel = travel or VentTravel(open_s=10.0, close_s=20.0, dead_time_s=0.5, coast_s=0.2)
    vent = Vent(travel, 0.0)
    follower = Follower(vent, deadband_percent=deadband_percent, coast_s=travel.coast_s)
    for at_s, percent in commands:
        follower.command(at_s, percent)
    return vent


def test_it_goes_there_and_stops_there():
    """Dead time, travel, and its run-on ends at the commanded place; both ways."""
    vent = commanded([(1.0, 40.0), (20.0, 10.0)])
    assert [vent.position_at(t) for t in (1.5, 3.5, 5.5, 20.0)] == pytest.approx([0, 20, 40, 40])
    assert [vent.position_at(t) for t in (20.5, 22.5, 26.5, 60.0)] == pytest.approx([40, 30, 10, 10])


@pytest.mark.parametrize(("percent", "goes_to"), [(40.9, 40.0), (41.0, 40.0), (41.0 + 5, 46.0), (39.2, 40.0)])
def test_a_drive_at_rest_ignores_what_is_within_its_deadband(percent, goes_to):
    """What is nearer than 1 % to where it stands does not set it in motion."""
    assert commanded([(1.0, 40.0), (20.0, percent)]).position_at(60.0) == pytest.approx(goes_to)


def test_a_drive_on_its_way_goes_on_to_a_place_within_its_deadband():
    """At 30 % on its way to 40 %, told 30.5 % it goes there; told 29.5 % it stops, and runs on."""
    assert commanded([(1.0, 40.0), (4.5, 30.5)]).position_at(60.0) == pytest.approx(32.0)
    assert commanded([(1.0, 40.0), (4.5, 34.5)]).position_at(60.0) == pytest.approx(34.5)
    assert commanded([(1.0, 40.0), (4.5, 29.5)]).position_at(60.0) == pytest.approx(32.0)


def test_a_drive_turns_for_a_command_behind_it():
    """Told 10 % while it opens at 30 %, it runs on to 32 %, waits and closes to 10 %."""
    vent = commanded([(1.0, 80.0), (4.5, 10.0)])
    assert [vent.position_at(t) for t in (4.7, 5.2, 7.2, 60.0)] == pytest.approx([32, 32, 22, 10])


@pytest.mark.parametrize("percent", [0.0, -3.0, 100.0, 120.0])
def test_at_an_end_it_runs_on_until_it_is_there(percent):
    """Beyond the ends are the ends."""
    vent = commanded([(1.0, 50.0), (20.0, percent)])
    assert vent.position_at(60.0) == min(100, max(0, percent))
    assert vent.end_at(60.0) == ("open" if percent > 50 else "closed")


@settings(max_examples=100)
@given(
    st.lists(st.tuples(st.integers(1, 80), st.integers(0, 100), st.integers(0, 20)), min_size=1, max_size=12),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_no_command_takes_back_what_was_shown(commands, dead_time_s, coast_s):
    """A command given for a time before the last shown instant leaves the course until that instant as it was."""
    travel = VentTravel(open_s=10.0, close_s=8.0, dead_time_s=dead_time_s, coast_s=coast_s, play_percent=2.0)
    vent = Vent(travel, 0.0)
    follower = Follower(vent, deadband_percent=1.0, coast_s=coast_s)
    shown_s = 0.0
    for later, percent, back in commands:
        shown_s += later / 10
        instants = [t for t, _ in vent.breakpoints(shown_s)] + [shown_s * i / 20 for i in range(21)]
        before = [(vent.position_at(t), vent.drive_at(t)) for t in instants]
        follower.command(max(0.0, shown_s - back / 20), float(percent), unchanged_until_s=shown_s)
        after = [(vent.position_at(t), vent.drive_at(t)) for t in instants]
        assert after == [pytest.approx(pair, abs=1e-6) for pair in before]
