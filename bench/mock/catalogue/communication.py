"""Faults of what the unit tells over the bus (pure)."""

from __future__ import annotations

from dataclasses import replace

from bench.mock.fault import Fault, Touch, every

_BUS = ("bus",)

_TIME = frozenset[Touch]({"time"})
_OUTSIDE = frozenset[Touch]({"outside"})

FAULTS = (
    Fault(
        "stale_registers",
        "communication",
        "Input registers are refreshed far less often than declared.",
        lambda b, s: replace(b, refresh_factor=1 + 24 * s),
        "1 is 25 times the declared interval; more is staler",
    ),
    Fault(
        "words_swapped",
        "communication",
        "Values of 32 bits are sent low word first.",
        lambda b, _: replace(b, low_word_first=True),
    ),
    Fault(
        "bytes_swapped",
        "communication",
        "The two bytes of each word of a 32-bit value are sent the wrong way round.",
        lambda b, _: replace(b, low_byte_first=True),
    ),
    Fault(
        "wrong_scale",
        "communication",
        "Positions are sent in whole per cent instead of tenths.",
        lambda b, _: replace(b, position_scale_factor=0.1),
        shows_by=("house",),
    ),
    Fault(
        "sends_fahrenheit",
        "communication",
        "The house temperature is sent in °F where °C is declared.",
        lambda b, _: replace(b, sends_fahrenheit=True),
        shows_by=("house",),
    ),
    Fault(
        "sends_no_sign",
        "communication",
        "The outside temperature is sent without its sign; the unit itself knows it.",
        lambda b, _: replace(b, sends_no_sign=True),
        needs="sensors.outside",
        shows_by=("outside",),
        only_by=_OUTSIDE,
    ),
    Fault(
        "address_shift",
        "communication",
        "Every input register stands one address too high: counting from 1 was mixed with counting from 0.",
        lambda b, s: replace(b, address_shift=round(s)),
        "1 is one address, 2 is two",
        shows_by=("house",),
    ),
    Fault(
        "positions_exchanged",
        "communication",
        "The first two position registers carry each other's vent group.",
        lambda b, _: replace(b, positions_exchanged=True),
    ),
    Fault(
        "position_frozen",
        "communication",
        "The first position register is copied once, at power-up, and never again.",
        lambda b, _: replace(b, position_frozen=True),
        shows_by=("house",),
    ),
    Fault(
        "flag_stuck",
        "communication",
        "The bit that says that the rain override is active is never set.",
        lambda b, _: replace(b, flag_stuck=True),
    ),
    Fault(
        "flag_inverted",
        "communication",
        "The bit that says that the rain override is active is set while it is not.",
        lambda b, _: replace(b, flag_inverted=True),
    ),
    Fault(
        "flag_follows_contact",
        "communication",
        "The bit of the rain override shows the contact: it comes before the entry and goes before the release delay.",
        lambda b, _: replace(b, flag_follows_contact=True),
    ),
    Fault(
        "lost_bus_unseen",
        "communication",
        "Nobody watches whether the unit is still asked: with the bus cut the vents stay open as they were last told.",
        lambda b, _: replace(b, bus_loss_seen=False),
        needs="bus_loss",
        shows_by=_BUS,
        only_by=_TIME,
    ),
    Fault(
        "lost_bus_late",
        "communication",
        "The time after which a silent bus is lost was counted in the wrong tick, and is far too long.",
        lambda b, s: replace(b, bus_silence_factor=1 + s),
        "1 takes twice as long; more takes longer",
        needs="bus_loss",
        shows_by=_BUS,
        only_by=_TIME,
    ),
    Fault(
        "lost_bus_early",
        "communication",
        "A pause that is shorter than agreed is taken for a loss of the bus, and the vents close for nothing.",
        lambda b, s: replace(b, bus_silence_factor=1 / (1 + s)),
        "1 takes half of the time; more takes less",
        needs="bus_loss",
        shows_by=_BUS,
        only_by=_TIME,
    ),
    Fault(
        "replies_busy",
        "communication",
        "Reads are refused as busy now and then.",
        lambda b, s: replace(b, busy_every=every(4, s)),
        "1 refuses every fourth; more refuses more",
        undecided="a unit that does not answer has not been seen to do wrong, and what was not written was not tested",
    ),
)
