"""Faults of what the unit tells over the bus (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from ventproof_bench.mock.faults.fault import OUTSIDE, TIME, Fault, every

_told = partial(Fault, family="communication")
_told_house = partial(_told, shows_by=("house",))
_told_silence = partial(_told, needs="bus_loss", shows_by=("bus",), only_by=TIME)

COMMUNICATION_FAULTS = (
    _told(
        "stale_registers",
        "Input registers are refreshed far less often than declared.",
        lambda b, s: replace(b, refresh_factor=1 + 24 * s),
        "1 is 25 times the declared interval; more is staler",
    ),
    _told(
        "words_swapped",
        "Values of 32 bits are sent low word first.",
        lambda b, _: replace(b, low_word_first=True),
    ),
    _told(
        "bytes_swapped",
        "The two bytes of each word of a 32-bit value are sent the wrong way round.",
        lambda b, _: replace(b, low_byte_first=True),
    ),
    _told_house(
        "wrong_scale",
        "Positions are sent in whole per cent instead of tenths.",
        lambda b, _: replace(b, position_scale_factor=0.1),
    ),
    _told_house(
        "sends_fahrenheit",
        "The house temperature is sent in °F where °C is declared.",
        lambda b, _: replace(b, sends_fahrenheit=True),
    ),
    _told(
        "sends_no_sign",
        "The outside temperature is sent without its sign; the unit itself knows it.",
        lambda b, _: replace(b, sends_no_sign=True),
        needs="sensors.outside",
        shows_by=("outside",),
        only_by=OUTSIDE,
    ),
    _told_house(
        "address_shift",
        "Every input register stands one address too high: counting from 1 was mixed with counting from 0.",
        lambda b, s: replace(b, address_shift=round(s)),
        "1 is one address, 2 is two",
    ),
    _told(
        "positions_exchanged",
        "The first two position registers carry each other's vent group.",
        lambda b, _: replace(b, positions_exchanged=True),
    ),
    _told_house(
        "position_frozen",
        "The first position register is copied once, at power-up, and never again.",
        lambda b, _: replace(b, position_frozen=True),
    ),
    _told(
        "flag_stuck",
        "The bit that says that the rain override is active is never set.",
        lambda b, _: replace(b, flag_stuck=True),
    ),
    _told(
        "flag_inverted",
        "The bit that says that the rain override is active is set while it is not.",
        lambda b, _: replace(b, flag_inverted=True),
    ),
    _told(
        "flag_follows_contact",
        "The bit of the rain override shows the contact: it comes before the entry and goes before the release delay.",
        lambda b, _: replace(b, flag_follows_contact=True),
    ),
    _told_silence(
        "lost_bus_unseen",
        "No bus supervision: the vents stay open when the bus is cut.",
        lambda b, _: replace(b, bus_loss_seen=False),
    ),
    _told_silence(
        "lost_bus_late",
        "The time after which a silent bus is lost was counted in the wrong tick, and is far too long.",
        lambda b, s: replace(b, bus_silence_factor=1 + s),
        "1 takes twice as long; more takes longer",
    ),
    _told_silence(
        "lost_bus_early",
        "A pause that is shorter than agreed is taken for a loss of the bus, and the vents close for nothing.",
        lambda b, s: replace(b, bus_silence_factor=1 / (1 + s)),
        "1 takes half of the time; more takes less",
    ),
    _told(
        "replies_busy",
        "Reads are refused as busy now and then.",
        lambda b, s: replace(b, busy_every=every(4, s)),
        "1 refuses every fourth; more refuses more",
        undecided="a unit that does not answer has not been seen to do wrong, and what was not written was not tested",
    ),
)
