"""Faults of how the unit takes a sensor that failed (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import inf

from bench.mock.fault import FAILING, TIME, Fault, left

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
        "The first plausible reading already counts as a mended sensor.",
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
        "A failed sensor is told, but no override follows from it.",
        lambda b, _: replace(b, failures_heeded=False),
    ),
    _failing_level(
        "failure_not_told",
        "The vents go to their safe positions, but no register says that a sensor failed.",
        lambda b, _: replace(b, failures_told=False),
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
