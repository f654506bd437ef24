"""Words to values and back: types, word order, scale, offset, ranges."""

import re
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.benchfile.signals import Location
from ventproof_bench.modbus.register_map import decode, encode, width


def coded(kind, **fields):
    """Return a location in the holding registers."""
    return Location.model_validate({"bus": "unit", "table": "holding", "address": 0, "type": kind, **fields})


@pytest.mark.parametrize(
    ("location", "words", "value"),
    [
        (coded("u16"), (65535,), 65535.0),
        (coded("s16"), (0xFFFF,), -1.0),
        (coded("s16", scale=0.1), (0xFF9C,), -10.0),
        (coded("u16", scale=0.1), (3,), 0.3),
        (coded("u16", scale=0.1), (995,), 99.5),
        (coded("u16", scale=0.1, offset=-40), (700,), 30.0),
        (coded("u16", scale=0.004), (25000,), 100.0),
        (coded("u32"), (1, 2), 65538.0),
        (coded("u32", word_order="low-first"), (2, 1), 65538.0),
        (coded("s32"), (0xFFFF, 0xFFFE), -2.0),
        (coded("f32"), (0x41AC, 0), 21.5),
        (coded("f32", word_order="low-first"), (0, 0x41AC), 21.5),
        (coded("bit", bit=0), (0b10,), 0.0),
        (coded("bit", bit=1), (0b10,), 1.0),
        (coded("bit", bit=15), (0x8000,), 1.0),
    ],
)
def test_value_is_what_the_words_say(location, words, value):
    """Every type, word order and scale is read as declared, decimal fractions exactly."""
    assert decode(location, words) == value


@pytest.mark.parametrize("word_order", ["high-first", "low-first"])
@pytest.mark.parametrize("high", [0x7F80, 0xFF80, 0x7FC0, 0x7F81])
def test_float_that_is_no_number_is_refused(high, word_order):
    """Infinity and not-a-number in a 32-bit float never become a value."""
    words = (high, 0) if word_order == "high-first" else (0, high)
    with pytest.raises(
        ValueError, match=r"^not a number \(registers [0-9A-F]{4} [0-9A-F]{4} as a 32-bit float\)$"
    ):
        decode(coded("f32", word_order=word_order), words)


@given(
    kind=st.sampled_from(["u16", "s16", "u32", "s32"]),
    order=st.sampled_from(["high-first", "low-first"]),
    scale=st.sampled_from([1, 0.1, 0.01, 0.5, 0.004, 2.5, 10]),
    offset=st.sampled_from([0, -40, 0.5, 273.15]),
    data=st.data(),
)
def test_integers_survive_the_way_there_and_back(kind, order, scale, offset, data):
    """Encoding what was decoded gives the same words."""
    location = coded(kind, word_order=order, scale=scale, offset=offset)
    words = tuple(
        data.draw(st.lists(st.integers(0, 65535), min_size=width(location), max_size=width(location)))
    )
    assert encode(location, decode(location, words)) == words


@given(
    value=st.floats(width=32, allow_nan=False, allow_infinity=False),
    order=st.sampled_from(["high-first", "low-first"]),
)
def test_floats_survive_the_way_there_and_back(value, order):
    """A 32-bit float comes back as it was written."""
    location = coded("f32", word_order=order)
    assert decode(location, encode(location, value)) == value
    words = encode(location, value)
    assert struct.pack(">HH", *(words if order == "high-first" else reversed(words))) == struct.pack(
        ">f", value
    )


@pytest.mark.parametrize(
    ("location", "value", "words"),
    [
        (coded("s16", scale=0.1), 18.0, (180,)),
        (coded("s16", scale=0.1), -5.04, (0xFFCE,)),
        (coded("u16", scale=0.1), 0.06, (1,)),
        (coded("u32", word_order="low-first"), 65538, (2, 1)),
    ],
)
def test_value_is_rounded_to_the_nearest_count(location, value, words):
    """What lies between two counts becomes the nearer one."""
    assert encode(location, value) == words


@pytest.mark.parametrize(
    ("location", "value", "message"),
    [
        (coded("u16"), 65536, "65536 is out of range: type u16 holds 0 to 65535"),
        (coded("u16"), -1, "-1 is out of range: type u16 holds 0 to 65535"),
        (
            coded("s16", scale=0.1, offset=10),
            4000,
            "4000 is out of range: type s16 with scale 0.1 and offset 10 holds -3266.8 to 3286.7",
        ),
        (coded("s32"), 2**31, "2.14748e+09 is out of range: type s32 holds -2.14748e+09 to 2147483647"),
        (coded("f32"), 1e39, "1e+39 is out of range: a 32-bit float holds no more than about 3.4e38"),
        (coded("u16"), float("nan"), "nan is not a number that a register can hold"),
    ],
)
def test_value_out_of_range_is_refused(location, value, message):
    """A value that the register cannot hold is refused with its range, never wrapped."""
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        encode(location, value)
