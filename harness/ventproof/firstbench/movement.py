"""How fast a vent went, how often its reading is refreshed, whether it stands: from readings over time (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, log10
from typing import TYPE_CHECKING, Final

from ventproof_bench.base.evidence import Sample
from ventproof_bench.selfcheck.measure import refresh_measured

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.firstbench.codings import Coding, RawReading

_WHOLE_PERCENT: Final = 100.0
_PART: Final = 3
"""A travel is looked at in pieces as long as a third of it: the fastest counts."""
_LEAST_PERCENT: Final = 40.0
"""Of a shorter movement the refresh interval spoils too much: it would seem far quicker than it was."""
_SPARE: Final = 0.95
"""What is declared of a measured travel: no drive is to be quicker, a warm one or a lighter vent included."""
_DIGITS: Final = 2


def samples_of(track: Sequence[RawReading], coding: Coding) -> tuple[Sample, ...]:
    """Return readings as values, those that are no numbers left out."""
    valued = ((one, coding.value(one.words)) for one in track)
    return tuple(Sample(value, one.requested_s, one.replied_s) for one, value in valued if value is not None)


def stands(track: Sequence[RawReading], for_s: float) -> bool:
    """Whether registers were read for so long and did not change."""
    if not track or track[-1].requested_s - track[0].replied_s < for_s:
        return False
    since_s = track[-1].requested_s - for_s
    return len({one.words for one in track if one.replied_s >= since_s}) == 1


def shortest_travel_s(samples: Sequence[Sample], *, step: float, refresh_s: float) -> float | None:
    """Return the shortest time from 0 % to 100 % that one movement leaves possible, seconds; None where it is short.

    Two readings while it moves differ by what it went between them, and a step more at most; they were taken at least
    the time from the first's reply to the second's request apart, less a refresh interval, by which the second may be
    older. The fastest stretch of a third of the movement or more counts.

    Args:
        samples: readings in % from where it stands to where it stands again.
        step: smallest step of the value, %.
        refresh_s: the longest interval at which the unit refreshes it, s.
    """
    moving = _moving(samples)
    if len(moving) < _PART or abs(samples[-1].value - samples[0].value) < _LEAST_PERCENT:
        return None
    part = max(1, len(moving) // _PART)
    rates = [
        (abs(b.value - a.value) + step) / apart_s
        for i, a in enumerate(moving)
        for b in moving[i + part :]
        if (apart_s := b.requested_s - refresh_s - a.replied_s) > 0
    ]
    return _WHOLE_PERCENT / max(rates) if rates else None


def _moving(samples: Sequence[Sample]) -> Sequence[Sample]:
    """Return the readings from the first that changed to the last before the final value."""
    if not samples:
        return ()
    first, last = samples[0].value, samples[-1].value
    begin = next((i for i, one in enumerate(samples) if one.value != first), len(samples))
    end = next((i for i, one in enumerate(samples) if all(later.value == last for later in samples[i:])), 0)
    return samples[begin:end]


def longest_refresh_s(samples: Sequence[Sample], *, step: float) -> float | None:
    """Return the longest refresh interval that a movement leaves possible, seconds; None where it shows nothing.

    It rests on `ventproof_bench.selfcheck.measure.refresh_measured`, as the self-check does.
    """
    found = refresh_measured("", samples, step=step, declared_s=0.0, error=step / 2)
    return found.at_most_s if found is not None else None


def declared_travel_s(measured_s: float) -> float:
    """Return a full travel to declare for a measured one: a little shorter, with two digits, rounded down."""
    return _in_digits(measured_s * _SPARE, up=False)


def declared_refresh_s(measured_s: float) -> float:
    """Return a refresh interval to declare for a measured one: with two digits, rounded up."""
    return _in_digits(measured_s, up=True)


def limit_s(measured_s: float) -> float:
    """Return a deadline for what took so long once: a tenth and two seconds more, in whole seconds."""
    return float(ceil(measured_s * 1.1 + 2))


def _in_digits(value: float, *, up: bool) -> float:
    if value <= 0:
        return 0.0
    scale = 10.0 ** (_DIGITS - 1 - floor(log10(value)))
    return round((ceil if up else floor)(round(value * scale, 6)) / scale, 6)
