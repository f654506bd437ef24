"""The catalogue of faults that the mock unit can be given, those of its further weather apart (pure)."""

from __future__ import annotations

from dataclasses import replace
from difflib import get_close_matches
from functools import reduce
from typing import TYPE_CHECKING

from bench.mock.behaviour import HEALTHY, Behaviour
from bench.mock.fault import Fault
from bench.mock.weather_faults import WEATHER_FAULTS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


def _every(usual: int, severity: float) -> int:
    return max(1, round(usual / severity))


_FAULTS = (
    Fault(
        "ignores_rain",
        "input",
        "The rain input is read but never handed to the override logic.",
        "",
        lambda b, _: replace(b, rain_seen=False),
    ),
    Fault(
        "no_debounce",
        "input",
        "The rain input is taken as it stands at every edge, bounce included.",
        "",
        lambda b, _: replace(b, debounce_factor=0.0),
    ),
    Fault(
        "slow_debounce",
        "input",
        "The debounce time is set in the wrong unit, so that real closures are filtered away.",
        "1 is ten times the debounce time; more is longer",
        lambda b, s: replace(b, debounce_factor=10 * s),
    ),
    Fault(
        "counts_bounce",
        "input",
        "The rain counter hangs on the raw input and counts every bounce.",
        "",
        lambda b, _: replace(b, counts_bounce=True),
    ),
    Fault(
        "counts_twice",
        "input",
        "The rain counter takes both edges of a closure.",
        "",
        lambda b, _: replace(b, counts_per_closure=2),
    ),
    Fault(
        "misses_counts",
        "input",
        "The rain counter loses closures that arrive while its task is busy.",
        "1 loses every fifth; more loses more",
        lambda b, s: replace(b, misses_every=_every(5, s)),
    ),
    Fault(
        "entry_late",
        "delay",
        "The override begins well after its entry delay.",
        "1 is 5 s late; more is later",
        lambda b, s: replace(b, entry_extra_s=5 * s),
    ),
    Fault(
        "entry_at_once",
        "delay",
        "The entry delay is skipped: the override begins with the first debounced closure.",
        "",
        lambda b, _: replace(b, entry_factor=0.0),
    ),
    Fault(
        "entry_latched",
        "delay",
        "The entry delay is not cancelled when the contact opens, so that a short blip starts the override.",
        "",
        lambda b, _: replace(b, entry_survives_opening=True),
    ),
    Fault(
        "release_early",
        "delay",
        "The override ends before its release delay is over.",
        "1 ends it at half the delay; more is earlier",
        lambda b, s: replace(b, release_factor=0.5 / s),
    ),
    Fault(
        "release_late",
        "delay",
        "The override is kept far beyond its release delay.",
        "1 keeps it for twice the delay; more is longer",
        lambda b, s: replace(b, release_factor=1 + s),
    ),
    Fault(
        "never_releases",
        "delay",
        "The override latches and stays when the rain is over.",
        "",
        lambda b, _: replace(b, never_releases=True),
    ),
    Fault(
        "gives_up",
        "delay",
        "A watchdog ends the override although it still rains.",
        "1 ends it 45 s after it began; more is earlier",
        lambda b, s: replace(b, gives_up_after_s=45 / s),
    ),
    Fault(
        "wrong_roof_position",
        "override",
        "The first vent group goes to a wrong override position.",
        "1 is 10 % too far open; more is further",
        lambda b, s: replace(b, first_position_shift_percent=10 * s),
    ),
    Fault(
        "swapped_positions",
        "override",
        "The first two vent groups go to each other's override position.",
        "",
        lambda b, _: replace(b, positions_swapped=True),
    ),
    Fault(
        "misses_side_vent",
        "override",
        "The last vent group of the override is left at its stage.",
        "",
        lambda b, _: replace(b, skips_last_vent=True),
    ),
    Fault(
        "opens_vent_to_override",
        "override",
        "A vent that stands below its override position is opened up to it in the rain.",
        "",
        lambda b, _: replace(b, opens_to_override=True),
    ),
    Fault(
        "stage_beats_override",
        "override",
        "A change of the ventilation stage during the override moves the vents to the stage.",
        "",
        lambda b, _: replace(b, stage_beats_override=True),
    ),
    Fault(
        "no_hysteresis",
        "stage",
        "A ventilation stage ends at the temperature at which it began, so that the vents hunt.",
        "",
        lambda b, _: replace(b, hysteresis_factor=0.0),
    ),
    Fault(
        "slow_travel",
        "drive",
        "The drives run slow, as with a weak supply or a dragging gear.",
        "1 takes half as long again; more is slower",
        lambda b, s: replace(b, travel_factor=1 + 0.5 * s),
    ),
    Fault(
        "slow_start",
        "drive",
        "The drives start long after the command.",
        "1 adds 5 s of dead time; more adds more",
        lambda b, s: replace(b, extra_dead_time_s=5 * s),
    ),
    Fault(
        "runs_on",
        "drive",
        "The drives run on after they are told to stop and pass their target.",
        "1 adds 1.5 s of coast; more adds more",
        lambda b, s: replace(b, extra_coast_s=1.5 * s),
    ),
    Fault(
        "stalls_at",
        "drive",
        "The first vent group jams on its way to closed, as on a bent rack.",
        "1 jams at 20 % open; more jams further open",
        lambda b, s: replace(b, stalls_at_percent=min(100.0, 20 * s)),
    ),
    Fault(
        "creeps_open",
        "drive",
        "Vents at rest creep open, as with a worn brake.",
        "1 is 0.2 % a second; more is faster",
        lambda b, s: replace(b, creep_percent_s=0.2 * s),
    ),
    Fault(
        "runs_inverted",
        "drive",
        "The first vent group's open and close outputs are exchanged.",
        "",
        lambda b, _: replace(b, runs_inverted=True),
    ),
    Fault(
        "stale_registers",
        "register",
        "Input registers are refreshed far less often than declared.",
        "1 is 25 times the declared interval; more is staler",
        lambda b, s: replace(b, refresh_factor=25 * s),
    ),
    Fault(
        "words_swapped",
        "register",
        "Values of 32 bits are sent low word first.",
        "",
        lambda b, _: replace(b, low_word_first=True),
    ),
    Fault(
        "wrong_scale",
        "register",
        "Positions are sent in whole per cent instead of tenths.",
        "",
        lambda b, _: replace(b, position_scale_factor=0.1),
    ),
    Fault(
        "address_shift",
        "register",
        "Every input register stands one address too high: counting from 1 was mixed with counting from 0.",
        "1 is one address, 2 is two",
        lambda b, s: replace(b, address_shift=max(1, round(s))),
    ),
    Fault(
        "reports_target_instead_of_position",
        "register",
        "Position registers carry the target the drive was given, not where the vent is.",
        "",
        lambda b, _: replace(b, reports_target=True),
    ),
    Fault(
        "positions_exchanged",
        "register",
        "The first two position registers carry each other's vent group.",
        "",
        lambda b, _: replace(b, positions_exchanged=True),
    ),
    Fault(
        "flag_stuck",
        "register",
        "The bit that says that the rain override is active is never set.",
        "",
        lambda b, _: replace(b, flag_stuck=True),
    ),
    Fault(
        "replies_busy",
        "bus",
        "Reads are refused as busy now and then.",
        "1 refuses every fourth; more refuses more",
        lambda b, s: replace(b, busy_every=_every(4, s)),
    ),
)
CATALOGUE: Mapping[str, Fault] = {fault.name: fault for fault in (*_FAULTS, *WEATHER_FAULTS)}
"""Every fault by name."""


