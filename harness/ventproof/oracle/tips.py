"""Whether the last tips of a bucket show rain, whatever water was in it at first (pure).

A unit knows a rain by its tips alone. From one tip to the next exactly one tip's water falls, and when the first one
comes depends on what was in the bucket. So at any instant at which it rains the bucket may tip, and what counts is how
long the water of the last tip took to fall: its span. The intensity of several tips is a mean of their spans.

- It may show rain from the first span that is as short as one tip of that rain, and for as long as no span, and no
  wait for the next tip, is longer than one tip of the rain at which it ends. A span may lie half in a heavy rain and
  half in the drizzle after it: then the wait begins anew in the drizzle, and once only.
- It surely shows rain once every span was short enough while the last tips fell, and until a span may be too long.

Where a stimulus says how full the bucket is at its begin, water is added or lost between two tips.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, pairwise
from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof.oracle.timeline import Steps, Timeline, UncertainState

if TYPE_CHECKING:
    from ventproof.table.model import RainfallCondition


_S_PER_H: Final = 3600.0
_CALM: Final = 1e-9  # mm/h: what is nothing
_ROUNDING: Final = 1e-9
"""Of a span: what computing it may lose."""

_AT_ONCE_S: Final = 1e-6
_NEVER: Final[Mapping[float, float]] = {}

_Span = tuple[float, float]


def apart_s(condition: RainfallCondition, mm_per_h: float) -> float:
    """Return the time from tip to tip at a steady intensity in mm/h."""
    return condition.tip.value * _S_PER_H / max(mm_per_h, _CALM)


def fallen_s(rain: Steps, mm: float, since_s: float) -> float:
    """Return when so much rain has fallen since an instant; infinite for never."""
    for begins_s, end_s, mm_per_s in falling(rain):
        begin_s = max(begins_s, since_s)
        if mm_per_s and end_s > begin_s:
            if mm <= mm_per_s * (end_s - begin_s):
                return begin_s + mm / mm_per_s
            mm -= mm_per_s * (end_s - begin_s)
    return inf


def falling(rain: Steps) -> Iterator[tuple[float, float, float]]:
    """Yield the begin and the end of each intensity of a rain, and it in mm/s; before the first jump there is none."""
    for (begin_s, mm_per_h), (end_s, _) in pairwise([*rain.jumps, (inf, 0.0)]):
        yield begin_s, end_s, mm_per_h / _S_PER_H


def raining(
    condition: RainfallCondition,
    least: Steps,
    most: Steps,
    powered: UncertainState,
    filled: Mapping[float, float] = _NEVER,
) -> UncertainState:
    """Return when a bucket shows rain.

    Args:
        condition: how the unit judges its tips.
        least: the least that it may rain, mm/h.
        most: the most.
        powered: when the unit is there to count; it forgets all tips with its supply.
        filled: at which instants the bucket is filled to which share of a tip, whatever was in it before.
    """
    off_by = condition.accuracy.value
    begins, ends = condition.begins_at.value, condition.ends_at.value
    may = _Bucket(condition, begins - off_by, ends - off_by)
    must = _Bucket(condition, begins + off_by, ends + off_by)
    least, most = _parted(least, filled), _parted(most, filled)
    known = filled
    if least != most:
        # Nobody knows when the water falls that is missing: any tip may come at any time.
        most, known = _topped_up(most, filled, condition.tip.value), _NEVER
    return UncertainState(
        _timeline(
            _until(off_s, may.possible(_since(on_s, most), known)) for on_s, off_s in powered.may.yes()
        ),
        _timeline(
            _until(off_s, must.certain(_since(on_s, least), filled)) for on_s, off_s in powered.must.yes()
        ),
    )


@final
@dataclass(frozen=True, slots=True)
class _Stretch:
    """Time in which the span of the last tip's water grows or shrinks evenly.

    Attributes:
        begin_s: its begin.
        end_s: its end.
        span_s: the span at its begin.
        slope: what the span gains in a second; 1 where it does not rain.
        rains: whether it rains, so that the bucket may tip.
    """

    begin_s: float
    end_s: float
    span_s: float
    slope: float
    rains: bool

    def at_most(self, span_s: float) -> _Span | None:
        """Return from when until when the span is at most so long."""
        missing_s = span_s - self.span_s
        if abs(self.slope) < _ROUNDING:
            return (self.begin_s, self.end_s) if missing_s >= 0 else None
        turns_s = self.begin_s + missing_s / self.slope
        begin_s = max(self.begin_s, turns_s) if self.slope < 0 else self.begin_s
        end_s = min(self.end_s, turns_s) if self.slope > 0 else self.end_s
        return (begin_s, end_s) if begin_s <= end_s else None


@final
@dataclass(frozen=True, slots=True)
class _Bucket:
    """A bucket whose rain begins and ends at these intensities, mm/h."""

    condition: RainfallCondition
    begins_at: float
    ends_at: float

    def possible(self, rain: Steps, filled: Mapping[float, float]) -> Iterator[_Span]:
        """Yield when it may show rain."""
        wait_s = apart_s(self.condition, self.ends_at) * (1 + _ROUNDING)
        stretches = _stretches(rain, self.condition.tip.value, filled, tipped=True)
        tipping = [its for its in stretches if its.rains]
        waiting = _merged(
            (begin_s, end_s + wait_s) for begin_s, end_s in self._short(tipping, self.ends_at, 1)
        )
        begins_s = [begin_s for begin_s, _ in self._short(tipping, self.begins_at, 1)]
        for begin_s, end_s in waiting:
            first_s = min((t_s for t_s in begins_s if begin_s <= t_s <= end_s), default=inf)
            if first_s < end_s:
                yield first_s, end_s

    def certain(self, rain: Steps, filled: Mapping[float, float]) -> Iterator[_Span]:
        """Yield when it surely shows rain."""
        stretches = [*_stretches(rain, self.condition.tip.value, filled)]
        others_mm = (self.condition.tips - 1) * self.condition.tip.value
        begun_s = [
            begun_s
            for span in _merged(self._short(stretches, self.begins_at, 1))
            for begin_s, end_s in _cut(span, filled)  # a tip's water may be lost there
            if (begun_s := fallen_s(rain, others_mm, begin_s)) <= end_s
        ]
        # At exactly the rain at which it ends it has ended.
        for begin_s, end_s in _merged(self._short(stretches, self.ends_at, -1)):
            first_s = min((t_s for t_s in begun_s if begin_s <= t_s <= end_s), default=inf)
            if first_s < end_s:
                yield first_s, end_s

    def _short(self, stretches: Iterable[_Stretch], mm_per_h: float, rounded: int) -> Iterator[_Span]:
        """Yield when the span is at most that of a tip at an intensity."""
        most_s = apart_s(self.condition, mm_per_h) * (1 + rounded * _ROUNDING)
        return (span for its in stretches if (span := its.at_most(most_s)) is not None)


@final
@dataclass(frozen=True, slots=True)
class _Fall:
    """Rain of one intensity: when it begins, the depth before and after it in mm, and the intensity in mm/s."""

    begin_s: float
    before_mm: float
    after_mm: float
    mm_per_s: float

    def at_s(self, depth_mm: float) -> float:
        """Return when a depth is reached."""
        return self.begin_s + (depth_mm - self.before_mm) / self.mm_per_s


def _stretches(
    rain: Steps, tip_mm: float, filled: Mapping[float, float], *, tipped: bool = False
) -> Iterator[_Stretch]:
    """Yield how the span of the last tip's water changes, from when a first tip can have fallen.

    Where the bucket is filled anew, the first tip after that comes once the rest of its water has fallen. The last one
    before was as long ago as it can be; or, with `tipped`, at that instant.
    """
    falls: list[_Fall] = []
    depth_mm, oldest, last_s, first_mm = 0.0, 0, inf, tip_mm
    for begin_s, end_s, mm_per_s in falling(rain):
        if depth_mm >= tip_mm:
            last_s = falls[oldest].at_s(depth_mm - tip_mm)
        if begin_s in filled:
            last_s = begin_s if tipped and falls else last_s
            falls, depth_mm, oldest, first_mm = [], 0.0, 0, (1 - filled[begin_s]) * tip_mm
        if not mm_per_s:
            if last_s < inf:
                yield _Stretch(begin_s, end_s, begin_s - last_s, 1.0, rains=False)
            continue
        now = _Fall(begin_s, depth_mm, depth_mm + mm_per_s * (end_s - begin_s), mm_per_s)
        falls.append(now)
        if last_s < inf and depth_mm < tip_mm:
            begun, last_s = _to_first_tip(now, end_s, (first_mm, tip_mm), last_s, tipped=tipped)
            yield from begun
        depth_mm = max(depth_mm, tip_mm)
        while depth_mm < now.after_mm:
            while falls[oldest].after_mm + tip_mm <= depth_mm:
                oldest += 1
            first = falls[oldest]
            from_s, next_mm = now.at_s(depth_mm), min(now.after_mm, first.after_mm + tip_mm)
            yield _Stretch(
                from_s,
                end_s if next_mm == now.after_mm else now.at_s(next_mm),
                from_s - first.at_s(depth_mm - tip_mm),
                1 - mm_per_s / first.mm_per_s,
                rains=True,
            )
            depth_mm = next_mm
        depth_mm = now.after_mm


def _to_first_tip(
    fall: _Fall, end_s: float, marks_mm: tuple[float, float], last_s: float, *, tipped: bool
) -> tuple[list[_Stretch], float]:
    """Return the stretches to the first tip after a filling, and to a tip's water after that; and the last tip."""
    stretches: list[_Stretch] = []
    depth_mm, first_mm = fall.before_mm, marks_mm[0]
    for to_mm in marks_mm:
        if depth_mm < min(to_mm, fall.after_mm):
            from_s, until_s = fall.at_s(depth_mm), min(end_s, fall.at_s(to_mm))
            depth_mm = min(to_mm, fall.after_mm)
            tips = depth_mm == first_mm
            if not tipped:
                stretches.append(_Stretch(from_s, until_s, from_s - last_s, 1.0, rains=True))
            elif tips:
                stretches.append(_Stretch(until_s, until_s, until_s - last_s, 1.0, rains=True))
            last_s = until_s if tips else last_s
    return stretches, last_s


