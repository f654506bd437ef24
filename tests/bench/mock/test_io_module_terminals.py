"""The I/O module at the unit's drive terminals: what stands where, and what it refuses."""

import pytest
from outside import START_S, settings

from ventproof_bench.mock.io_module import MODULE_ID, UNIT_ID, devices_of
from ventproof_bench.mock.registers import RefusedError
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build


def two_vents(feedback="end-switches", **drive):
    """Return a unit with two vents outside it and one of its own between them, and its module."""
    plain = settings(feedback, **drive)
    outside = plain["vents"]["roof"]
    own = {key: value for key, value in outside.items() if key != "drive"}
    plain["vents"] = {"roof": outside, "gable": own, "side": outside}
    unit = build(MockSettings.model_validate(plain), START_S, 0)
    return unit, devices_of(unit)[MODULE_ID]


def test_a_unit_without_vents_outside_has_no_module():
    """Nobody else answers beside a unit that moves its vents itself."""
    plain = settings("none")
    del plain["vents"]["roof"]["drive"]
    assert list(devices_of(build(MockSettings.model_validate(plain), START_S, 0))) == [UNIT_ID]


def test_contacts_and_switches_are_discrete_inputs():
    """Both vents open: inputs 0 and 2 are on, 1 and 3 off; 4 to 7 tell the reached ends, as the relays say."""
    unit, module = two_vents()
    module.write("coil", 0, [0, 1, 0, 1], START_S)
    assert list(module.read("discrete", 0, 8, START_S)) == [0, 0, 0, 0, 1, 0, 1, 0]
    unit.write("holding", 0, [300], START_S + 1)
    assert list(module.read("discrete", 0, 8, START_S + 1)) == [1, 0, 1, 0, 1, 0, 1, 0]
    module.write("coil", 0, [1, 1], START_S + 3)
    assert list(module.read("discrete", 4, 4, START_S + 3)) == [0, 0, 1, 0]
    assert list(module.read("coil", 0, 4, START_S + 3)) == [1, 1, 0, 1]


def test_relays_at_rest_tell_both_ends_and_so_stop_the_drive():
    """A bench that has lost its outputs stops every drive, and the unit says why."""
    unit, module = two_vents()
    module.write("coil", 0, [0, 1, 0, 1], START_S)
    unit.write("holding", 0, [300], START_S + 1)
    module.write("coil", 0, [0, 0, 0, 0], START_S + 2)
    assert list(module.read("discrete", 0, 4, START_S + 3)) == [0, 0, 0, 0]
    assert list(unit.read("input", 9, 2, START_S + 3)) == [0, 0b11]


def test_levels_are_holding_registers():
    """The second vent's potentiometer is the second register, and the unit tells the position that it measures."""
    unit, module = two_vents("potentiometer")
    module.write("holding", 1, [5000], START_S + 1)
    assert list(module.read("holding", 0, 2, START_S + 1)) == [500, 5000]
    assert list(unit.read("input", 0, 3, START_S + 2)) == [0, 0, 500]


def test_the_module_answers_while_the_unit_is_dead():
    """Without its supply the unit's contacts are off, and the module says so."""
    unit, module = two_vents("none")
    unit.write("holding", 0, [300], START_S + 1)
    unit.set_contact("supply", START_S + 5, closed=False)
    assert list(module.read("discrete", 0, 4, START_S + 5)) == [1, 0, 1, 0]
    assert list(module.read("discrete", 0, 4, START_S + 6)) == [0, 0, 0, 0]


@pytest.mark.parametrize(
    ("table", "address", "words"),
    [
        ("coil", 3, [1, 1]),
        ("holding", 2, [0]),
        ("holding", 0, [10_001]),
        ("input", 0, [0]),
        ("discrete", 0, [0]),
    ],
)
def test_what_is_not_there_or_cannot_be_is_refused(table, address, words):
    """Addresses beyond the last, more than 10 V, and tables that nobody writes."""
    _, module = two_vents()
    with pytest.raises(RefusedError):
        module.write(table, address, words, START_S)


def test_alarms_stand_behind_all_other_registers_and_bits():
    """Two vents outside: registers 9 and 10 behind the stage, and discrete inputs 5 to 8 behind five status bits."""
    unit, module = two_vents()
    module.write("coil", 0, [0, 1, 1, 1], START_S)
    unit.write("holding", 0, [300], START_S)
    unit.advance(START_S + 60)
    assert list(unit.read("input", 9, 2, START_S + 60)) == [0b00, 0b01]
    assert list(unit.read("discrete", 5, 4, START_S + 60)) == [0, 0, 1, 0]
    with pytest.raises(RefusedError):
        unit.read("input", 11, 1, START_S + 61)


def test_where_a_played_vent_is_only_its_player_knows():
    """The mock has no truth about a vent that the bench plays, and says so."""
    unit, _ = two_vents()
    with pytest.raises(LookupError, match="vent 'roof' is outside the mock unit"):
        unit.position("roof")
    assert unit.position("gable") == 0
