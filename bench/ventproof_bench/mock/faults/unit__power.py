"""Faults of what a loss of supply does to the unit, and of what it keeps (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from bench.mock.fault import SUPPLY, Fault

_power = partial(Fault, family="power", shows_by=("supply",), only_by=SUPPLY)

POWER_FAULTS = (
    _power(
        "blind_after_restart",
        "After a restart the vents go to their stage before the weather is looked at.",
        lambda b, s: replace(b, blind_after_restart_s=60 * s),
        "1 is blind for 60 s; more is longer",
    ),
    _power(
        "skips_reference",
        "The reference run after a loss of supply is left out.",
        lambda b, _: replace(b, skips_reference=True),
        needs="supply.restart: reference",
    ),
    _power(
        "boots_slowly",
        "The unit takes far too long to come up: it waits for a network that is not there.",
        lambda b, s: replace(b, boot_extra_s=20 * s),
        "1 takes 20 s longer; more takes longer",
    ),
    _power(
        "standing_rain_unseen",
        "The rain input waits for an edge: rain that falls already when the unit comes up is not seen.",
        lambda b, _: replace(b, standing_rain_seen=False),
    ),
    _power(
        "runs_on_without_processor",
        "An output relay keeps its state while the processor is down, so that a moving vent runs to its end.",
        lambda b, _: replace(b, halts_without_supply=False),
    ),
    _power(
        "delays_lost",
        "Delays that were set over the bus are kept in volatile memory, and are the factory's after a restart.",
        lambda b, _: replace(b, delays_kept=False),
    ),
)