def _topped_up(rain: Steps, filled: Mapping[float, float], tip_mm: float) -> Steps:
    """Return a rain with all the water that filling the bucket may add, as if it fell at once."""
    jumps = dict(rain.jumps)
    for at_s, share in filled.items():
        if share:
            jumps[at_s + _AT_ONCE_S] = rain.at(at_s)
            jumps[at_s] = share * tip_mm * _S_PER_H / _AT_ONCE_S
    return Steps(rain.first, tuple(sorted(jumps.items())))


def _parted(rain: Steps, instants_s: Iterable[float]) -> Steps:
    """Return the same rain with a jump at each of these instants, to the value that it has."""
    return Steps(
        rain.first, tuple(sorted({**{t_s: rain.at(t_s) for t_s in instants_s}, **dict(rain.jumps)}.items()))
    )


def _cut(span: _Span, instants_s: Iterable[float]) -> Iterator[_Span]:
    """Yield the parts of a span between these instants."""
    begin_s, end_s = span
    return pairwise([begin_s, *sorted(t_s for t_s in instants_s if begin_s < t_s < end_s), end_s])


def _since(begin_s: float, rain: Steps) -> Steps:
    """Return what falls from an instant on."""
    if begin_s == -inf:
        return rain
    return Steps(0.0, ((begin_s, rain.at(begin_s)), *(jump for jump in rain.jumps if jump[0] > begin_s)))


def _until(end_s: float, spans: Iterable[_Span]) -> Iterator[_Span]:
    """Yield what of these spans comes before an instant."""
    return ((first_s, min(last_s, end_s)) for first_s, last_s in spans if first_s < end_s)


def _merged(spans: Iterable[_Span]) -> list[_Span]:
    """Return spans in order, those that touch as one."""
    merged: list[_Span] = []
    for begin_s, end_s in sorted(spans):
        if merged and begin_s <= merged[-1][1] + _ROUNDING:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end_s))
        else:
            merged.append((begin_s, end_s))
    return merged


def _timeline(spans: Iterable[Iterable[_Span]]) -> Timeline:
    merged = _merged(chain.from_iterable(spans))
    return Timeline(switches_s=tuple(t_s for span in merged for t_s in span if t_s < inf))
