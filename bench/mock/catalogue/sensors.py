"""Faults of how the unit takes a sensor that failed (pure)."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from bench.mock.fault import Fault, Touch, left

_LEVELS = ("outside", "house")

_FAILING = frozenset[Touch]({"implausible", "time"})
_TIME = frozenset[Touch]({"time"})

FAULTS = (
    Fault(
        "no_sensor_check",
        "sensor failure",
        "A level that no healthy sensor gives is scaled like any other, so that a broken wire is a temperature.",
        lambda b, _: replace(b, failures_seen=False),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "low_end_unchecked",
        "sensor failure",
        "Only levels above the range are taken for a failure: no current at all is scaled like any other.",
        lambda b, _: replace(b, low_end_checked=False),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "high_end_unchecked",
        "sensor failure",
        "Only levels below the range are taken for a failure: too much current is scaled like any other.",
        lambda b, _: replace(b, high_end_checked=False),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "passes_bad_value",
        "sensor failure",
        "Until a sensor is taken for failed its impossible value is used, instead of the last good one.",
        lambda b, _: replace(b, holds_last_good=False),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "fails_at_once",
        "sensor failure",
        "A single impossible reading, as a loose terminal gives, already counts as a failed sensor.",
        lambda b, s: replace(b, sensor_fails_factor=left(s)),
        "1 waits for nothing; 0.5 waits half as long",
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "recovers_at_once",
        "sensor failure",
        "The first plausible reading already counts as a mended sensor.",
        lambda b, s: replace(b, sensor_recovers_factor=left(s)),
        "1 waits for nothing; 0.5 waits half as long",
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "failure_latches",
        "sensor failure",
        "A sensor that failed once is never trusted again.",
        lambda b, _: replace(b, sensor_recovers_factor=inf),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "failure_without_consequence",
        "sensor failure",
        "A failed sensor is told, but no override follows from it.",
        lambda b, _: replace(b, failures_heeded=False),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "failure_not_told",
        "sensor failure",
        "The vents go to their safe positions, but no register says that a sensor failed.",
        lambda b, _: replace(b, failures_told=False),
        needs="sensors",
        shows_by=_LEVELS,
        only_by=_FAILING,
    ),
    Fault(
        "dead_cups_unseen",
        "sensor failure",
        "Cups that stand still for longer than any calm are never taken for broken.",
        lambda b, _: replace(b, silence_seen=False),
        needs="sensors.cups",
        shows_by=("cups",),
        only_by=_TIME,
    ),
)
