"""What stands for a position at a feedback input, by hand, for every signal that carries one."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter

from ventproof_bench.benchfile.feedback import PositionLevels
from ventproof_bench.benchfile.model import OutputSpec

WIRED = {"driver": "register", "wired": {"bus": "io", "table": "holding", "address": 0}}


def levels(**keys):
    """Return the levels of an output with these keys, 0 % to 100 % unless said otherwise."""
    if keys["kind"] == "level":
        keys.setdefault("range", ["0 %", "100 %"])
    return PositionLevels.of(TypeAdapter(OutputSpec).validate_python(WIRED | keys))


@pytest.mark.parametrize(
    ("keys", "closed", "quarter", "opened"),
    [
        ({"kind": "level", "signal": "0-10 V"}, 0.0, 2.5, 10.0),
        ({"kind": "level", "signal": "2-10 V"}, 2.0, 4.0, 10.0),
        ({"kind": "level", "signal": "4-20 mA"}, 4.0, 8.0, 20.0),
        ({"kind": "level", "signal": "0-20 mA"}, 0.0, 5.0, 20.0),
        ({"kind": "level", "signal": "ratio", "supply": "5 V"}, 0.0, 1.25, 5.0),
        ({"kind": "level", "signal": "0-10 V", "range": ["100 %", "0 %"]}, 10.0, 7.5, 0.0),
        (
            {"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [200, 1200]}},
            200.0,
            450.0,
            1200.0,
        ),
        (
            {"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [5000, 0]}},
            5000.0,
            3750.0,
            0.0,
        ),
    ],
)
def test_a_position_stands_on_the_line_between_the_ends(keys, closed, quarter, opened):
    """Closed, a quarter open, open; and back."""
    scale = levels(**keys)
    for percent, level in ((0.0, closed), (25.0, quarter), (100.0, opened)):
        assert scale.level(percent) == pytest.approx(level)
        assert scale.percent(level) == pytest.approx(percent)


def test_a_range_wider_than_the_travel_leaves_room_for_failures():
    """0.5 V closed and 9.5 V open, as a potentiometer with resistors at its ends shows."""
    scale = levels(kind="level", signal="0-10 V", range=["-5.5555556 %", "105.5555556 %"])
    assert scale.level(0.0) == pytest.approx(0.5)
    assert scale.level(100.0) == pytest.approx(9.5)


@pytest.mark.parametrize(
    ("keys", "broken", "shorted"),
    [
        ({"kind": "level", "signal": "0-10 V"}, 10.0, 0.0),
        ({"kind": "level", "signal": "ratio", "supply": "5 V"}, 5.0, 0.0),
        ({"kind": "level", "signal": "4-20 mA"}, 0.0, 21.5),
        ({"kind": "level", "signal": "4-20 mA", "limits": ["0 mA", "20.5 mA"]}, 0.0, 20.5),
        ({"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [200, 1200]}}, 1e7, 0.0),
    ],
)
def test_a_failed_wire_shows_what_its_input_sees_as_far_as_the_output_goes(keys, broken, shorted):
    """Pulled up where it is open, nothing where it is shorted; no level beyond what the module can put."""
    scale = levels(**keys)
    assert (scale.broken, scale.shorted) == (broken, shorted)
