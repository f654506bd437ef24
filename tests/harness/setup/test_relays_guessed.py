"""What answered a relay is named, what is wired to it is proposed from that, and vents must stand open before."""

from __future__ import annotations

from contextlib import nullcontext

import pytest

from ventproof.firstbench.bench_text import FirstBench, FirstSetting, FirstSignal
from ventproof.firstbench.codings import Coding
from ventproof.firstbench.makers_list import read_list
from ventproof.firstbench.responses import MovedSignal
from ventproof.setup import relays
from ventproof.setup.asking import Clearance
from ventproof.setup.dialogue import Dialogue
from ventproof.setup.relays import Clicker, RelayBoard
from ventproof.setup.trying import OpenedVents, Tried

LIST = """name,address,type,scale,unit,access
North vent,30001,u16,0.1,%,r
Precipitation lamp,10001,bit,,,r
Wind too strong,10002,bit,,,r
Status,10003,bit,,,r
Test temperature,40001,s16,0.1,°C,rw
"""
VENT, WET, GUST, STATUS, WARM = read_list(LIST, "list")
SIGNALS = (
    FirstSignal(listed=VENT, coding=Coding("u16", scale=0.1), unit="%", full_travel_s=30.0),
    *(FirstSignal(listed=flag, coding=Coding("bit"), unit="flag") for flag in (WET, GUST, STATUS)),
)
SILENT = Tried({}, fell_silent=True)


def did(**answers):
    """What all signals did: those named changed from the first to the second value and came back."""
    values = {one.name: answers.get(one.name, (0.0, 0.0)) for one in SIGNALS}
    return Tried(
        {
            name: MovedSignal(
                before=before,
                held=held,
                after=before,
                first_s=1.0 if held != before else None,
                stood_s=2.0,
                back_first_s=1.0,
                back_stood_s=2.0,
            )
            for name, (before, held) in values.items()
        },
        fell_silent=False,
    )


NOTHING = did()
RAIN = did(north_vent=(90.0, 10.0), precipitation_lamp=(0.0, 1.0))
FLAG_ONLY = did(precipitation_lamp=(0.0, 1.0))


class Board:
    """Relays whose effects are known; notes what was done in order."""

    def __init__(self, effects, opened):
        self.effects = effects
        self.opened = list(opened)
        self.log = []
        self.lit = None

    def __call__(self, *_, **__):
        """Be held open."""
        return nullcontext(self)

    def open_vents(self, _values, **_):
        """Return what came of it, the last again and again."""
        self.log.append("open")
        return OpenedVents(self.opened.pop(0) if len(self.opened) > 1 else self.opened[0], ("north_vent",))

    def switch(self, output, patience, _said, meanwhile=lambda: None):
        """Light its lamp, do what is done meanwhile, and tell its effect."""
        self.log.append(output + ("" if patience.calm else ", vents moving"))
        self.lit = output
        meanwhile()
        self.lit = None
        effect = self.effects[output]
        return effect.pop(0) if isinstance(effect, list) else effect


class Technician:
    """Takes what is proposed unless told otherwise."""

    there = True

    def __init__(self, board, answers):
        self.board = board
        self.answers = answers
        self.asked = {}
        self.said = []

    def ask(self, question):
        """Answer; notes the proposal and which lamp is lit."""
        self.asked.setdefault(question.key, []).append((question.default, question.text, self.board.lit))
        return question.checked(self.answers.get(question.key, question.default))

    def say(self, text):
        """Note it."""
        self.said.append(text)

    def glance(self, text):
        """Nobody looks."""


@pytest.fixture
def learn(tmp_path, monkeypatch):
    """Learn what is wired to a board; returns the bench, the technician, and what was done."""

    def go(*effects, opened=((),), there=True, answers=None):
        board = Board({f"relay_{n}": one for n, one in enumerate(effects, start=1)}, opened)
        monkeypatch.setattr(relays, "RelayTrials", board)
        technician = Technician(board, answers or {})
        technician.there = there
        setting = FirstSetting(listed=WARM, coding=Coding("s16", scale=0.1), unit="°C", warm=30.0)
        bus = {"link": "tcp", "host": "127.0.0.1"}
        bench = FirstBench(title="b", buses={"unit": bus}, unit_id=1, signals=SIGNALS, settings=(setting,))
        coils = tuple({"bus": "unit", "unit_id": 2, "coil": n} for n in range(len(effects)))
        dialogue = Dialogue(tmp_path / "b.yaml", technician, {})
        clicker = Clicker(dialogue, bench, RelayBoard("coil", coils), Clearance(dialogue, clear=True), None)
        return clicker.learn(), technician, board.log

    return go


