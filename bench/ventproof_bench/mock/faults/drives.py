"""Faults of how a unit drives vents that stand outside it, and of what it makes of their feedback (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import inf

from ventproof_bench.mock.faults.fault import Fault, left

_contacts = partial(Fault, family="actuators", needs="a drive by contacts", shows_by=("house", "rain"))
_reckons = partial(
    Fault, family="actuators", needs="a drive without potentiometer", shows_by=("house", "rain")
)
_limit = partial(Fault, family="actuators", needs="a drive with feedback", shows_by=("rain", "house"))

DRIVE_FAULTS = (
    _contacts(
        "both_contacts_on",
        "On a reversal the contact of the new way goes on before that of the old one is off.",
        lambda b, s: replace(b, both_on_s=0.3 * s),
        "1 has both on for 0.3 s; more is longer",
    ),
    _contacts(
        "no_reversal_pause",
        "The drive is reversed without a pause.",
        lambda b, _: replace(b, reversal_pause_factor=0.0),
    ),
    _contacts(
        "short_reversal_pause",
        "The pause before a reversal is shorter than agreed.",
        lambda b, s: replace(b, reversal_pause_factor=1 / (1 + s)),
        "1 is half of it; more is shorter",
    ),
    _contacts(
        "contact_sticks",
        "The contact of the relay that opens sticks, and stays on after it was switched off.",
        lambda b, s: replace(b, contact_sticks_s=2 * s),
        "1 sticks for 2 s; more sticks longer",
    ),
    _contacts(
        "short_runs_dropped",
        "A run that is too short for the relay's driver is not carried out, and counts as done.",
        lambda b, s: replace(b, shortest_run_s=5 * s),
        "1 drops what is shorter than 5 s; more drops more",
    ),
    _reckons(
        "runs_in_pieces",
        "The drive is started again and again on one way, as by a regulator whose cycle is too short.",
        lambda b, _: replace(b, chops_runs=True),
    ),
    _contacts(
        "runs_on_at_end",
        "The drive is kept on long after the end is reached.",
        lambda b, s: replace(b, runs_on_at_end_s=10 * s),
        "1 keeps it on for 10 s; more is longer",
    ),
    _contacts(
        "finishes_run_first",
        "A run that is under way is carried to its end before rain is heeded.",
        lambda b, _: replace(b, finishes_runs=True),
        shows_by=("rain", "house"),
    ),
    _limit(
        "no_run_limit",
        "A run has no time limit: a drive whose vent jams stays on for ever.",
        lambda b, _: replace(b, run_limit_factor=inf),
    ),
    _limit(
        "run_limit_late",
        "The time limit of a run was set far too long.",
        lambda b, s: replace(b, run_limit_factor=1 + s),
        "1 is twice as long; more is longer",
    ),
    _limit(
        "gives_up_early",
        "The time limit of a run is shorter than the travel, and a healthy vent is left halfway.",
        lambda b, s: replace(b, run_limit_factor=1 / (1 + s)),
        "1 is half of the limit; more is shorter",
    ),
    _limit(
        "no_alarm_at_run_limit",
        "A run that is stopped at its time limit is not reported.",
        lambda b, _: replace(b, drive_alarm_told=False),
    ),
    _limit(
        "retries_endlessly",
        "After a run was broken off the drive is started against the jam again and again.",
        lambda b, _: replace(b, retries_endlessly=True),
    ),
    _reckons(
        "never_references",
        "The reckoned position is never put right at an end, and no run goes on there to be sure.",
        lambda b, _: replace(b, references=False),
    ),
    _reckons(
        "references_at_wrong_end",
        "The reference run after a restart goes to the open end, which is taken for the closed one.",
        lambda b, _: replace(b, references_open=True),
        shows_by=("supply",),
    ),
    _reckons(
        "loses_reference",
        "After a loss of supply a vent is taken to be closed, wherever it stands.",
        lambda b, _: replace(b, reference_kept=False),
        shows_by=("supply",),
    ),
    _reckons(
        "wrong_travel_time",
        "The travel time by which positions are reckoned was set too long.",
        lambda b, s: replace(b, reckoned_travel_factor=1 + 0.2 * s),
        "1 is 20 % too long; more is longer",
    ),
    _reckons(
        "dead_time_forgotten",
        "The dead time of the drive is left out of the reckoning, so that every run ends short.",
        lambda b, s: replace(b, reckoned_dead_time_factor=left(s)),
        "1 leaves out all of it, 0.5 half",
    ),
)

_feedback = partial(Fault, family="feedback", needs="a drive with feedback", shows_by=("rain", "house"))
_switches = partial(_feedback, needs="end switches")
_potentiometer = partial(_feedback, needs="a potentiometer")
_told = partial(_feedback, needs="a drive", shows_by=("house", "rain"))

FEEDBACK_FAULTS = (
    _switches(
        "ignores_end_switch",
        "End switches are not read: the drive stays on at the end until its time limit.",
        lambda b, _: replace(b, end_switches_seen=False),
    ),
    _switches(
        "end_switches_exchanged",
        "The inputs of the two end switches are exchanged.",
        lambda b, _: replace(b, end_switches_exchanged=True),
    ),
    _switches(
        "trusts_stuck_switch",
        "An end switch that tells its end for ever is believed, and the drive is never started.",
        lambda b, _: replace(b, stuck_switch_seen=False),
    ),
    _switches(
        "trusts_both_switches",
        "A vent whose switches tell both ends at once is driven all the same, without an alarm.",
        lambda b, _: replace(b, both_switches_seen=False),
    ),
    _switches(
        "starts_at_bounce",
        "Every bounce of an end switch starts the drive again.",
        lambda b, _: replace(b, end_switches_settle=False),
    ),
    _potentiometer(
        "potentiometer_scaled_wrong",
        "The range of the potentiometer was set wrong, so that positions are measured too large.",
        lambda b, s: replace(b, potentiometer_factor=1 + 0.1 * s),
        "1 measures 10 % too much; more measures more",
    ),
    _potentiometer(
        "potentiometer_offset",
        "The closed end of the potentiometer was never taught: every position is measured too large by as much.",
        lambda b, s: replace(b, potentiometer_offset_percent=4 * s),
        "1 is 4 %; more is more",
    ),
    _potentiometer(
        "trusts_open_potentiometer",
        "A potentiometer with a broken wire is taken for a vent that is fully open.",
        lambda b, _: replace(b, open_potentiometer_seen=False),
    ),
    _potentiometer(
        "trusts_shorted_potentiometer",
        "A shorted potentiometer is taken for a vent that is closed.",
        lambda b, _: replace(b, shorted_potentiometer_seen=False),
    ),
    _potentiometer(
        "trusts_reversed_potentiometer",
        "A potentiometer that goes against the drive is believed, and the vent runs away to an end.",
        lambda b, _: replace(b, wrong_way_seen=False),
    ),
    _potentiometer(
        "stands_without_feedback",
        "When the potentiometer fails the vent is left where it stands.",
        lambda b, _: replace(b, closes_without_feedback=False),
    ),
    _potentiometer(
        "hunts",
        "The dead band is left out: the drive runs to and fro about its target.",
        lambda b, _: replace(b, hunts=True),
    ),
    _feedback(
        "feedback_failure_untold",
        "Implausible feedback is ignored and not reported.",
        lambda b, _: replace(b, feedback_alarm_told=False),
    ),
    _told(
        "told_inverted",
        "The position is reported as per cent closed; per cent open is agreed.",
        lambda b, _: replace(b, told_inverted=True),
    ),
    _told(
        "told_at_rest_only",
        "The reported position stays as it was until the drive stops.",
        lambda b, _: replace(b, told_at_rest_only=True),
    ),
)
