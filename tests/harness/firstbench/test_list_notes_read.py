"""What makers' lists say of codings in notes, in whatever column and style, is read, and proposed, not believed."""

from __future__ import annotations

import pytest

from ventproof.firstbench.list_notes import notes_of
from ventproof.firstbench.makers_list import read_list


@pytest.mark.parametrize(
    ("note", "kind", "order", "scale"),
    [
        ("u32 low word first", "u32", "low-first", None),
        ("low word first", None, "low-first", None),
        ("LSW first", None, "low-first", None),
        ("word-swapped", None, "low-first", None),
        ("words swapped", None, "low-first", None),
        ("words not swapped", None, "high-first", None),
        ("little-endian", None, "low-first", None),
        ("CDAB", None, "low-first", None),
        ("big endian", None, "high-first", None),
        ("most significant word first", None, "high-first", None),
        ("ABCD", None, "high-first", None),
        ("signed", "s16", None, None),
        ("16-bit unsigned", "u16", None, None),
        ("unsigned 32 bit, high word first", "u32", "high-first", None),
        ("two's complement", "s16", None, None),
        ("float, lower register first", "f32", "low-first", None),
        ("x0.1", None, None, 0.1),
        ("scale 0,1", None, None, 0.1),
        ("1/10 °C", None, None, 0.1),
        ("in 0.5 %", None, None, 0.5),
        ("tenths of a degree", None, None, 0.1),
        ("divide by 100", None, None, 0.01),
        ("°C/10", None, None, 0.1),
        ("signed, x0.1", "s16", None, 0.1),
        ("position of the ridge vent", None, None, None),
        ("0 = closed, 100 = open", None, None, None),
        ("x10", None, None, None),
        ("starts above 0.5 m/s", None, None, None),
        ("low first, or high first", None, None, None),
        ("float or u16", None, None, None),
        ("a long word on flags", None, None, None),
    ],
)
def test_a_note_tells_type_order_and_scale_in_the_usual_words(note, kind, order, scale):
    """What contradicts itself, or may mean two things, tells nothing."""
    notes = notes_of([note])
    assert (notes.type, notes.word_order, notes.scale) == (kind, order, scale)


def codings(text):
    return {v.label: (v.type, v.word_order, v.scale, v.unit) for v in read_list(text, "list")}


def test_a_list_with_remarks_in_a_last_column():
    """The column's heading is none that is known."""
    text = (
        "Register,Point,Access,Remarks\n"
        '30021,Ridge flap,R,"u32, low word first, 1/10 %"\n'
        '30023,Air,R,"signed, x0.1"\n'
        "10003,Wet,R,1 = rain\n"
    )
    assert codings(text) == {
        "Ridge flap": ("u32", "low-first", 0.1, ""),
        "Air": ("s16", None, 0.1, ""),
        "Wet": ("bit", None, None, ""),
    }
    assert all(value.noted for value in read_list(text, "list")[:2])


def test_a_list_with_one_remark_for_all_values_below_a_title():
    """Title and remark are no values; the word order holds for values of two registers."""
    text = (
        "Modbus points of the Querfeld unit, issue 3\n"
        "Name;Address;Type;Unit\n"
        "North vent;40101-40102;UINT32;0.01 %\n"
        "South vent;40103;INT16;%\n"
        "All values of 32 bits are sent low word first.\n"
    )
    assert codings(text) == {
        "North vent": ("u32", "low-first", 0.01, "%"),
        "South vent": ("s16", None, None, "%"),
    }


def test_a_list_pasted_from_a_page_with_wide_space_between_its_columns():
    """No separator but space; scales stand in units."""
    text = "Vent east    30001   16 bit unsigned    x0.5   %\nOutside    30002    int16    1/10    °C\n"
    assert codings(text) == {
        "Vent east": ("u16", None, 0.5, "%"),
        "Outside": ("s16", None, 0.1, "°C"),
    }


def test_a_list_with_a_column_for_the_word_order():
    """In the fewest words."""
    text = (
        "tag|register|data type|word order|units\nV1|input 7|float32|low|%\nV2|input 9|float32|big-endian|%\n"
    )
    assert codings(text) == {"V1": ("f32", "low-first", None, "%"), "V2": ("f32", "high-first", None, "%")}
    assert not any(value.noted for value in read_list(text, "list"))


def test_a_list_whose_names_tell_the_coding():
    """In brackets behind the name."""
    text = "Lee vent (0.1 %),30001\nTemperature [1/10 °C] signed,30002\n"
    assert codings(text) == {
        "Lee vent (0.1 %)": (None, None, 0.1, ""),
        "Temperature [1/10 °C] signed": ("s16", None, 0.1, ""),
    }


def test_a_column_of_its_own_counts_more_than_a_note():
    """The note is then no hint."""
    (value,) = read_list('name,address,type,scale,note\nVent,30001,u16,0.5,"signed, x0.1"\n', "list")
    assert (value.type, value.scale, value.noted) == ("u16", 0.5, False)
