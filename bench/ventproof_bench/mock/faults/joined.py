"""Faults of joined conditions, of contacts that count when open, and of rules of their own (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from ventproof_bench.mock.faults.fault import BY_WIND, Fault, left

_rule = partial(Fault, family="logic", needs="rules", shows_by=("outside", "rain"))
_joined = partial(_rule, needs="rules.all")

JOINED_FAULTS = (
    _rule(
        "ignores_rules",
        "Further overrides are read from the settings but never looked at.",
        lambda b, _: replace(b, rules_ignored=True),
    ),
    _joined(
        "joined_by_or",
        "Of conditions that must hold together one is enough: a cold dry day counts as snow.",
        lambda b, _: replace(b, joins_by_any=True),
    ),
    _joined(
        "last_joined_ignored",
        "The last of the conditions that must hold together is not looked at: rain counts as snow.",
        lambda b, _: replace(b, last_joined_dropped=True),
    ),
    _rule(
        "rule_entry_at_once",
        "The entry delay of a further override is skipped.",
        lambda b, s: replace(b, rule_entry_factor=left(s)),
        "1 leaves no delay; 0.5 leaves half",
    ),
    _rule(
        "rule_release_at_once",
        "The release delay of a further override is skipped.",
        lambda b, s: replace(b, rule_release_factor=left(s)),
        "1 leaves no delay; 0.5 leaves half",
    ),
    _rule(
        "rule_release_late",
        "A further override is kept far beyond its release delay.",
        lambda b, s: replace(b, rule_release_factor=1 + s),
        "1 keeps it for twice the delay; more is longer",
    ),
    _rule(
        "wrong_rule_position",
        "The first vent group goes to a wrong position in a further override.",
        lambda b, s: replace(b, rule_position_shift_percent=10 * s),
        "1 is 10 % too far open; more is further",
    ),
    _rule(
        "alarm_relay_inverted",
        "The alarm relay picks up on an alarm, so that a cut cable looks like no alarm.",
        lambda b, _: replace(b, relay_inverted=True),
        needs="rules.drops_out",
    ),
    Fault(
        "mean_wind_ignored",
        "Only gusts begin the gale override: a high mean wind without gusts does not.",
        lambda b, _: replace(b, mean_seen=False),
        family="logic",
        needs="wind.gale_by_mean",
        shows_by=BY_WIND,
    ),
    Fault(
        "loop_taken_for_open",
        "A normally closed loop is taken for a normally open contact: a cut wire counts as dry.",
        lambda b, _: replace(b, loops_taken_for_open=True),
        family="conditioning",
        needs="a normally closed contact",
        undecided="to such a unit a whole loop is rain: no vent opens, and no profile reaches its start state",
    ),
)
