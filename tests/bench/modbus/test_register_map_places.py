"""Reference numbers, addresses and types: what is meant is found, the rest is refused with the way out."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.benchfile.signals import Location
from ventproof_bench.modbus.register_map import parse_reference, resolve


def located(**fields):
    """Return a location on bus `unit`."""
    return Location.model_validate({"bus": "unit", **fields})


@pytest.mark.parametrize(
    ("reference", "place"),
    [
        ("00001", ("coil", 0)),
        (10001, ("discrete", 0)),
        (30001, ("input", 0)),
        (40001, ("holding", 0)),
        ("40108", ("holding", 107)),
        (49999, ("holding", 9998)),
        (400001, ("holding", 0)),
        ("365536", ("input", 65535)),
        ("065536", ("coil", 65535)),
    ],
)
def test_reference_number_is_one_more_than_the_address(reference, place):
    """The first digit names the table, and counting begins with 1."""
    assert parse_reference(reference) == place


@pytest.mark.parametrize(
    ("reference", "message"),
    [
        (
            40000,
            (
                "reference 40000 does not exist: reference numbers count from 1, so the first is "
                "40001, which is holding address 0"
            ),
        ),
        (
            "20001",
            (
                "reference 20001 begins with 2; 0 is a coil, 1 a discrete input, 3 an input register,"
                " 4 a holding register"
            ),
        ),
        ("465537", "reference 465537 is past the last one, 465536, which is holding address 65535"),
        (
            17,
            (
                "reference 17 has 2 digits; write five or six, such as 40001; coil 17 is '00017', "
                "in quotes to keep its zeros"
            ),
        ),
        ("4000001", "reference 4000001 has 7 digits; write five or six, such as 40001"),
        ("4x001", "reference '4x001' is not a number; write five or six digits, such as 40001"),
        ("-40001", "reference '-40001' is not a number; write five or six digits, such as 40001"),
    ],
)
def test_wrong_reference_says_what_would_be_right(reference, message):
    """Each slip of a reference number is named."""
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        parse_reference(reference)


@given(table=st.sampled_from("0134"), number=st.integers(1, 9999))
def test_five_and_six_digits_agree(table, number):
    """The short and the long spelling of a reference name the same register."""
    assert parse_reference(f"{table}{number:04d}") == parse_reference(f"{table}{number:05d}")


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"table": "input", "address": 0}, ("input", 0)),
        ({"reference": 40001}, ("holding", 0)),
        ({"reference": 40001, "table": "holding", "address": 0}, ("holding", 0)),
        ({"table": "holding", "address": 40001, "address_is_on_wire": True}, ("holding", 40001)),
        ({"table": "holding", "address": 30000}, ("holding", 30000)),
        ({"table": "holding", "address": 50000}, ("holding", 50000)),
        ({"table": "holding", "address": 10001}, ("holding", 10001)),
        ({"table": "coil", "address": 3, "type": "bit"}, ("coil", 3)),
        ({"table": "input", "address": 65534, "type": "f32"}, ("input", 65534)),
    ],
)
def test_place_is_found(fields, place):
    """A location that can only be meant one way is understood."""
    assert resolve(located(**fields)) == place


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({}, "table and address missing; give table and address, or reference"),
        ({"table": "input"}, "address missing; give table and address, or reference"),
        (
            {"reference": 40001, "table": "input"},
            "reference 40001 is in table holding, but table says input; drop one",
        ),
        (
            {"reference": 40001, "address": 1},
            (
                "reference 40001 means holding 0, but address is 1; references count from 1, "
                "addresses from 0; drop one"
            ),
        ),
        (
            {"table": "holding", "address": 40001},
            (
                "address 40001 looks like a reference number, which counts from 1, while address "
                "counts from 0; write `reference: 40001` for holding address 0, or confirm the "
                "address with `address_is_on_wire: true`"
            ),
        ),
        (
            {"table": "holding", "address": 40000},
            (
                "address 40000 looks like a reference number, which counts from 1, while address "
                "counts from 0; write `reference: 40001` for holding address 0, or confirm the "
                "address with `address_is_on_wire: true`"
            ),
        ),
        (
            {"table": "discrete", "address": 10001, "type": "bit"},
            (
                "address 10001 looks like a reference number, which counts from 1, while address "
                "counts from 0; write `reference: 10001` for discrete address 0, or confirm the "
                "address with `address_is_on_wire: true`"
            ),
        ),
        (
            {"table": "coil", "address": 0, "type": "u16"},
            "type u16 does not fit table coil, whose entries are single bits; write `type: bit`",
        ),
        (
            {"table": "coil", "address": 0, "type": "bit", "bit": 3},
            "bit 3 means nothing in table coil, whose entries are single bits; drop it",
        ),
        (
            {"table": "input", "address": 0, "type": "bit"},
            "type bit in table input needs `bit`, 0 (least significant) to 15",
        ),
        (
            {"table": "input", "address": 0, "type": "s16", "bit": 3},
            "bit 3 does not go with type s16; write `type: bit` or drop `bit`",
        ),
        (
            {"table": "input", "address": 65535, "type": "u32"},
            ("type u32 takes two registers, and address 65535 is the last one; the highest is 65534"),
        ),
        (
            {"table": "input", "address": 6, "type": "bit", "bit": 0, "scale": 0.1},
            "type bit is 0 or 1 and takes no scale or offset; drop them",
        ),
        (
            {"table": "input", "address": 6, "scale": float("inf")},
            "scale inf and offset 0.0 must be finite numbers",
        ),
        (
            {"table": "input", "address": 6, "scale": 1e29},
            "scale 1e+29 with offset 0.0 gives values beyond 1e30; no unit has such",
        ),
    ],
)
def test_wrong_place_says_what_would_be_right(fields, message):
    """Each contradiction of a location is named with the way out."""
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        resolve(located(**fields))
