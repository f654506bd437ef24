"""Faults of overrides, and intermittent (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from ventproof_bench.mock.faults.fault import (
    BUCKET,
    BY_WIND,
    FAILING,
    FROST_OVERRIDE,
    GALE_OVERRIDE,
    OUTSIDE,
    RAIN,
    RAIN_OVERRIDE,
    TIME,
    WIND,
    Fault,
    every,
    left,
)

_logic = partial(Fault, family="logic")
_logic_rain = partial(_logic, only_by=RAIN_OVERRIDE)
_logic_gale = partial(_logic, needs="wind", shows_by=BY_WIND, only_by=GALE_OVERRIDE)
_logic_frost = partial(_logic, needs="frost", shows_by=("outside",), only_by=FROST_OVERRIDE)
_logic_several = partial(_logic, needs="a second override", shows_by=(*BY_WIND, "rain"))

LOGIC_FAULTS = (
    _logic(
        "ignores_rain",
        "The rain input is read but never handed to the override logic.",
        lambda b, _: replace(b, rain_seen=False),
    ),
    _logic(
        "entry_late",
        "The override begins well after its entry delay.",
        lambda b, s: replace(b, entry_extra_s=5 * s),
        "1 is 5 s late; more is later",
    ),
    _logic_rain(
        "entry_at_once",
        "The entry delay is skipped: the override begins with the first debounced closure.",
        lambda b, s: replace(b, entry_factor=left(s)),
        "1 leaves no delay; 0.5 leaves half",
    ),
    _logic_rain(
        "entry_latched",
        "The entry delay is not cancelled when the contact opens, so that a short blip starts the override.",
        lambda b, _: replace(b, entry_survives_opening=True),
    ),
    _logic(
        "release_early",
        "The override ends before its release delay is over.",
        lambda b, s: replace(b, release_factor=1 / (1 + s)),
        "1 ends it at half the delay; more is earlier",
    ),
    _logic(
        "release_late",
        "The override is kept far beyond its release delay.",
        lambda b, s: replace(b, release_factor=1 + s),
        "1 keeps it for twice the delay; more is longer",
    ),
    _logic_rain(
        "release_not_restarted",
        "Rain that returns during the release delay does not stop it: the vents open into the second shower.",
        lambda b, _: replace(b, release_survives_closing=True),
    ),
    _logic(
        "never_releases",
        "The override latches and stays when the rain is over.",
        lambda b, _: replace(b, latched=b.latched | {"rain"}),
    ),
    _logic(
        "gives_up",
        "A watchdog ends the override although it still rains.",
        lambda b, s: replace(b, gives_up_after_s=45 / s),
        "1 ends it 45 s after it began; more is earlier",
    ),
    _logic(
        "wrong_roof_position",
        "The first vent group goes to a wrong position in rain.",
        lambda b, s: replace(b, first_position_shift_percent=10 * s),
        "1 is 10 % too far open; more is further",
    ),
    _logic(
        "wrong_side_position",
        "The last vent group goes to a wrong position in rain.",
        lambda b, s: replace(b, last_position_shift_percent=10 * s),
        "1 is 10 % too far open; more is further",
    ),
    _logic(
        "swapped_positions",
        "The first two vent groups go to each other's override position.",
        lambda b, _: replace(b, positions_swapped=True),
    ),
    _logic(
        "misses_side_vent",
        "The last vent group of the override is left at its stage.",
        lambda b, _: replace(b, skips_last_vent=True),
    ),
    _logic(
        "opens_vent_to_override",
        "A vent that stands below its override position is opened up to it in the rain.",
        lambda b, _: replace(b, opens_to_override=True),
    ),
    _logic(
        "stage_beats_override",
        "A change of the ventilation stage during the override moves the vents to the stage.",
        lambda b, _: replace(b, stage_beats_override=True),
    ),
    _logic(
        "drops_stage_changes",
        "A change of temperature during an override is ignored: the vents return to the previous stage.",
        lambda b, _: replace(b, drops_stage_changes=True),
        shows_by=("house", "rain"),
    ),
    _logic(
        "ignores_gale",
        "The wind is read but never handed to the override logic.",
        lambda b, _: replace(b, gale_seen=False),
        needs="wind",
        shows_by=BY_WIND,
        only_by=WIND,
    ),
    _logic_gale(
        "wrong_gale_position",
        "The first vent group goes to a wrong position in a gale.",
        lambda b, s: replace(b, gale_position_shift_percent=10 * s),
        "1 is 10 % too far open; more is further",
    ),
    _logic_gale(
        "gale_release_early",
        "The gale override ends before its release delay is over, so that the vents open between two gusts.",
        lambda b, s: replace(b, gale_release_factor=1 / (1 + s)),
        "1 ends it at half the delay; more is earlier",
    ),
    _logic_gale(
        "gale_latches",
        "The gale override stays when the wind has dropped.",
        lambda b, _: replace(b, latched=b.latched | {"gale"}),
    ),
    _logic(
        "sides_exchanged",
        "Windward and leeward are exchanged: the vane points where the wind goes, not where it comes from.",
        lambda b, _: replace(b, sides_exchanged=True),
        needs="wind.leeward",
        shows_by=BY_WIND,
        only_by=GALE_OVERRIDE,
    ),
    _logic(
        "ignores_tips",
        "Tips of the bucket are counted but never make it rain.",
        lambda b, _: replace(b, tips_seen=False),
        needs="tip_rate",
        shows_by=("bucket",),
        only_by=BUCKET,
    ),
    _logic(
        "ignores_frost",
        "The outside temperature is read but never handed to the override logic.",
        lambda b, _: replace(b, frost_seen=False),
        needs="frost",
        shows_by=("outside",),
        only_by=OUTSIDE,
    ),
    _logic_frost(
        "frost_at_once",
        "The entry delay of the frost override is skipped.",
        lambda b, s: replace(b, frost_entry_factor=left(s)),
        "1 leaves no delay; 0.5 leaves half",
    ),
    _logic_frost(
        "wrong_frost_position",
        "The first vent group goes to a wrong position in frost.",
        lambda b, s: replace(b, frost_position_shift_percent=10 * s),
        "1 is 10 % too far open; more is further",
    ),
    _logic_frost(
        "frost_latches",
        "The frost override stays when it is warm again.",
        lambda b, _: replace(b, latched=b.latched | {"frost"}),
    ),
    _logic_several(
        "last_override_wins",
        "Of several overrides the one that began last moves the vents, whatever the precedence.",
        lambda b, _: replace(b, last_override_wins=True),
    ),
    _logic_several(
        "drops_second_override",
        "An override that begins while another is active is dropped, and missing when the first one ends.",
        lambda b, _: replace(b, drops_second_override=True),
    ),
    _logic_several(
        "release_drops_others",
        "When one override ends the vents go to their stage although another is still active.",
        lambda b, _: replace(b, release_drops_others=True),
    ),
)


_S_PER_H = 3600

_now_and_then = partial(Fault, family="intermittent")

INTERMITTENT_FAULTS = (
    _now_and_then(
        "misses_counts",
        "The rain counter loses closures that arrive while its task is busy.",
        lambda b, s: replace(b, misses_every=every(5, s)),
        "1 loses every fifth; more loses more",
        only_by=RAIN,
    ),
    _now_and_then(
        "misses_showers",
        "Now and then the message that it rains is lost between two tasks, and that shower is slept through.",
        lambda b, s: replace(b, misses_shower_every=every(5, s)),
        "1 sleeps through every fifth; more through more",
        only_by=RAIN_OVERRIDE,
    ),
    _now_and_then(
        "drive_skips",
        "Now and then a drive's relay does not pull in, and the vent stays where it is.",
        lambda b, s: replace(b, skips_command_every=every(10, s)),
        "1 misses every tenth command; more misses more",
    ),
    _now_and_then(
        "flag_drops_out",
        "The bit of the rain override is rebuilt from time to time and reads 0 during that time.",
        lambda b, s: replace(b, flag_drops_every=every(60, s)),
        "1 drops out with every 60th refresh, for seven of them; more drops out more often",
    ),
    _now_and_then(
        "deaf_after_hours",
        "A leak fills the memory, and some hours after power-up rain no longer begins an override.",
        lambda b, s: replace(b, deaf_after_s=100 * _S_PER_H / s),
        "1 takes 100 hours; more takes less",
        shows_by=("supply",),
        only_by=TIME,
    ),
    _now_and_then(
        "rain_in_gale_lost",
        "Rain that begins while the gale override is active is lost until the contact opens again.",
        lambda b, _: replace(b, rain_in_gale_lost=True),
        needs="wind",
        shows_by=(*BY_WIND, "rain"),
        only_by=GALE_OVERRIDE,
    ),
    _now_and_then(
        "deaf_after_failure",
        "After a sensor failure and its repair the rain contact is ignored until a restart.",
        lambda b, _: replace(b, deaf_after_failure=True),
        needs="sensors",
        shows_by=("outside", "house"),
        only_by=FAILING,
    ),
)
