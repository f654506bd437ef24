"""A maker's list is read as makers write it, and every slip in it is told with its line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.firstbench.makers_list import placed, read_list, slug
from ventproof_bench.base.errors import FileError

COLUMNS = "name,address,type,scale,unit,access\n"


def one(line, header=COLUMNS):
    (value,) = read_list(header + line, "list.csv")
    return value


@pytest.mark.parametrize(
    ("address", "table", "number", "bit"),
    [
        ("30121", "input", 120, None),
        ("40001", "holding", 0, None),
        ("10009", "discrete", 8, None),
        ("00017", "coil", 16, None),
        ("400301", "holding", 300, None),
        ("input 120", "input", 120, None),
        ("HR 7", "holding", 7, None),
        ("30007.3", "input", 6, 3),
        ("120", None, 120, None),
        ("0x78", None, 120, None),
    ],
)
def test_an_address_is_read_as_makers_write_it(address, table, number, bit):
    """Reference numbers count from 1, and their first digit is the table: convention of manuals, no standard.

    The MODBUS Application Protocol V1.1b3, 4.4, counts from 0 on the wire and from 1 in its data model.
    """
    value = one(f"Vent,{address},,,%,r\n")
    assert (value.table, value.address, value.bit) == (table, number, bit)


@pytest.mark.parametrize(
    ("said", "kind", "order"),
    [
        ("uint16", "u16", None),
        ("INT16", "s16", None),
        ("Float low word first", "f32", "low-first"),
        ("u32 high-first", "u32", "high-first"),
        ("REAL", "f32", None),
        ("", None, None),
    ],
)
def test_a_type_is_read_by_its_usual_names(said, kind, order):
    """Common practice, no source: the names of types that manuals use."""
    value = one(f"Vent,30001,{said},,%,r\n")
    assert (value.type, value.word_order) == (kind, order)


@pytest.mark.parametrize(
    ("said", "scale"), [("0.1", 0.1), ("x0.1", 0.1), ("1/10", 0.1), ("/100", 0.01), ("", None)]
)
def test_a_scale_is_read_as_makers_write_it(said, scale):
    """A factor, or a fraction."""
    assert one(f"Vent,30001,u16,{said},%,r\n").scale == scale


def test_a_list_with_semicolons_may_have_decimal_commas():
    """As spreadsheets of half the world save it."""
    value = one("Vent;30001;u16;0,1;%;r\n", COLUMNS.replace(",", ";"))
    assert (value.scale, value.unit) == (0.1, "%")


def test_a_list_without_headings_has_the_usual_order():
    """Name, address, type, scale, unit, access."""
    (value,) = read_list("Ridge vent,30121,u16,0.5,%,rw\n", "list.csv")
    assert (value.name, value.address, value.scale, value.writable) == ("ridge_vent", 120, 0.5, True)


def test_two_values_of_one_name_get_names_of_their_own():
    """A bench file names each signal once."""
    names = [v.name for v in read_list("Vent,30001\nVent,30002\nVent,30003\n", "list.csv")]
    assert names == ["vent", "vent_2", "vent_3"]


def test_every_slip_is_told_with_its_line():
    """All at once, two of one line as well, each with what would be right."""
    text = (
        COLUMNS
        + "Vent,abc,u99,,%,r\n,30001,,,,\nRain,30002,u17,,,\nWind,30003,u16,0,m/s,r\nFine,30004,u16,1,%,r\n"
    )
    with pytest.raises(FileError) as raised:
        read_list(text, "list.csv")
    assert str(raised.value).splitlines() == [
        "list.csv:2: 'abc' is not an address; write 30121, input 120, or 120",
        "list.csv:2: 'u99' is not a type; write bit, u16, s16, u32, s32 or f32, or leave it empty",
        "list.csv:3: there is no name; write name, address, type, scale",
        "list.csv:4: 'u17' is not a type; write bit, u16, s16, u32, s32 or f32, or leave it empty",
        "list.csv:5: '0' is not a scale; it must be more than zero",
    ]


@pytest.mark.parametrize("text", ["", "\n\n", COLUMNS])
def test_an_empty_list_is_no_list(text):
    """It is told, with what a line holds."""
    with pytest.raises(FileError, match="a line a value"):
        read_list(text, "list.csv")


@given(st.text(max_size=60))
def test_any_label_gives_a_name_for_files(label):
    """Lower-case letters, digits, underscores, forty at the most, a letter first: as the bench file's model asks."""
    name = slug(label)
    assert name[:1].isalpha()
    assert name.isascii()
    assert name == name.lower()
    assert len(name) <= 40
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789_")


@given(st.text(max_size=400))
def test_whatever_is_pasted_is_read_or_refused(text):
    """No text brings out anything but values or problems of the list."""
    problems = ()
    try:
        assert read_list(text, "pasted")
    except FileError as error:
        problems = error.problems
    assert all(problem.file == "pasted" and problem.line for problem in problems)


def test_bare_addresses_are_placed_in_one_table():
    """Counted from 1, one less goes over the wire; what has a table keeps it."""
    values = read_list("Vent,121\nRain,10009\n", "list.csv")
    vent, rain = placed(values, "input", 1)
    assert (vent.table, vent.address, rain.table, rain.address) == ("input", 120, "discrete", 8)
    with pytest.raises(ValueError, match="counts from 0"):
        list(placed(read_list("Vent,0\n", "list.csv"), "input", 1))
