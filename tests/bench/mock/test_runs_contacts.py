"""Drive contacts and run times: never both on, a pause before a reversal, and where run times put a vent."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.mock.drive_settings import VentGroup
from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.faults.catalogue import behaviour_with
from ventproof_bench.mock.runs import DriveContacts, Reckoning

PAUSE_S = 0.5


class Recorder:
    """Contacts that were wanted one way after the other, and all that they did."""

    def __init__(self, wanted, behaviour=HEALTHY):
        self.edges = [(0.0, OFF)]
        self.contacts = DriveContacts(PAUSE_S, behaviour, self.note)
        for at_s, way in wanted:
            self.until(at_s)
            self.contacts.want(way, at_s)
        self.until(1e6)

    def note(self, at_s):
        """Take that a contact has changed."""
        if self.contacts.state != self.edges[-1][1]:
            self.edges.append((at_s, self.contacts.state))

    def until(self, at_s):
        """Let happen what is due."""
        while self.contacts.due_s <= at_s:
            self.contacts.fire()


OFF, OPENS, CLOSES = (False, False), (True, False), (False, True)


def test_a_reversal_waits_for_the_pause():
    """Told to close 3 s into opening, the contact that closes goes on half a second after the other went off."""
    edges = Recorder([(1.0, 1), (4.0, -1)]).edges
    assert edges == [(0.0, OFF), (1.0, OPENS), (4.0, OFF), (4.5, CLOSES)]


def test_the_same_way_again_needs_no_pause():
    """A drive that is stopped and started the same way goes on at once."""
    assert Recorder([(1.0, 1), (2.0, 0), (2.1, 1)]).edges[-1] == (2.1, OPENS)


def test_a_run_that_is_called_off_in_its_pause_never_begins():
    """Told to stop before the pause is over, the drive stays off."""
    assert Recorder([(1.0, 1), (2.0, -1), (2.2, 0)]).edges[-1] == (2.0, OFF)


def test_contacts_without_supply_are_off():
    """When the supply goes both contacts are off at once, and what waited for its pause is forgotten."""
    recorder = Recorder([])
    recorder.contacts.want(1, 1.0)
    recorder.contacts.want(-1, 2.0)
    recorder.contacts.drop(2.1)
    recorder.until(100.0)
    assert recorder.edges[-1] == (2.0, OFF)


ways = st.lists(st.tuples(st.integers(0, 400), st.sampled_from([-1, 0, 1])), max_size=30)


@given(ways)
def test_healthy_contacts_are_never_on_together(wanted):
    """Whatever is wanted of them, both are never on, and between one and the other both are off for the pause."""
    edges = Recorder([(at / 10, way) for at, way in sorted(wanted, key=lambda one: one[0])]).edges
    assert all(state != (True, True) for _, state in edges)
    off_s = {}
    for (_, before), (at_s, after) in pairwise(edges):
        for place in (0, 1):
            if before[place] and not after[place]:
                off_s[place] = at_s
            if after[place] and not before[place]:
                assert at_s - off_s.get(1 - place, -1e9) >= PAUSE_S - 1e-9


@pytest.mark.parametrize(
    ("fault", "edges"),
    [
        ("both_contacts_on", [(4.0, (True, True)), (4.3, (False, True))]),
        ("no_reversal_pause", [(4.0, (False, True))]),
        ("short_reversal_pause", [(4.0, (False, False)), (4.25, (False, True))]),
        ("contact_sticks", [(4.5, (True, True)), (6.0, (False, True))]),
    ],
)
def test_faulty_contacts_reverse_as_their_fault_says(fault, edges):
    """Each fault of the contacts makes another reversal of 4 s into opening, worked out by hand."""
    assert Recorder([(1.0, 1), (4.0, -1)], behaviour_with({fault: 1.0})).edges[2:] == edges


def test_run_times_put_the_vent_where_the_arithmetic_does():
    """40 s of opening with 0.4 s of dead time and 0.2 s of run-on, of 60 s of travel; then 14 s of closing, of 56 s."""
    group = VentGroup.model_validate(
        {
            "full_travel": "60 s",
            "dead_time": "400 ms",
            "coast": "200 ms",
            "stages": ["50 %"],
            "drive": {"closing_travel": "56 s"},
        }
    )
    reckoning = Reckoning(group, HEALTHY, 0.0)
    reckoning.drive(1, 0.0)
    reckoning.drive(0, 40.0)
    assert reckoning.at(0.4) == 0.0
    assert reckoning.at(10.4) == pytest.approx(10 / 0.6)
    assert reckoning.at(99.0) == pytest.approx(39.8 / 0.6)
    reckoning.drive(-1, 100.0)
    assert reckoning.reaches_s(39.8 / 0.6 - 25.0, 100.0) == pytest.approx(100 + 0.4 + 14.0 - 0.2)
    reckoning.put(0.0, 120.0)
    assert reckoning.at(130.0) == 0.0
