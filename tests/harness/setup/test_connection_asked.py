"""Where nobody answers, what is said fits the link, and what was typed is proposed again."""

from __future__ import annotations

import json

import pytest

from ventproof.setup import connection, relays
from ventproof.setup.connection import connect, lines_of
from ventproof.setup.dialogue import Dialogue
from ventproof_bench.modbus.search import Answering

FOUND = json.dumps(
    {
        "bus": {"link": "tcp", "host": "192.0.2.7", "tcp_port": 502},
        "units": [[1, ["input"], False, 0.01]],
    }
)
NOBODY = json.dumps({"bus": {"link": "tcp", "host": "192.0.2.8", "tcp_port": 502}, "units": []})


class Technician:
    """Gives answers in turn, by key; where none is left, what is proposed."""

    there = True

    def __init__(self, answers):
        self.answers = answers
        self.proposed = []
        self.said = []

    def ask(self, question):
        """Answer, and note what was proposed."""
        self.proposed.append((question.key, question.default))
        its = self.answers.get(question.key, [])
        return question.checked(its.pop(0) if its else question.default)

    def say(self, text):
        """Note it."""
        self.said.append(text)


@pytest.fixture
def connected(tmp_path, monkeypatch):
    """Connect where searches bring what is given, in turn; returns the technician and what was searched."""

    def go(searches, **answers):
        left, asked = list(searches), []
        monkeypatch.setattr(
            connection, "_searched", lambda _dialogue, specs, ids: asked.append((specs, ids)) or left.pop(0)
        )
        technician = Technician(answers)
        connect(Dialogue(tmp_path / "b.yaml", technician, {}))
        return technician, asked

    return go


def test_what_was_typed_is_proposed_again_after_a_search_in_vain(connected):
    """Enter keeps link and ids; the address alone is typed anew."""
    technician, asked = connected(
        [NOBODY, FOUND], link=["tcp"], host=["192.0.2.8", "192.0.2.7"], ids=["1, 9"]
    )
    assert technician.proposed[-3:] == [("link", "tcp"), ("host", "192.0.2.8"), ("ids", "1, 9")]
    assert [(specs[0]["host"], ids) for specs, ids in asked] == [("192.0.2.8", (1, 9)), ("192.0.2.7", (1, 9))]


def test_on_a_network_nothing_is_said_of_wires(connected):
    """Address, port, cable, gateway and unit id are; and 1 and 255 are asked first."""
    technician, asked = connected([NOBODY, FOUND], link=["tcp"], host=["192.0.2.8"])
    said = "\n".join(technician.said)
    assert "its network cable in" in said
    assert "1 or 255 is usual" in said
    assert "wires" not in said
    assert asked[0][1][:3] == (1, 255, 2)


@pytest.mark.parametrize(
    ("answer", "lines"),
    [
        ("9600 none", [(9600, "none")]),
        ("19200 8E1", [(19200, "even")]),
        ("4800", [(4800, "none"), (4800, "even"), (4800, "odd")]),
    ],
)
def test_speed_and_parity_are_one_answer(answer, lines):
    """Without a parity each of them is tried."""
    assert list(lines_of(answer)) == lines


@pytest.mark.parametrize("answer", ["", "fast", "9600 maybe", "12 none", "9600 8X1"])
def test_what_is_no_line_setting_is_refused(answer):
    """With what would be right."""
    with pytest.raises(ValueError, match="write"):
        lines_of(answer)


def test_a_relay_board_that_did_not_answer_yet_is_looked_for_at_all_other_ids(tmp_path, monkeypatch):
    """Enter looks further; the board that is found is proposed then."""
    asked = []

    def searched(_dialogue, _declared, ids, known=()):
        asked.append((len(ids), [one.unit_id for one in known]))
        return json.dumps(
            {"bus": {"link": "tcp", "host": "192.0.2.7"}, "units": [[77, ["coil"], True, 0.01]]}
        )

    monkeypatch.setattr(connection, "_searched", searched)
    monkeypatch.setattr(relays, "_coils_from", lambda *_: 3)
    unit = Answering(9, ("holding",), coils=False, slowest_s=0.01)
    found = connection.Connection({"link": "tcp", "host": "192.0.2.7"}, (unit,))
    technician = Technician({})
    board = relays.find_board(Dialogue(tmp_path / "b.yaml", technician, {}), found, 9)
    assert [place["unit_id"] for place in board.places] == [77, 77, 77]
    assert asked == [(246, [9])]
    assert [d for key, d in technician.proposed if key == "board.unit_id"] == ["search", "77"]


def test_a_unit_id_is_no_number_of_a_choice(tmp_path):
    """Unit id 1 is meant by 1, although the first choice is another."""
    board = Answering(40, ("coil",), coils=True, slowest_s=0.01)
    found = connection.Connection({"link": "tcp", "host": "192.0.2.7"}, (board,))
    technician = Technician({"board.unit_id": ["1"], "relays": ["2"]})
    dialogue = Dialogue(tmp_path / "b.yaml", technician, {})
    assert relays._board_id(dialogue, found, 9)[0] == 1
