"""Faults of the unit's clock and counters: wraps, drift (pure)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from bench.mock.behaviour import Wrap
from bench.mock.fault import BUCKET, RAIN, TIME, Fault

_MS_32_S = 2**32 / 1000  # 49.7 days
_S_16_S = 2.0**16  # 18.2 hours

_time = partial(Fault, family="time")
_time_wrap = partial(_time, shows_by=("supply",), only_by=TIME)

TIME_FAULTS = (
    _time_wrap(
        "wrap_ends_delay",
        "A delay across the wrap of the 32-bit millisecond counter (49.7 days) is over at once: instants are"
        " compared where spans should be.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "ends")),
    ),
    _time_wrap(
        "wrap_hangs_delay",
        "A delay across the wrap of the 32-bit millisecond counter (49.7 days) is over only a whole turn later.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "hangs")),
    ),
    _time_wrap(
        "counter_goes_negative",
        "The millisecond counter is signed: from 24.9 days after power-up until it has turned no delay is over.",
        lambda b, _: replace(b, wrap=Wrap(_MS_32_S, "negative")),
    ),
    _time_wrap(
        "seconds_wrap_16",
        "Delays run on a 16-bit counter of seconds: one across its wrap (18.2 hours) is over only a whole turn later.",
        lambda b, _: replace(b, wrap=Wrap(_S_16_S, "hangs")),
    ),
    _time(
        "tips_wrap_16",
        "The tips of the last minutes are a difference of 16-bit counts: across 65,536 it is negative, and no rain.",
        lambda b, _: replace(b, tip_bits=16),
        needs="tip_rate",
        shows_by=("bucket",),
        only_by=BUCKET,
    ),
    _time(
        "counter_wraps_16",
        "The counter of rain closures has 16 bits, although 32 are sent: it begins anew after 65,535.",
        lambda b, _: replace(b, counter_bits=16),
        only_by=RAIN,
        undecided="a counter that falls may have been set anew by a restart, and of 16 bits nobody has told the bench",
    ),
    _time(
        "clock_slow",
        "The tick of the timer is too slow, so that every delay takes too long.",
        lambda b, s: replace(b, delay_factor=1 + 0.1 * s),
        "1 is 10 % slow; more is slower",
        shows_by=("outside", "rain"),
    ),
    _time(
        "clock_fast",
        "The tick of the timer is too fast, so that every delay is over too early.",
        lambda b, s: replace(b, delay_factor=1 / (1 + 0.1 * s)),
        "1 is 10 % fast; more is faster",
        shows_by=("outside", "rain"),
    ),
)
