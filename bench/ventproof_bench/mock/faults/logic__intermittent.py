"""Faults that show only now and then: one in so many, after hours, or after a certain order of events (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from bench.mock.fault import FAILING, GALE_OVERRIDE, RAIN, RAIN_OVERRIDE, TIME, Fault, every

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
        "The bit of the rain override is rebuilt from time to time and reads 0 meanwhile.",
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
        shows_by=("cups", "rain"),
        only_by=GALE_OVERRIDE,
    ),
    _now_and_then(
        "deaf_after_failure",
        "After a sensor has failed and was mended the rain contact is no longer looked at, until a restart.",
        lambda b, _: replace(b, deaf_after_failure=True),
        needs="sensors",
        shows_by=("outside", "house"),
        only_by=FAILING,
    ),
)
