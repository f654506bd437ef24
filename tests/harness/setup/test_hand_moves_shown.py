"""While a person moves vents, each is shown by name and value, against where it was when the movement began."""

from __future__ import annotations

import pytest

from ventproof.firstbench.codings import RawReading
from ventproof.firstbench.makers_list import read_list
from ventproof.setup import hand_moves
from ventproof.setup.hand_moves import HandMovedVent, record_moves
from ventproof_bench.base.protocols import ReadRequest

(VENT,) = read_list("Ridge flap,30001,u16,0.5,%\n", "list")
POLLED_S = 0.1
TRAVEL_S = 10.0


class Track:
    """Readings of one vent that goes to where a person turns its switch; a stand-in for `Recording`."""

    trouble = ""

    def __init__(self, *_):
        self.readings = []
        self.at = 0.0

    def __enter__(self):
        self.go(0.0, 1.0)
        return self

    def __exit__(self, *_):
        """Nothing is open."""

    def go(self, to, for_s):
        """Let it go towards a position for a while, % and s."""
        for _ in range(round(for_s / POLLED_S)):
            step = 100 * POLLED_S / TRAVEL_S
            self.at += max(-step, min(step, to - self.at))
            begun_s = len(self.readings) * POLLED_S
            self.readings.append(RawReading((round(self.at / 0.5),), begun_s, begun_s + 0.01))

    def mark(self):
        """Return how much there is."""
        return {VENT.name: len(self.readings)}

    def since(self, marks):
        """Return what came since."""
        return {VENT.name: self.readings[marks[VENT.name] :]}


class Person:
    """Moves the vent as asked; notes what is shown on the way and at the end, and whether it seems to be over."""

    def __init__(self, track):
        self.track = track
        self.shown = []

    def say(self, _text):
        """Hear it."""

    def glance(self, _text):
        """See it."""

    def wait(self, text, live, over):
        """Do it."""
        to = 100.0 if text.startswith("Open") else 0.0
        self.shown.append((live(), over()))
        for for_s in (TRAVEL_S / 2, 2 * TRAVEL_S):
            self.track.go(to, for_s)
            self.shown.append((live(), over()))


@pytest.fixture
def moved(monkeypatch):
    """Move it; returns what was shown, and what was recorded."""
    track = Track()
    monkeypatch.setattr(hand_moves, "Recording", lambda *_: track)
    monkeypatch.setattr(hand_moves, "_LOOK_S", 0.0)
    person = Person(track)
    vent = HandMovedVent(listed=VENT, request=ReadRequest(1, "input", 0, 1), alone=True)
    return person, record_moves(person, None, [vent])


def test_name_value_and_change_are_shown_in_words(moved):
    """In per cent, as the list codes it, and not as its register stands."""
    shown = [said for said, _ in moved[0].shown]
    assert shown[3] == "Ridge flap was not read yet"
    assert shown[4] == "Ridge flap 50, up from 1, moves"
    assert shown[5] == "Ridge flap 100, up from 1, stands.  All stand: press Enter"
    assert shown[7] == "Ridge flap 50, down from 99, moves"


def test_nothing_seems_over_before_it_moved(moved):
    """The last movement is the unit's own: nobody is told to press Enter for a vent that the unit may leave open."""
    person, _ = moved
    assert [over for _, over in person.shown] == [False, True, True, False, False, True, False, False, True]
    assert "press Enter" not in person.shown[-1][0]


def test_the_opening_and_the_closing_are_recorded(moved):
    """Each from end to end."""
    opening, closing = moved[1][VENT.name]
    assert (opening[0].words, opening[-1].words) == ((2,), (200,))
    assert (closing[0].words, closing[-1].words) == ((198,), (0,))


def test_enter_that_comes_early_is_waited_for(monkeypatch):
    """A vent that still moves is seen to its end: what is recorded of the opening holds both ends."""
    track, person = Track(), None

    class Hasty(Person):
        def wait(self, text, _live, _over):
            self.to = 100.0 if text.startswith("Open") else 0.0
            self.track.go(self.to, TRAVEL_S / 2)

        def glance(self, text):
            self.shown.append(text)
            self.track.go(self.to, TRAVEL_S / 4)

    monkeypatch.setattr(hand_moves, "Recording", lambda *_: track)
    monkeypatch.setattr(hand_moves, "_LOOK_S", 0.0)
    person = Hasty(track)
    vent = HandMovedVent(listed=VENT, request=ReadRequest(1, "input", 0, 1), alone=True)
    opening, _ = record_moves(person, None, [vent])[VENT.name]
    assert any(said.startswith("until all vents stand still, at most ") for said in person.shown)
    assert max(one.words[0] for one in opening) == 200
