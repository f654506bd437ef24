"""Faults of what a loss of supply does to the unit, and of what it keeps (pure)."""

from __future__ import annotations

from dataclasses import replace

from bench.mock.fault import Fault, Touch

_SUPPLY = ("supply",)

_LOST = frozenset[Touch]({"supply"})

FAULTS = (
    Fault(
        "blind_after_restart",
        "power",
        "After a restart the vents go to their stage before the weather is looked at.",
        lambda b, s: replace(b, blind_after_restart_s=60 * s),
        "1 is blind for 60 s; more is longer",
        shows_by=_SUPPLY,
        only_by=_LOST,
    ),
    Fault(
        "skips_reference",
        "power",
        "The reference run after a loss of supply is left out.",
        lambda b, _: replace(b, skips_reference=True),
        needs="supply.restart: reference",
        shows_by=_SUPPLY,
        only_by=_LOST,
    ),
    Fault(
        "boots_slowly",
        "power",
        "The unit takes far too long to come up: it waits for a network that is not there.",
        lambda b, s: replace(b, boot_extra_s=20 * s),
        "1 takes 20 s longer; more takes longer",
        shows_by=_SUPPLY,
        only_by=_LOST,
    ),
    Fault(
        "standing_rain_unseen",
        "power",
        "The rain input waits for an edge: rain that falls already when the unit comes up is not seen.",
        lambda b, _: replace(b, standing_rain_seen=False),
        shows_by=_SUPPLY,
        only_by=_LOST,
    ),
    Fault(
        "runs_on_without_processor",
        "power",
        "An output relay keeps its state while the processor is down, so that a moving vent runs to its end.",
        lambda b, _: replace(b, halts_without_supply=False),
        shows_by=_SUPPLY,
        only_by=_LOST,
    ),
    Fault(
        "delays_lost",
        "power",
        "Delays that were set over the bus are kept in volatile memory, and are the factory's after a restart.",
        lambda b, _: replace(b, delays_kept=False),
        shows_by=_SUPPLY,
        only_by=_LOST,
    ),
)
