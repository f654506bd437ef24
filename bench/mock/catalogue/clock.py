"""Faults of the unit's clock and counters: wraps, drift (pure)."""

from __future__ import annotations

from dataclasses import replace

from bench.mock.behaviour import Wrap
from bench.mock.fault import Fault, Touch

_MS_32_S = 2**32 / 1000  # 49.7 days
_S_16_S = 2.0**16  # 18.2 hours
_LONG = ("supply",)

_TIME = frozenset[Touch]({"time"})
_BUCKET = frozenset[Touch]({"bucket"})
_RAIN = frozenset[Touch]({"rain"})

FAULTS = (
    Fault(
        "wrap_ends_delay",
        "time",
        "A delay across the wrap of the 32-bit millisecond counter (49.7 days) is over at once: instants are"
        " compared where spans should be.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "ends")),
        shows_by=_LONG,
        only_by=_TIME,
    ),
    Fault(
        "wrap_hangs_delay",
        "time",
        "A delay across the wrap of the 32-bit millisecond counter (49.7 days) is over only a whole turn later.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "hangs")),
        shows_by=_LONG,
        only_by=_TIME,
    ),
    Fault(
        "counter_goes_negative",
        "time",
        "The millisecond counter is signed: from 24.9 days after power-up until it has turned no delay is over.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "negative")),
        shows_by=_LONG,
        only_by=_TIME,
    ),
    Fault(
        "seconds_wrap_16",
        "time",
        "Delays run on a 16-bit counter of seconds: one across its wrap (18.2 hours) is over only a whole turn later.",
        lambda b, _: replace(b, wrap=Wrap(_S_16_S, "hangs")),
        shows_by=_LONG,
        only_by=_TIME,
    ),
    Fault(
        "tips_wrap_16",
        "time",
        "The tips of the last minutes are a difference of 16-bit counts: across 65,536 it is negative, and no rain.",
        lambda b, _: replace(b, tip_bits=16),
        needs="tip_rate",
        shows_by=("bucket",),
        only_by=_BUCKET,
    ),
    Fault(
        "counter_wraps_16",
        "time",
        "The counter of rain closures has 16 bits, although 32 are sent: it begins anew after 65,535.",
        lambda b, _: replace(b, counter_bits=16),
        undecided="a counter that falls may have been set anew by a restart, and of 16 bits nobody has told the bench",
        only_by=_RAIN,
    ),
    Fault(
        "clock_slow",
        "time",
        "The tick of the timer is too slow, so that every delay takes too long.",
        lambda b, s: replace(b, delay_factor=1 + 0.1 * s),
        "1 is 10 % slow; more is slower",
        shows_by=("outside", "rain"),
    ),
    Fault(
        "clock_fast",
        "time",
        "The tick of the timer is too fast, so that every delay is over too early.",
        lambda b, s: replace(b, delay_factor=1 / (1 + 0.1 * s)),
        "1 is 10 % fast; more is faster",
        shows_by=("outside", "rain"),
    ),
)