def check_names(names: Mapping[str, float], parts: Collection[str] | None = None) -> None:
    """Refuse unknown faults, severities that mean nothing, and faults of what the unit lacks.

    Args:
        names: severity of each fault.
        parts: what the unit has beyond what every unit has, as `MockSettings.parts`; None for not known.

    Raises:
        ValueError: says which name or severity is wrong and what would be right.
    """
    for name, severity in names.items():
        if name not in CATALOGUE:
            near = get_close_matches(name, CATALOGUE, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]!r}?" if near else f"known faults: {', '.join(CATALOGUE)}"
            raise ValueError(f"{name!r} is not a fault of the mock unit; {hint}")
        if not 0 < severity <= 1000:  # noqa: PLR2004 - beyond any use, and keeps every product finite; NaN fails too
            raise ValueError(
                f"severity {severity!r} of fault {name!r} must be more than 0 and at most 1000; 1 is usual"
            )
        needs = CATALOGUE[name].needs
        if needs and parts is not None and needs not in parts:
            raise ValueError(
                f"fault {name!r} spoils what this unit does not have: {needs}; add that, or leave the fault out"
            )


def behaviour_with(faults: Mapping[str, float]) -> Behaviour:
    """Return the behaviour of a unit that has every one of `faults` (name to severity); healthy without any.

    Raises:
        ValueError: as `check_names`.
    """
    check_names(faults)
    return reduce(lambda b, item: CATALOGUE[item[0]].change(b, item[1]), faults.items(), HEALTHY)
