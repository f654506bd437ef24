"""How the mock unit behaves: one frozen set of knobs that its parts ask, healthy by default (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Literal, final


@final
@dataclass(frozen=True, slots=True)
class Wrap:
    """A counter of time that wraps, and what becomes of a delay.

    Attributes:
        period_s: from power-up to the wrap, and from one wrap to the next.
        delay: one across the wrap `ends` at once, or `hangs` for a whole turn; or the counter is `negative` in the
            second half of each turn, and no delay is over before that has passed.
    """

    period_s: float
    delay: Literal["ends", "hangs", "negative"]


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
    opening_debounced: bool = True
    counts_bounce: bool = False
    counts_per_closure: int = 1
    misses_every: int = 0
    """Every n-th closure goes uncounted; 0 for none."""
    counter_bits: int = 32
    """The counter of closures begins anew after so many."""

    # Entry and release of the override.
    entry_extra_s: float = 0.0
    entry_factor: float = 1.0
    entry_survives_opening: bool = False
    """Once begun, the entry delay runs on although the contact opened."""
    release_factor: float = 1.0
    release_survives_closing: bool = False
    """Once begun, the release delay runs on although the contact closed again."""
    latched: frozenset[str] = frozenset()
    """Overrides that stay once they are active."""
    gives_up_after_s: float | None = None
    """The override ends by itself this long after it began, rain or not."""

    # What the override does.
    first_position_shift_percent: float = 0.0
    last_position_shift_percent: float = 0.0
    positions_swapped: bool = False
    skips_last_vent: bool = False
    opens_to_override: bool = False
    stage_beats_override: bool = False
    """A stage change during the override moves the vents to their stage."""
    drops_stage_changes: bool = False
    """A temperature that changes during an override changes no stage."""

    # Cups and the gale override.
    gale_seen: bool = True
    gale_at_factor: float = 1.0
    gale_hysteresis_factor: float = 1.0
    gale_release_factor: float = 1.0
    gale_position_shift_percent: float = 0.0
    cups_offset_factor: float = 1.0
    counts_per_pulse: int = 1
    cups_debounce_factor: float = 1.0
    gust_window_factor: float = 1.0
    live_zero_known: bool = True
    """A wind sensor's 4 mA are no wind; else 0 mA are."""
    sides_exchanged: bool = False
    """Vents on the lee side take the windward position, and the other way round."""

    # Tipping bucket.
    tips_seen: bool = True
    bucket_debounce_factor: float = 1.0
    tip_hysteresis_factor: float = 1.0
    tip_size_factor: float = 1.0
    tip_bits: int = 32
    """The counter of tips, from which the intensity is reckoned, begins anew after so many."""
    tip_rate_falls: bool = True
    """Without a tip the intensity falls as time goes by."""

    # Thermometers and sensor failure.
    frost_seen: bool = True
    frost_in_fahrenheit: bool = False
    """The threshold in °C is compared with a temperature in °F."""
    frost_hysteresis_factor: float = 1.0
    frost_entry_factor: float = 1.0
    frost_position_shift_percent: float = 0.0
    outside_offset_c: float = 0.0
    sign_lost: bool = False
    """An outside temperature below zero is taken for one above."""
    failures_seen: bool = True
    """An implausible level is a failure of the sensor, not a value."""
    low_end_checked: bool = True
    high_end_checked: bool = True
    holds_last_good: bool = True
    """Until the sensor has failed its last good value stands for an implausible one."""
    sensor_fails_factor: float = 1.0
    sensor_recovers_factor: float = 1.0
    """Infinite: never trusted again."""
    failures_heeded: bool = True
    failures_told: bool = True
    lost_vane_heeded: bool = True
    """While the vane has failed no vent counts as leeward."""
    silence_seen: bool = True
    """Cups that stand still too long have failed."""
    bus_loss_seen: bool = True
    """A bus on which nobody asks anything any more is lost."""
    bus_silence_factor: float = 1.0
    """It must be silent this many times as long to be lost."""

    cut_taken_for_rain: bool = False
    """A supervised loop that is cut is rain, and no failure."""

    # Conditions that are joined, and contacts that count when open.
    joins_by_any: bool = False
    """Of conditions that must hold together one is enough."""
    last_joined_dropped: bool = False
    """The last of the conditions that must hold together is not looked at."""
    mean_seen: bool = True
    """The mean wind calls for the gale override, too, where it has a limit."""
    rule_entry_factor: float = 1.0
    rule_release_factor: float = 1.0
    rule_position_shift_percent: float = 0.0
    rules_ignored: bool = False
    relay_inverted: bool = False
    """A fail-safe alarm relay picks up where it should drop out."""
    loops_taken_for_open: bool = False
    """A normally closed contact counts when it is closed."""

    references_heeded: bool = True
    """A rule that waits for another override to be active begins with it."""

    # Limits that follow the wind or the rain, and sides.
    limits_seen: bool = True
    limits_fixed: bool = False
    """A limit stays where it begins to fall, however hard it blows or rains."""
    limit_shift_percent: float = 0.0
    limit_scale_factor: float = 1.0
    """Limits fall between this many times the values."""
    limits_only_fall: bool = False
    """A limit that has fallen does not rise again while the rule is active."""
    lee_band_factor: float = 1.0
    """The dead band is so much of itself where a vent comes into the lee; and where it comes out of it:"""
    wind_band_factor: float = 1.0
    side_settles_factor: float = 1.0

    # Overrides together, and the supply.
    last_override_wins: bool = False
    release_drops_others: bool = False
    """The end of one override ends every other."""
    blind_after_restart_s: float = 0.0
    """This long after a restart the weather reaches no override."""
    skips_reference: bool = False
    boot_extra_s: float = 0.0
    standing_rain_seen: bool = True
    """Rain that falls already when the unit comes up is seen."""
    interrupted_start_sees: bool = True
    """So is rain that falls already when it comes up after a start that a dip of the supply broke off."""
    halts_without_supply: bool = True
    delays_kept: bool = True
    """Delays that were written outlast a restart."""
    drops_second_override: bool = False

    # The clock.
    wrap: Wrap | None = None
    delay_factor: float = 1.0
    """Entry and release delays take this many times as long."""

    # Now and then.
    misses_shower_every: int = 0
    """Every n-th time that it begins to rain goes unseen; 0 for none."""
    deaf_after_s: float = inf
    """So long after power-up rain no longer begins an override."""
    rain_in_gale_lost: bool = False
    deaf_after_failure: bool = False
    """After a sensor has failed and was mended the rain contact is not looked at."""

    # Staged ventilation.
    hysteresis_factor: float = 1.0

    # Drives.
    travel_factor: float = 1.0
    """Travel takes this many times as long."""
    extra_dead_time_s: float = 0.0
    extra_coast_s: float = 0.0
    stalls_at_percent: float | None = None
    """Closing, the first vent stops here as if at its end."""
    stalls_opening_percent: float | None = None
    slips_percent: float = 0.0
    """An opening run ends this much short, on top of those before it; the closed end puts it right."""
    deadband_percent: float = 0.0
    """A command closer than this to where the vent stands is not carried out."""
    skips_command_every: int = 0
    """Every n-th command of a vent is not carried out; 0 for none."""
    creep_percent_s: float = 0.0
    """A vent at rest off its end stops creeps open at this rate."""
    runs_inverted: bool = False
    """The first vent opens when told to close."""

    # Vents that stand outside the unit: what it does with its drive contacts.
    both_on_s: float = 0.0
    """On a reversal both contacts are on for this long."""
    reversal_pause_factor: float = 1.0
    contact_sticks_s: float = 0.0
    """The contact that opens stays on this long after it should be off."""
    shortest_run_s: float = 0.0
    """A run that is planned shorter than this is not carried out, and reckoned all the same."""
    chops_runs: bool = False
    """A run is made of many short ones."""
    run_limit_factor: float = 1.0
    drive_alarm_told: bool = True
    retries_endlessly: bool = False
    """After the run limit was hit the drive is started again and again."""
    runs_on_at_end_s: float = 0.0
    """At an end the drive stays on this much longer."""
    finishes_runs: bool = False
    """A command that comes during a run waits until the run is over."""

    # … and where it takes them to be.
    references: bool = True
    """An end that was reached puts the reckoned position right, and is sought for that."""
    references_open: bool = False
    """The reference run after a restart goes to the open end, which is taken for the closed one."""
    reference_kept: bool = True
    """After a restart a vent is not simply taken to be closed."""
    reckoned_travel_factor: float = 1.0
    """The full travel is reckoned this many times as long."""
    reckoned_dead_time_factor: float = 1.0
    told_inverted: bool = False
    """The position is told as its complement to 100 %."""
    told_at_rest_only: bool = False
    """The told position stays as it was while a drive runs."""

    # … and what it makes of end switches and potentiometer.
    end_switches_seen: bool = True
    end_switches_exchanged: bool = False
    stuck_switch_seen: bool = True
    """An end switch that tells what cannot be is not believed."""
    both_switches_seen: bool = True
    """A vent that is at both ends at once is not believed."""
    end_switches_settle: bool = True
    """A switch must be released for a while before a vent counts as gone from its end."""
    potentiometer_factor: float = 1.0
    potentiometer_offset_percent: float = 0.0
    open_potentiometer_seen: bool = True
    shorted_potentiometer_seen: bool = True
    wrong_way_seen: bool = True
    """A potentiometer that moves against the drive is not believed."""
    closes_without_feedback: bool = True
    """A vent whose feedback is not believed is closed by time."""
    feedback_alarm_told: bool = True
    hunts: bool = False
    """The dead band is left out, and every deviation is run after at once."""

    # Registers and the bus.
    refresh_factor: float = 1.0
    low_word_first: bool = False
    low_byte_first: bool = False
    sends_fahrenheit: bool = False
    sends_no_sign: bool = False
    position_scale_factor: float = 1.0
    address_shift: int = 0
    reports_target: bool = False
    positions_exchanged: bool = False
    """The first two position registers carry each other's vent."""
    position_frozen: bool = False
    """The first position register keeps what it held at power-up."""
    flag_stuck: bool = False
    """The override bit reads 0 whatever happens."""
    flag_inverted: bool = False
    flag_follows_contact: bool = False
    flag_drops_every: int = 0
    """With every n-th refresh the override bit reads 0 for a while; 0 for never."""
    busy_every: int = 0
    """Every n-th read is refused as busy; 0 for none."""


HEALTHY = Behaviour()
