"""Faults of limits, of sides, of supervised loops, and of rules that wait for an override (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from ventproof_bench.mock.faults.fault import BY_WIND, Fault, left

_limit = partial(Fault, family="logic", needs="rules.limits", shows_by=(*BY_WIND, "bucket"))
_side = partial(Fault, family="logic", shows_by=("direction", *BY_WIND))
_banded = partial(_side, needs="wind.dead_band")

LIMIT_FAULTS = (
    _limit(
        "limits_ignored",
        "The limit of a vent in the wind is shown, but the vent opens as far as it likes.",
        lambda b, _: replace(b, limits_seen=False),
    ),
    _limit(
        "limit_ignores_strength",
        "A limit stays where it begins, however hard it blows or rains.",
        lambda b, _: replace(b, limits_fixed=True),
    ),
    _limit(
        "limit_too_open",
        "A vent may open further than its limit.",
        lambda b, s: replace(b, limit_shift_percent=15 * s),
        "1 is 15 % too far open; more is further",
    ),
    _limit(
        "limit_falls_late",
        "The wind or the rain must be stronger for a limit to fall.",
        lambda b, s: replace(b, limit_scale_factor=1 + 0.4 * s),
        "1 needs 1.4 times the value; more needs more",
    ),
    _limit(
        "limit_never_rises",
        "A limit that has fallen in a gust stays there until the rule is over.",
        lambda b, _: replace(b, limits_only_fall=True),
    ),
    _banded(
        "no_dead_band",
        "Vents change their side exactly across the wind, and swap whenever it wavers there.",
        lambda b, s: replace(b, lee_band_factor=left(s), wind_band_factor=left(s)),
        "1 leaves no dead band; 0.5 leaves half",
    ),
    _banded(
        "no_dead_band_into_the_lee",
        "A vent lies in the lee as soon as the wind is past straight across; only the way back has a dead band.",
        lambda b, s: replace(b, lee_band_factor=left(s)),
        "1 leaves no dead band on this side; 0.5 leaves half",
    ),
    _banded(
        "no_dead_band_out_of_the_lee",
        "A vent faces the wind as soon as that is past straight across; only the way into the lee has a dead band.",
        lambda b, s: replace(b, wind_band_factor=left(s)),
        "1 leaves no dead band on this side; 0.5 leaves half",
    ),
    _side(
        "sides_change_at_once",
        "Vents change their side with each turn of the vane, however short.",
        lambda b, s: replace(b, side_settles_factor=left(s)),
        "1 leaves no time; 0.5 leaves half",
        needs="wind.settles_after",
    ),
    Fault(
        "cut_taken_for_rain",
        "A cut wire of the supervised loop is read as rain: the vents close, and no failure is reported.",
        lambda b, _: replace(b, cut_taken_for_rain=True),
        family="sensor failure",
        needs="sensors.loop",
        shows_by=("loop",),
    ),
    Fault(
        "active_override_ignored",
        "What should follow another override does not: a relay or an interlock stays as it is.",
        lambda b, _: replace(b, references_heeded=False),
        family="logic",
        needs="rules.active",
        shows_by=(*BY_WIND, "outside", "rain"),
    ),
)
