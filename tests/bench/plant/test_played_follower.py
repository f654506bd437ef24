"""Vents that are played: nothing shown is taken back; drives that follow; sensors and how they fail."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.plant.feedback import (
    EndSwitchTold,
    PositionTold,
    PotentiometerCondition,
    SwitchCondition,
)
from ventproof_bench.plant.played import PlayedVent
from ventproof_bench.plant.vent import HEALTHY, Condition, VentTravel

TRAVEL = VentTravel(open_s=28.0, close_s=24.0, dead_time_s=0.4, coast_s=0.2, play_percent=1.0)

ROUNDS = st.lists(
    st.tuples(
        st.floats(0.02, 0.4), st.floats(0.001, 0.1), st.booleans(), st.booleans(), st.sampled_from("ccccsd")
    ),
    min_size=1,
    max_size=60,
)


@given(ROUNDS)
def test_nothing_that_was_shown_is_ever_taken_back(rounds):
    """Whatever is read, lost or befalls the vent later, where it was until it was last shown stays as it was."""
    played, at_s, shown = PlayedVent(TRAVEL, 0.0), 0.0, []
    for apart_s, reply_s, opens, closes, what in rounds:
        at_s += apart_s
        if what == "c":
            played.read_contacts(at_s, at_s + reply_s, opens=opens, closes=closes)
        elif what == "s":
            played.stand(at_s)
        else:
            played.apply(Condition(slow_factor=1.5, dead=opens) if closes else HEALTHY)
        instant_s = played.show(at_s + reply_s + 0.03)
        shown.append((instant_s, played.vent.position_at(instant_s)))
        assert all(played.vent.position_at(t) == pytest.approx(percent, abs=1e-9) for t, percent in shown)


@given(st.floats(0.0, 0.2), st.floats(0.0, 0.2))
def test_an_edge_counts_from_the_middle_of_its_window_where_dead_time_pays_for_the_lag(before_s, reply_s):
    """Off until one request, on at the next reply: the vent goes as from the middle between them."""
    played = PlayedVent(TRAVEL, 0.0)
    played.read_contacts(1.0, 1.0 + reply_s, opens=False, closes=False)
    played.show(1.0 + before_s)
    played.read_contacts(1.2, 1.2 + reply_s, opens=True, closes=False)
    middle_s = (1.0 + 1.2 + reply_s) / 2
    moved_s = 5.0 - (middle_s + 0.4)
    # The play is taken up first, at the drive's pace: 1 % of the travel.
    assert played.vent.position_at(5.0) == pytest.approx(moved_s * 100 / 28 - 1.0, abs=1e-6)


def test_a_hole_lets_the_vent_stand_and_the_next_reading_moves_it_again():
    """The drive runs on as ever, and begins anew from the reading after the hole."""
    played = PlayedVent(TRAVEL, 0.0)
    played.read_contacts(1.0, 1.01, opens=True, closes=False)
    played.show(5.0)
    stood = played.vent.position_at(5.0)
    played.stand(7.0)
    played.read_contacts(7.0, 7.01, opens=True, closes=False)
    assert played.vent.position_at(7.2) == pytest.approx(stood + 0.2 * 100 / 28)
    assert played.vent.position_at(8.0) > played.vent.position_at(7.45)


@given(st.floats(0.0, 100.0), st.lists(st.floats(0.0, 100.0), min_size=1, max_size=6))
def test_a_drive_that_follows_comes_to_where_it_was_told(start, commands):
    """After a travel it stands within its deadband of the command, or where it was when that was nearer."""
    played, at_s = PlayedVent(TRAVEL, 0.0, percent=start, deadband_percent=1.0), 0.0
    for percent in commands:
        for _ in range(4):  # told again and again, as a register is read
            at_s += 0.05
            played.read_command(at_s, at_s + 0.01, percent)
            played.show(at_s + 0.03)
        at_s += 40.0
        played.show(at_s)
        # Less than what it runs on for cannot be gone: 0.2 s of 28 s.
        assert played.vent.drive_at(at_s) == pytest.approx(percent, abs=1.0 + 1e-6)


def test_end_switches_fail_as_they_are_told_to():
    """Stuck either way, late both ways, and bouncing after a change."""
    switch = EndSwitchTold(2.0, "closed")
    assert [switch.reached(t, p) for t, p in ((0.0, 0.0), (1.0, 2.0), (2.0, 2.1))] == [True, True, False]
    switch.condition = SwitchCondition(stuck="reached")
    assert switch.reached(3.0, 50.0)
    switch.condition = SwitchCondition(stuck="never")
    assert not switch.reached(4.0, 0.0)
    late = EndSwitchTold(98.0, "open")
    late.condition = SwitchCondition(late_s=0.5)
    told = [
        late.reached(t, p)
        for t, p in ((0.0, 0.0), (1.0, 99.0), (1.4, 99.0), (1.6, 99.0), (2.0, 0.0), (2.6, 0.0))
    ]
    assert told == [False, False, False, True, True, False]
    bouncing = EndSwitchTold(98.0, "open")
    bouncing.condition = SwitchCondition(bounces_s=0.2)
    told = [
        bouncing.reached(t, p) for t, p in ((0.0, 0.0), (1.0, 99.0), (1.05, 99.0), (1.1, 99.0), (1.3, 99.0))
    ]
    assert told == [False, True, False, True, True]


def test_potentiometers_fail_as_they_are_told_to():
    """Wires, a stuck wiper, ends exchanged, and noise that the seed repeats."""
    position = PositionTold()
    assert position.shows(30.0) == 30.0
    for how in ("open", "short"):
        position.apply(PotentiometerCondition(how=how))
        assert position.shows(30.0) == how
    position.apply(PotentiometerCondition(how="stuck"))
    assert [position.shows(30.0), position.shows(40.0)] == [30.0, 30.0]
    position.apply(PotentiometerCondition(how="reversed"))
    assert position.shows(30.0) == 70.0
    noisy = []
    for _ in range(2):
        position.apply(PotentiometerCondition(noise_percent=1.0, seed=4))
        noisy.append([position.shows(30.0) for _ in range(20)])
    assert noisy[0] == noisy[1]
    assert len(set(noisy[0])) == 20
    assert all(29.0 <= one <= 31.0 for one in noisy[0])
