"""Faults of the drives, and of how the unit knows where its vents stand (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from bench.mock.fault import Fault

_drive = partial(Fault, family="actuators")
_drive_house = partial(_drive, shows_by=("house",))

ACTUATORS_FAULTS = (
    _drive(
        "slow_travel",
        "The drives run slow, as with a weak supply or a dragging gear.",
        lambda b, s: replace(b, travel_factor=1 + 0.5 * s),
        "1 takes half as long again; more is slower",
    ),
    _drive(
        "slow_start",
        "The drives start long after the command.",
        lambda b, s: replace(b, extra_dead_time_s=5 * s),
        "1 adds 5 s of dead time; more adds more",
    ),
    _drive(
        "runs_on",
        "The drives run on after they are told to stop and pass their target.",
        lambda b, s: replace(b, extra_coast_s=1.5 * s),
        "1 adds 1.5 s of coast; more adds more",
    ),
    _drive(
        "stalls_at",
        "The first vent group jams on its way to closed, as on a bent rack.",
        lambda b, s: replace(b, stalls_at_percent=min(100.0, 20 * s)),
        "1 jams at 20 % open; more jams further open",
    ),
    _drive_house(
        "stalls_opening",
        "The first vent group jams on its way to open.",
        lambda b, s: replace(b, stalls_opening_percent=max(0.0, 100 - 20 * s)),
        "1 jams at 80 % open; more jams further closed",
    ),
    _drive(
        "creeps_open",
        "Vents at rest creep open, as with a worn brake.",
        lambda b, s: replace(b, creep_percent_s=0.2 * s),
        "1 is 0.2 % a second; more is faster",
    ),
    _drive_house(
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