def test_a_relay_that_flags_alone_answer_is_proposed_by_what_they_say(learn):
    """No vent moved: that is no reason to propose nothing; what answered is named."""
    _, technician, _ = learn([FLAG_ONLY, RAIN])
    ((proposed, _, _),) = technician.asked["relay.1"]
    assert proposed == "rain"
    assert "  Precipitation lamp: on after 1.0 s" in technician.said


@pytest.mark.parametrize(
    ("effect", "proposed"),
    [
        (NOTHING, "none"),
        (did(wind_too_strong=(0.0, 1.0), north_vent=(90.0, 0.0)), "wind"),
        (did(status=(0.0, 1.0)), "status"),
        (did(north_vent=(90.0, 0.0)), "rain"),
        (SILENT, "supply"),
    ],
)
def test_what_is_wired_is_proposed_from_what_answered(learn, effect, proposed):
    """Flags by their names, vents alone are rain, silence is the supply."""
    _, technician, _ = learn(effect, RAIN, answers={"relay.1": "something", "relay.2": "rain"})
    assert technician.asked["relay.1"][0][0] == proposed


def test_a_lamp_is_asked_for_while_it_is_lit(learn):
    """Of each relay, also of those to which nothing is wired."""
    _, technician, _ = learn(NOTHING, RAIN)
    assert technician.asked["relay.1.lamp"][0][2] == "relay_1"
    assert technician.asked["relay.2.lamp"][0][2] == "relay_2"
    assert technician.asked["relay.2"][0][2] is None


def test_the_rain_that_a_click_showed_is_not_played_again(learn):
    """The vents stood open and answered: that is what the rain test wants to know."""
    bench, _, log = learn(NOTHING, RAIN)
    assert log == ["open", "relay_1", "relay_2"]
    assert bench.answers["north_vent"].held == 10
    assert bench.opened == ["north_vent"]


def test_the_rain_that_moved_no_vent_is_played_again_with_patience(learn):
    """A unit may take longer than a click to close its vents."""
    bench, _, log = learn([FLAG_ONLY, RAIN])
    assert log == ["open", "relay_1", "relay_1"]
    assert bench.answers["north_vent"].answered


def test_vents_that_stay_closed_are_told_before_the_first_relay(learn):
    """A hand switch is still on: it is named, and looked at again once it was turned."""
    _, technician, log = learn(RAIN, opened=[("north_vent",), ()])
    assert log == ["open", "open", "relay_1"]
    assert "North vent: not open. Is a hand switch still on?" in technician.asked["opened"][0][1]


def test_vents_may_stay_closed_where_the_technician_says_so(learn):
    """No dead end."""
    _, _, log = learn(RAIN, opened=[("north_vent",)], answers={"opened": "go on"})
    assert log == ["open", "relay_1"]


def test_after_a_loss_of_supply_vents_are_waited_for_only_while_rain_is_unknown(learn):
    """They take their time to open again; a relay that comes after rain was seen needs them no more."""
    assert learn(SILENT, RAIN)[2] == ["open", "relay_1", "open", "relay_2"]


def test_a_relay_after_rain_and_supply_does_not_wait_for_the_vents(learn):
    """And what the vents do then is not an answer to it; the rain test, which comes next, waits for them."""
    _, _, log = learn(RAIN, SILENT, NOTHING)
    assert log == ["open", "relay_1", "relay_2", "relay_3, vents moving"]


def test_without_a_person_closed_vents_are_told_and_passed(learn):
    """A script must end."""
    _, technician, log = learn(RAIN, opened=[("north_vent",)], there=False)
    assert log == ["open", "relay_1"]
    assert any("CAUTION: North vent: not open" in said for said in technician.said)


def test_what_cuts_the_supply_is_not_proposed_as_the_rain_contact(learn):
    """It must not be clicked again for the rain."""
    _, technician, _ = learn(SILENT, RAIN, answers={"relay.2": "shower", "rain": "shower"})
    assert technician.asked["rain"][0][0] == "shower"
