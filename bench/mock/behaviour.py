"""How the mock unit behaves: one frozen set of knobs that its parts ask, healthy by default (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import final


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Behaviour:
    """Deviations from the rule; the defaults are a healthy unit. Each fault changes one or two of them.

    The parts of the unit ask for a knob where it bites and never for a fault's name. Vent groups are known by
    their order in the settings: the first is the roof of the shipped bench, the last its side.
    """

    # Rain terminal and its conditioning.
    rain_seen: bool = True
    debounce_factor: float = 1.0
    counts_bounce: bool = False
    counts_per_closure: int = 1
    misses_every: int = 0
    """Every n-th closure goes uncounted; 0 for none."""

    # Entry and release of the override.
    entry_extra_s: float = 0.0
    entry_factor: float = 1.0
    entry_survives_opening: bool = False
    """Once begun, the entry delay runs on although the contact opened."""
    release_factor: float = 1.0
    never_releases: bool = False
    gives_up_after_s: float | None = None
    """The override ends by itself this long after it began, rain or not."""

    # What the override does.
    first_position_shift_percent: float = 0.0
    positions_swapped: bool = False
    skips_last_vent: bool = False
    opens_to_override: bool = False
    stage_beats_override: bool = False
    """A stage change during the override moves the vents to their stage."""

    # Cups and the gale override.
    gale_seen: bool = True
    gale_at_factor: float = 1.0
    gale_hysteresis_factor: float = 1.0
    cups_offset_factor: float = 1.0
    counts_per_pulse: int = 1
    gust_window_factor: float = 1.0
    sides_exchanged: bool = False
    """Vents on the lee side take the windward position, and the other way round."""

    # Tipping bucket.
    tips_seen: bool = True
    tip_size_factor: float = 1.0
    tip_rate_falls: bool = True
    """Without a tip the intensity falls as time goes by."""

    # Thermometers and sensor failure.
    frost_seen: bool = True
    sign_lost: bool = False
    """An outside temperature below zero is taken for one above."""
    failures_seen: bool = True
    """An implausible level is a failure of the sensor, not a value."""

    # Overrides together, and the supply.
    last_override_wins: bool = False
    release_drops_others: bool = False
    """The end of one override ends every other."""
    blind_after_restart_s: float = 0.0
    """This long after a restart the weather reaches no override."""
    skips_reference: bool = False

    # Staged ventilation.
    hysteresis_factor: float = 1.0

    # Drives.
    travel_factor: float = 1.0
    """Travel takes this many times as long."""
    extra_dead_time_s: float = 0.0
    extra_coast_s: float = 0.0
    stalls_at_percent: float | None = None
    """Closing, the first vent stops here as if at its end."""
    creep_percent_s: float = 0.0
    """A vent at rest off its end stops creeps open at this rate."""
    runs_inverted: bool = False
    """The first vent opens when told to close."""

    # Registers and the bus.
    refresh_factor: float = 1.0
    low_word_first: bool = False
    position_scale_factor: float = 1.0
    address_shift: int = 0
    reports_target: bool = False
    positions_exchanged: bool = False
    """The first two position registers carry each other's vent."""
    flag_stuck: bool = False
    """The override bit reads 0 whatever happens."""
    busy_every: int = 0
    """Every n-th read is refused as busy; 0 for none."""


HEALTHY = Behaviour()
