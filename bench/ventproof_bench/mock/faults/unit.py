"""Faults of drives, supply, clock (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from ventproof_bench.mock.faults.behaviour import Wrap
from ventproof_bench.mock.faults.fault import BUCKET, RAIN, SUPPLY, TIME, Fault

_drive = partial(Fault, family="actuators")
_vent = partial(_drive, needs="a vent of its own")
_vent_house = partial(_vent, shows_by=("house",))

ACTUATORS_FAULTS = (
    _vent(
        "slow_travel",
        "The drives run slow, as with a weak supply or a dragging gear.",
        lambda b, s: replace(b, travel_factor=1 + 0.5 * s),
        "1 takes half as long again; more is slower",
    ),
    _vent(
        "slow_start",
        "The drives start long after the command.",
        lambda b, s: replace(b, extra_dead_time_s=5 * s),
        "1 adds 5 s of dead time; more adds more",
    ),
    _vent(
        "runs_on",
        "The drives run on after the stop command and pass their target.",
        lambda b, s: replace(b, extra_coast_s=1.5 * s),
        "1 adds 1.5 s of coast; more adds more",
    ),
    _vent(
        "stalls_at",
        "The first vent group jams on its way to closed, as on a bent rack.",
        lambda b, s: replace(b, stalls_at_percent=min(100.0, 20 * s)),
        "1 jams at 20 % open; more jams further open",
    ),
    _vent_house(
        "stalls_opening",
        "The first vent group jams on its way to open.",
        lambda b, s: replace(b, stalls_opening_percent=max(0.0, 100 - 20 * s)),
        "1 jams at 80 % open; more jams further closed",
    ),
    _vent(
        "creeps_open",
        "Vents at rest creep open, as with a worn brake.",
        lambda b, s: replace(b, creep_percent_s=0.2 * s),
        "1 is 0.2 % a second; more is faster",
    ),
    _vent_house(
        "runs_inverted",
        "The first vent group's open and close outputs are exchanged.",
        lambda b, _: replace(b, runs_inverted=True),
    ),
    _drive(
        "position_slips",
        "The position is reckoned from run times, and every opening run loses a little that only the closed end"
        " puts right.",
        lambda b, s: replace(b, slips_percent=0.5 * s),
        "1 loses 0.5 % a run; more loses more",
    ),
    _drive(
        "small_moves_ignored",
        "A command that is too close to where the vent stands is not carried out.",
        lambda b, s: replace(b, deadband_percent=10 * s),
        "1 ignores less than 10 %; more ignores more",
    ),
    _drive(
        "reports_target_instead_of_position",
        "Position registers carry the target the drive was given, not where the vent is.",
        lambda b, _: replace(b, reports_target=True),
        undecided="a position that jumps contradicts the declared travel time: readings that cannot be true prove"
        " nothing of the vents, and the run breaks off and says so",
    ),
)


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
        "flicker_loses_rain",
        "After a start that a dip of the supply broke off the inputs are half set up: standing rain is not seen.",
        lambda b, _: replace(b, interrupted_start_sees=False),
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


_MS_32_S = 2**32 / 1000  # 49.7 days
_S_16_S = 2.0**16  # 18.2 hours

_time = partial(Fault, family="time")
_time_wrap = partial(_time, shows_by=("supply",), only_by=TIME)

TIME_FAULTS = (
    _time_wrap(
        "wrap_ends_delay",
        "A delay across the wrap of the 32-bit millisecond counter (49.7 days) is over at once: instants are"
        " compared where spans should be.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "ends")),
    ),
    _time_wrap(
        "wrap_hangs_delay",
        "A delay across the wrap of the 32-bit millisecond counter (49.7 days) is over only a whole turn later.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "hangs")),
    ),
    _time_wrap(
        "counter_goes_negative",
        "The millisecond counter is signed: from 24.9 days after power-up until it has turned no delay is over.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "negative")),
    ),
    _time_wrap(
        "seconds_wrap_16",
        "Delays run on a 16-bit counter of seconds: one across its wrap (18.2 hours) is over only a whole turn later.",
        lambda b, _: replace(b, wrap=Wrap(_S_16_S, "hangs")),
    ),
    _time(
        "tips_wrap_16",
        "The tips of the last minutes are a difference of 16-bit counts: across 65,536 it is negative, and no rain.",
        lambda b, _: replace(b, tip_bits=16),
        needs="tip_rate",
        shows_by=("bucket",),
        only_by=BUCKET,
    ),
    _time(
        "counter_wraps_16",
        "The counter of rain closures has 16 bits, although 32 are sent: it restarts after 65,535.",
        lambda b, _: replace(b, counter_bits=16),
        only_by=RAIN,
        undecided="a counter that falls may have been reset by a restart, and the bench file declares no 16 bits",
    ),
    _time(
        "clock_slow",
        "The tick of the timer is too slow, so that every delay takes too long.",
        lambda b, s: replace(b, delay_factor=1 + 0.1 * s),
        "1 is 10 % slow; more is slower",
        shows_by=("outside", "rain"),
    ),
    _time(
        "clock_fast",
        "The tick of the timer is too fast, so that every delay is over too early.",
        lambda b, s: replace(b, delay_factor=1 / (1 + 0.1 * s)),
        "1 is 10 % fast; more is faster",
        shows_by=("outside", "rain"),
    ),
)
