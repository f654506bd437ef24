"""Faults of taking inputs (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import inf

from ventproof_bench.mock.faults.fault import (
    BUCKET,
    BY_WIND,
    CUPS,
    FAILING,
    OUTSIDE,
    RAIN,
    TIME,
    WIND,
    Fault,
    left,
)

_conditioning = partial(Fault, family="conditioning")
_conditioning_rain = partial(_conditioning, only_by=RAIN)
_conditioning_wind = partial(_conditioning, needs="wind", shows_by=BY_WIND, only_by=WIND)
_conditioning_cups = partial(_conditioning, needs="cups", shows_by=("cups",), only_by=CUPS)
_conditioning_bucket = partial(_conditioning, needs="tip_rate", shows_by=("bucket",), only_by=BUCKET)
_conditioning_frost = partial(_conditioning, needs="frost", shows_by=("outside",), only_by=OUTSIDE)

CONDITIONING_FAULTS = (
    _conditioning_rain(
        "no_debounce",
        "The rain input has no debounce.",
        lambda b, s: replace(b, debounce_factor=left(s)),
        "1 leaves no debounce; 0.5 leaves half of its time",
    ),
    _conditioning_rain(
        "slow_debounce",
        "The debounce time is set in the wrong unit, so that real closures are filtered away.",
        lambda b, s: replace(b, debounce_factor=1 + 9 * s),
        "1 is ten times the debounce time; more is longer",
    ),
    _conditioning_rain(
        "opening_not_debounced",
        "Only closures of the rain contact are debounced: a short interruption restarts the entry delay.",
        lambda b, _: replace(b, opening_debounced=False),
    ),
    _conditioning_rain(
        "counts_bounce",
        "The rain counter hangs on the raw input and counts every bounce.",
        lambda b, _: replace(b, counts_bounce=True),
    ),
    _conditioning_rain(
        "counts_twice",
        "The rain counter takes both edges of a closure.",
        lambda b, s: replace(b, counts_per_closure=1 + round(s)),
        "1 counts each twice, 2 three times",
    ),
    _conditioning_wind(
        "gale_in_wrong_unit",
        "The gale threshold was entered in km/h and is compared with m/s.",
        lambda b, _: replace(b, gale_at_factor=3.6),
    ),
    _conditioning_wind(
        "gale_threshold_low",
        "The gale threshold was rounded down when it was scaled to counts.",
        lambda b, s: replace(b, gale_at_factor=1 - 0.05 * min(s, 10.0)),
        "1 is 5 % too low; more is lower",
    ),
    _conditioning_wind(
        "no_gale_hysteresis",
        "The gale is over as soon as the wind is below the threshold at which it began.",
        lambda b, s: replace(b, gale_hysteresis_factor=left(s)),
        "1 leaves none of it; 0.5 leaves half",
    ),
    _conditioning_cups(
        "drops_cup_offset",
        "The offset of the cups' line is left out, so that every wind reads too low.",
        lambda b, s: replace(b, cups_offset_factor=left(s)),
        "1 leaves none of it; 0.5 leaves half",
    ),
    _conditioning_cups(
        "counts_cups_twice",
        "The pulse input counts both edges of the cups, so that the wind reads twice as fast.",
        lambda b, s: replace(b, counts_per_pulse=1 + round(s)),
        "1 counts each twice, 2 three times",
    ),
    _conditioning_wind(
        "smooths_gusts",
        "Gusts are averaged over far too long a window and vanish in it.",
        lambda b, s: replace(b, gust_window_factor=1 + 9 * s),
        "1 is ten times the gust window; more is longer",
    ),
    _conditioning_cups(
        "cups_not_debounced",
        "Every bounce of the cups' reed is a pulse, so that a breeze reads as a gale.",
        lambda b, s: replace(b, cups_debounce_factor=left(s)),
        "1 leaves no debounce; 0.5 leaves half of its time",
    ),
    _conditioning_wind(
        "wind_zero_at_0_ma",
        "The wind input is set to 0-20 mA: the 4 mA of a calm read as a breeze, and a breeze as a gale.",
        lambda b, _: replace(b, live_zero_known=False),
        needs="sensors.wind",
    ),
    _conditioning_bucket(
        "tips_not_debounced",
        "Every bounce of the bucket's reed is a tip, so that drizzle reads as a cloudburst.",
        lambda b, s: replace(b, bucket_debounce_factor=left(s)),
        "1 leaves no debounce; 0.5 leaves half of its time",
    ),
    _conditioning_bucket(
        "wrong_tip_size",
        "A tip is taken for less rain than it is: the setting of another bucket.",
        lambda b, s: replace(b, tip_size_factor=1 / (1 + s)),
        "1 takes half; more takes less",
    ),
    _conditioning_bucket(
        "tip_rate_sticks",
        "The rain intensity is only computed at a tip, so that it never falls when the tips cease.",
        lambda b, _: replace(b, tip_rate_falls=False),
    ),
    _conditioning_bucket(
        "no_tip_hysteresis",
        "Rain by tips is over as soon as the intensity is below the one at which it began.",
        lambda b, s: replace(b, tip_hysteresis_factor=left(s)),
        "1 leaves none of it; 0.5 leaves half",
    ),
    _conditioning(
        "loses_sign",
        "The sign of an outside temperature below zero is lost.",
        lambda b, _: replace(b, sign_lost=True),
        needs="sensors.outside",
        shows_by=("outside",),
        only_by=OUTSIDE,
    ),
    _conditioning(
        "outside_reads_high",
        "The resistance of the outside sensor's leads is not taken off, so that it reads too warm.",
        lambda b, s: replace(b, outside_offset_c=2 * s),
        "1 is 2 °C too warm; more is warmer",
        needs="sensors.outside",
        shows_by=("outside",),
    ),
    _conditioning_frost(
        "frost_in_fahrenheit",
        "The frost threshold in °C is compared with a temperature in °F.",
        lambda b, _: replace(b, frost_in_fahrenheit=True),
    ),
    _conditioning_frost(
        "no_frost_hysteresis",
        "The frost is over as soon as it is warmer than the temperature at which it began.",
        lambda b, s: replace(b, frost_hysteresis_factor=left(s)),
        "1 leaves none of it; 0.5 leaves half",
    ),
    _conditioning(
        "no_hysteresis",
        "A ventilation stage ends at the temperature at which it began, so that the vents hunt.",
        lambda b, s: replace(b, hysteresis_factor=left(s)),
        "1 leaves none of it; 0.5 leaves half",
        shows_by=("house",),
    ),
)


_failing = partial(Fault, family="sensor failure")
_failing_level = partial(_failing, needs="sensors", shows_by=("outside", "house"), only_by=FAILING)

SENSOR_FAILURE_FAULTS = (
    _failing_level(
        "no_sensor_check",
        "A level that no healthy sensor gives is scaled like any other, so that a broken wire is a temperature.",
        lambda b, _: replace(b, failures_seen=False),
    ),
    _failing_level(
        "low_end_unchecked",
        "Only levels above the range are taken for a failure: no current at all is scaled like any other.",
        lambda b, _: replace(b, low_end_checked=False),
    ),
    _failing_level(
        "high_end_unchecked",
        "Only levels below the range are taken for a failure: too much current is scaled like any other.",
        lambda b, _: replace(b, high_end_checked=False),
    ),
    _failing_level(
        "passes_bad_value",
        "Until a sensor is taken for failed its impossible value is used, instead of the last good one.",
        lambda b, _: replace(b, holds_last_good=False),
    ),
    _failing_level(
        "fails_at_once",
        "A single impossible reading, as a loose terminal gives, already counts as a failed sensor.",
        lambda b, s: replace(b, sensor_fails_factor=left(s)),
        "1 waits for nothing; 0.5 waits half as long",
    ),
    _failing_level(
        "recovers_at_once",
        "One plausible reading ends the sensor failure.",
        lambda b, s: replace(b, sensor_recovers_factor=left(s)),
        "1 waits for nothing; 0.5 waits half as long",
    ),
    _failing_level(
        "failure_latches",
        "A sensor that failed once is never trusted again.",
        lambda b, _: replace(b, sensor_recovers_factor=inf),
    ),
    _failing_level(
        "failure_without_consequence",
        "A sensor failure is reported but starts no override.",
        lambda b, _: replace(b, failures_heeded=False),
    ),
    _failing_level(
        "failure_not_told",
        "The vents go to their safe positions, but no register says that a sensor failed.",
        lambda b, _: replace(b, failures_told=False),
    ),
    _failing(
        "lost_vane_keeps_lee",
        "When the vane fails the vents keep the side that it gave last: those in the lee stay open, wherever it blows.",
        lambda b, _: replace(b, lost_vane_heeded=False),
        needs="wind.leeward",
        shows_by=("direction", *BY_WIND),
        only_by=FAILING,
    ),
    _failing(
        "dead_cups_unseen",
        "Cups that stand still for longer than any calm are never taken for broken.",
        lambda b, _: replace(b, silence_seen=False),
        needs="sensors.cups",
        shows_by=("cups",),
        only_by=TIME,
    ),
)
