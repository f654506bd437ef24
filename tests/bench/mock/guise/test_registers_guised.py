"""The mock's values stand in the registers of its guise, and its maker's list tells where."""

from __future__ import annotations

import csv
import io
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.errors import FileError
from ventproof_bench.base.files import shipped_folder
from ventproof_bench.mock.guise.registers import GuisedUnit, makers_list
from ventproof_bench.mock.guise.serve import LampBoard, turn_hand_switch
from ventproof_bench.mock.guise.settings import load_guise, shipped_settings
from ventproof_bench.mock.registers import ILLEGAL_ADDRESS, ILLEGAL_FUNCTION, RefusedError
from ventproof_bench.mock.unit import build

SHIPPED = shipped_folder("ventproof_bench", "files", checkout="../files") / "guises" / "hollerbach.yaml"
GUISE = load_guise(SHIPPED).model


@pytest.fixture
def unit():
    """The mock, just powered up."""
    return build(shipped_settings(), 0.0, 0)


@given(roof=st.floats(0, 100), side=st.floats(0, 100))
def test_a_position_reads_as_where_the_vent_truly_is(roof, side):
    """Register 120 in halves of a per cent, 121 and 122 as a float, low word first: decoded here by struct alone."""
    unit = build(shipped_settings(), 0.0, 0)
    unit.set_by_hand("roof", 1.0, roof)
    unit.set_by_hand("side", 1.0, side)
    words = GuisedUnit(GUISE, unit).read("input", 120, 3, 100.0)
    assert words[0] == pytest.approx(
        unit.position("roof") * 2, abs=0.61
    )  # a tenth of the mock's own, and half a count
    (shown,) = struct.unpack(">f", struct.pack(">HH", words[2], words[1]))
    assert shown == pytest.approx(unit.position("side"), abs=0.051)


def test_a_setting_reaches_the_unit_and_reads_back(unit):
    """The house becomes warm, and its vents open."""
    registers = GuisedUnit(GUISE, unit)
    registers.write("holding", 300, [300], 1.0)
    assert registers.read("holding", 300, 1, 2.0) == [300]
    unit.advance(60.0)
    assert unit.position("roof") == pytest.approx(92)


@pytest.mark.parametrize(
    ("table", "address", "count"), [("input", 119, 1), ("input", 131, 2), ("coil", 0, 1), ("input", 0, 1)]
)
def test_beyond_the_list_the_unit_refuses(unit, table, address, count):
    """With an illegal data address: MODBUS Application Protocol V1.1b3, chapter 7."""
    with pytest.raises(RefusedError) as refused:
        GuisedUnit(GUISE, unit).read(table, address, count, 1.0)
    assert refused.value.code == ILLEGAL_ADDRESS


def test_between_the_values_of_the_list_registers_read_zero(unit):
    """So that a read across a gap is answered."""
    assert GuisedUnit(GUISE, unit).read("input", 123, 1, 1.0) == [0]


def test_the_list_names_each_value_by_its_reference_number():
    """Counted from 1, without the columns that the guise leaves out."""
    rows = list(csv.DictReader(io.StringIO(makers_list(GUISE))))
    assert set(rows[0]) == {"name", "address", "unit", "access"}
    assert {row["name"]: row["address"] for row in rows}["Rain alarm"] == "10009"
    assert [row["access"] for row in rows].count("rw") == 1


def test_the_board_has_coils_from_its_first_on_and_nothing_else():
    """A relay tells of each change once."""
    told = []
    board = LampBoard(16, [told.append, lambda _: None])
    board.write("coil", 16, [1], 0.0)
    board.write("coil", 16, [1], 0.0)
    board.write("coil", 16, [0, 1], 0.0)
    assert told == [True, False]
    assert board.read("coil", 16, 2, 0.0) == [0, 1]
    for table, address, code in (
        ("coil", 15, ILLEGAL_ADDRESS),
        ("coil", 17, ILLEGAL_ADDRESS),
        ("input", 16, ILLEGAL_FUNCTION),
    ):
        with pytest.raises(RefusedError) as refused:
            board.read(table, address, 2, 0.0)
        assert refused.value.code == code


def test_a_hand_switch_beats_the_rain(unit):
    """And automatic gives the vent back to the rules."""
    GuisedUnit(GUISE, unit).write("holding", 300, [300], 1.0)
    unit.set_by_hand("roof", 1.0, 100.0)
    unit.set_contact("rain", 1.0, closed=True)
    unit.advance(60.0)
    assert unit.position("roof") == pytest.approx(100)
    unit.set_by_hand("roof", 60.0, None)
    unit.advance(120.0)
    assert unit.position("roof") < 9  # its rain position, 8 %


@pytest.mark.parametrize("line", ["roof", "roof 300 %", "cellar open", "roof sideways", "roof 40 °C"])
def test_a_line_that_turns_no_switch_is_told(unit, line):
    """With what would be right."""
    with pytest.raises(ValueError, match="write VENT open, VENT close, VENT 40 %, or VENT auto"):
        turn_hand_switch(unit, line, 1.0)


def test_all_slips_of_a_guise_are_told_at_once(tmp_path):
    """Each with its line: an unknown value, two in one place, a table that cannot be written, a relay at no input."""
    path = tmp_path / "wrong.yaml"
    path.write_text(
        "guise: wrong\nunit_id: 3\nshows:\n  A: {of: roof_vant, table: input, address: 0}\n"
        "  B: {of: side_vent, table: input, address: 5, type: u32}\n  C: {of: stage, table: input, address: 6}\n"
        "takes:\n  D: {of: house_temperature, table: input, address: 9}\n"
        "relays: {unit_id: 3, wired: [rain, hail]}\n",
        encoding="utf-8",
    )
    with pytest.raises(FileError) as raised:
        load_guise(path)
    assert [(problem.line, problem.reason) for problem in raised.value.problems] == [
        (4, "the mock has nothing called 'roof_vant'"),
        (6, "input 6 holds 'B' already"),
        (8, "table 'input' is not written here"),
        (9, "unit id 3 is the unit's own"),
        (9, "the mock has no input 'hail'"),
    ]
