"""What a vent's registers read while a person opens it tells how they are coded."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.firstbench.codings import (
    Coding,
    CodingHints,
    RawReading,
    coding_of,
    plausible_codings,
    position_fits,
)
from ventproof_bench.benchfile.signals import Location
from ventproof_bench.modbus.register_map import encode

SCALES = {
    "u16": (0.1, 1.0, 0.5, 0.01),
    "s16": (0.1, 1.0, 0.01),
    "f32": (1.0, 100.0),
    "u32": (0.1, 0.01),
    "s32": (0.01,),
}
ORDERS = ("high-first", "low-first")


def track(coding, percents, second=0):
    """Return the registers of a unit that codes positions so; a value of one register has a neighbour."""
    place = Location(bus="unit", type=coding.type, word_order=coding.word_order, scale=coding.scale)
    words = [encode(place, percent) for percent in percents]
    return [RawReading(w if len(w) > 1 else (*w, second), t / 5, t / 5 + 0.02) for t, w in enumerate(words)]


codings = st.sampled_from(
    [
        Coding(kind, order, scale)
        for kind, scales in SCALES.items()
        for scale in scales
        for order in (ORDERS if kind in {"f32", "u32", "s32"} else ORDERS[:1])
    ]
)


@given(
    truth=codings,
    closed=st.floats(0, 3),
    opened=st.floats(97, 100),
    steps=st.integers(4, 40),
    falls=st.booleans(),
    neighbour=st.integers(0, 0xFFFF),
)
def test_the_true_coding_is_among_the_fits_and_reads_alike(*, truth, closed, opened, steps, falls, neighbour):
    """Of a unit made up with a known coding: the first that fits reads its ends as they are, to a step and a half."""
    percents = [closed + (opened - closed) * n / steps for n in range(steps + 1)]
    if falls:
        percents = [100 - percent for percent in percents]
    fits = position_fits(track(truth, percents, neighbour))
    assert truth in [fit.coding for fit in fits]
    first = fits[0]
    assert first.falls == falls
    low, high = sorted((first.closed, first.opened))
    slack = max(1.5 * truth.scale, 1.0) if truth.type != "f32" else 1.0
    assert low == pytest.approx(min(percents), abs=slack)
    assert high == pytest.approx(max(percents), abs=slack)


def test_the_list_decides_between_codings_that_read_alike():
    """A position that is never negative reads alike signed and unsigned: the list's type comes first."""
    seen = track(Coding("u16", scale=0.1), range(101))
    assert position_fits(seen)[0].coding == Coding("u16", scale=0.1)
    assert position_fits(seen, listed=CodingHints("s16"))[0].coding == Coding("s16", scale=0.1)


@given(word=st.integers(0, 0xFFFF), count=st.integers(1, 30))
def test_what_does_not_move_fits_nothing(word, count):
    """Nor does an empty track."""
    assert position_fits([RawReading((word, 0), t, t + 0.1) for t in range(count)]) == ()
    assert position_fits([]) == ()


@given(st.lists(st.integers(0, 1000), min_size=20, max_size=40))
def test_what_goes_to_and_fro_is_no_vent_that_was_opened(counts):
    """A value that wanders many times the span between its ends is not taken for a travel."""
    counts = [0, *counts, 1000]
    wandered = sum(abs(b - a) for a, b in pairwise(counts))
    fits = position_fits([RawReading((count,), t, t + 0.1) for t, count in enumerate(counts)])
    assert bool(fits) == (wandered <= 1.2 * 1000)


def test_a_neighbours_register_makes_no_32_bit_value():
    """Where the next address belongs to another value of the list, only one register counts."""
    seen = track(Coding("f32", "high-first"), range(101))
    assert position_fits(seen)[0].coding == Coding("f32")
    assert position_fits(seen, alone=False) == ()


@given(codings)
def test_a_coding_is_read_as_it_is_written(coding):
    """Its text and its meaning go both ways."""
    assert coding_of(str(coding)) == coding


@pytest.mark.parametrize(
    "text", ["", "u17", "u16 high-first", "u16 0", "f32 sideways", "bit 2", "u16 -1", "u16 nan"]
)
def test_a_wrong_coding_is_refused_with_what_would_be_right(text):
    """One sentence of each kind of slip."""
    with pytest.raises(ValueError, match=r"stand|write|scale"):
        coding_of(text)


def test_a_temperature_may_be_below_zero():
    """Of 18.0 degrees in tenths the signed coding is proposed: the unsigned one would fail in the first frost."""
    assert plausible_codings((180, 0), "°C", listed=CodingHints(), alone=True)[0] == Coding("s16", scale=0.1)
    assert plausible_codings((0x4190, 0), "°C", listed=CodingHints(), alone=True)[0] == Coding("f32")


def test_a_counter_that_outgrew_16_bits_is_seen_as_one_of_32():
    """The first of its two registers is still zero or not; the list's word counts more."""
    assert plausible_codings((0, 65525), "count", listed=CodingHints(), alone=True)[0] == Coding("u32")
    assert plausible_codings((0, 65525), "count", listed=CodingHints("u16"), alone=True)[0] == Coding("u16")


@pytest.mark.parametrize("order", ["high-first", "low-first"])
def test_the_word_order_of_the_list_is_proposed_first(order):
    """Where both orders give sensible values, and of a vent that was moved as well."""
    words = (0x4190, 0x4190)
    assert plausible_codings(words, "°C", listed=CodingHints("f32", order), alone=True)[0] == Coding(
        "f32", order
    )
    opening = [RawReading((n, n), n, n + 0.1) for n in range(0, 101, 5)]
    best = position_fits(opening, listed=CodingHints("u32", order, 1 / 65537))[0].coding
    assert (best.type, best.word_order) == ("u32", order)


def test_the_scale_of_the_list_is_proposed_first():
    """20.0 and 2.00 are both temperatures of a house; the list says which."""
    assert plausible_codings((200,), "°C", listed=CodingHints(scale=0.01), alone=True)[0].scale == 0.01
    opening = [RawReading((n,), n, n + 0.1) for n in range(0, 251, 10)]
    assert position_fits(opening, listed=CodingHints("u16", scale=0.4))[0].coding == Coding("u16", scale=0.4)


def test_the_scale_whose_travel_ends_nearest_to_the_ends_comes_first():
    """A fully opened vent that reads 400 stands at 100 % of 0.25, rather than at 80 % of the more usual 0.2."""
    opening = [RawReading((raw,), at_s, at_s + 0.01) for at_s, raw in enumerate(range(0, 401, 20))]
    best = position_fits(opening)[0]
    assert (str(best.coding), best.closed, best.opened) == ("u16 0.25", 0.0, 100.0)
