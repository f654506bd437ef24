"""What a person asks to look at by address, and what registers could stand for."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.rig.looking import RegisterPlace, place_of, readings_of

WORDS = st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=9)


@pytest.mark.parametrize(
    ("text", "request_"),
    [
        ("unit:input:7", ReadRequest(1, "input", 7, 1)),
        ("unit:holding:40-45@3", ReadRequest(3, "holding", 40, 6)),
        ("unit:coil:65535@255", ReadRequest(255, "coil", 65535, 1)),
    ],
)
def test_a_place_is_bus_table_addresses_and_unit(text, request_):
    """Addresses go over the wire as they are written; the unit is 1 unless stated."""
    assert place_of(text, ["unit"]) == RegisterPlace("unit", request_)


def test_a_place_reads_as_it_is_written():
    """What is printed for a place can be typed again."""
    assert str(place_of("unit:holding:40-45@3", ["unit"])) == "unit:holding:40-45@3"
    assert str(place_of("unit:input:7", ["unit"])) == "unit:input:7@1"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("unit:input", "'unit:input' is not a place; write BUS:TABLE:ADDRESS, such as unit:input:0-5@1"),
        ("io:input:1", "there is no bus 'io'; known: unit"),
        ("unit:inputs:1", "there is no table 'inputs'; use one of coil, discrete, input, holding"),
        (
            "unit:input:9-3",
            "'unit:input:9-3' is out of range; addresses 0 to 65535, 100 at once, unit ids 0 to 255",
        ),
        (
            "unit:input:0-100",
            "'unit:input:0-100' is out of range; addresses 0 to 65535, 100 at once, unit ids 0 to 255",
        ),
        (
            "unit:input:0@256",
            "'unit:input:0@256' is out of range; addresses 0 to 65535, 100 at once, unit ids 0 to 255",
        ),
        (
            "unit:input:65536",
            "'unit:input:65536' is out of range; addresses 0 to 65535, 100 at once, unit ids 0 to 255",
        ),
    ],
)
def test_what_is_no_place_is_refused_with_what_would_be(text, message):
    """One clear sentence each."""
    with pytest.raises(Refusal) as caught:
        place_of(text, ["unit"])
    assert str(caught.value) == message


@given(WORDS)
def test_every_coding_is_that_of_the_standard_library(words):
    """Each pair of registers, either first, as Python's own `struct` reads the bytes."""
    told = readings_of(words)
    raw = struct.pack(f">{len(words)}H", *words)
    assert told["u16"] == struct.unpack(f">{len(words)}H", raw)
    assert told["s16"] == struct.unpack(f">{len(words)}h", raw)
    whole = raw[: len(words) // 2 * 4]
    turned = b"".join(whole[i + 2 : i + 4] + whole[i : i + 2] for i in range(0, len(whole), 4))
    for order, data in (("high-first", whole), ("low-first", turned)):
        for coding, code in (("u32", "I"), ("s32", "i"), ("f32", "f")):
            expected = struct.unpack(f">{len(data) // 4}{code}", data)
            for mine, theirs in zip(told[f"{coding} {order}"], expected, strict=True):
                assert mine == theirs or (math.isnan(mine) and math.isnan(theirs))
