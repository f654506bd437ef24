"""How a drive moves a vent: dead time, travel, run-on, ends, play (pure).

Times of drives and the order of what happens (run-on, dead time, play) are common practice, no source. Play is the
play operator: the vent moves only where the drive pushes it (Visintin, Differential Models of Hysteresis, 1994; from
memory).

Everything here keeps order: what is told to open earlier and to close later is never further closed. A way turns from
when it was told for its dead time on end, all the while with nothing turning the other way, until its run-on after it
is told no more. Each of these holds the longer, the longer the way is told and the shorter the other one turns. So a
drive that is told while it still runs on waits for its dead time, not for rest; and a run-on lasts its time at an end
stop too. Order is what lets two extreme vents enclose all others (`reckoned`).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter
from typing import Final, Literal, NamedTuple, final

CLOSED_PERCENT: Final = 0.0
OPEN_PERCENT: Final = 100.0

QUICKEST: Final = 2.0
"""So many times as quick as it is declared a played vent can be made, by what befalls it in a test."""

_TOUCH_PERCENT: Final = 1e-9
"""Nearer than this things touch: rounding leaves less."""

_AT: Final = itemgetter(0)

Way = Literal[-1, 0, 1]
"""Closing, standing, opening."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How a drive goes one way.

    Attributes:
        rate_percent_s: travel rate, % of the vent's travel a second.
        dead_time_s: from being told to the first movement.
        coast_s: how long it turns on after it is told no more.
    """

    rate_percent_s: float
    dead_time_s: float = 0.0
    coast_s: float = 0.0


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """What turns and what holds, as it is at some time.

    The drive's place counts in % of the vent's travel, from 0 where the vent is shut.

    Attributes:
        opening: how the drive opens.
        closing: how it closes.
        end_percent: where it ends: 100 and as much more as it needs to push the vent fully open through its play.
        play_percent: how far it turns, after a reversal, before the vent moves.
        jams_opening_at_percent: opening, the vent goes no further than this.
        jams_closing_at_percent: closing, the vent goes no further than this.
        creep_percent_s: a drive that does not turn, between its ends, gives way in the opening sense at this rate.
        dead: it is told, and does nothing.
    """

    opening: Pace
    closing: Pace
    end_percent: float = OPEN_PERCENT
    play_percent: float = 0.0
    jams_opening_at_percent: float = math.inf
    jams_closing_at_percent: float = -math.inf
    creep_percent_s: float = 0.0
    dead: bool = False

    def pace(self, way: Way) -> Pace:
        """Return how it goes a way."""
        return self.opening if way > 0 else self.closing


class DrivePoint(NamedTuple):
    """Drive and vent at an instant, % of the vent's travel, and which way the drive moves from then on."""

    at_s: float
    drive_percent: float
    vent_percent: float
    way: Way


class _Turning(NamedTuple):
    """Which way a drive turns, until when, and which way it turns from when on, if it is told nothing else."""

    way: Way = 0
    until_s: float = -math.inf
    then: Way = 0
    from_s: float = math.inf


class _Told(NamedTuple):
    at_s: float
    way: Way
    gear: Gear
    turning: _Turning


@final
class DriveMotion:
    """A drive and its vent from an instant on, told which way to turn.

    Between two points both are linear, after the last they stand. What it is told at an instant takes the place of
    everything that was planned from that instant on.
    """

    __slots__ = ("_points", "_tellings")

    def __init__(self, gear: Gear, start_s: float, *, drive_percent: float, vent_percent: float) -> None:
        self._points = [DrivePoint(start_s, drive_percent, vent_percent, 0)]
        self._tellings = [_Told(start_s, 0, gear, _Turning())]
        self._plan()

    def tell(
        self,
        at_s: float,
        way: Way | None = None,
        *,
        gear: Gear | None = None,
        where: tuple[float, float] | None = None,
    ) -> None:
        """Tell the drive which way to turn, change how it does, or put drive and vent elsewhere; None: as it was.

        Raises:
            ValueError: the instant lies before the first one.
        """
        points, tellings = self._points, self._tellings
        if at_s < points[0].at_s:
            raise ValueError(f"at_s={at_s!r} lies before the begin, {points[0].at_s!r}")
        now = tellings[bisect_right(tellings, at_s, key=_AT) - 1]
        drive_percent, vent_percent = where or self.at(at_s)[1:3]
        _drop(points, at_s)
        _drop(tellings, at_s)
        self._put(DrivePoint(at_s, drive_percent, vent_percent, 0))
        way = now.way if way is None else way
        gear = now.gear if gear is None else gear
        turning = _turning(tellings[-1].turning, at_s, 0 if gear.dead else way, gear)
        tellings.append(_Told(at_s, way, gear, turning))
        self._plan()

    def at(self, at_s: float) -> DrivePoint:
        """Return drive and vent at an instant that is not before the first, and which way the drive moves then."""
        points = self._points
        i = bisect_right(points, at_s, key=_AT)
        before = points[max(i - 1, 0)]
        if i == len(points) or at_s <= before.at_s:
            return DrivePoint(at_s, *before[1:])
        after = points[i]
        before_s, drive, vent, way = before
        part = (at_s - before_s) / (after.at_s - before_s)
        drive += (after.drive_percent - drive) * part
        vent += (after.vent_percent - vent) * part
        return DrivePoint(at_s, drive, vent, way)

    def points(self, from_s: float, until_s: float) -> list[DrivePoint]:
        """Return the points from an instant to another, both with a point of their own."""
        first = bisect_right(self._points, from_s, key=_AT)
        inner = [point for point in self._points[first:] if point.at_s < until_s]
        return [self.at(from_s), *inner, self.at(until_s)]

    def drive_reaches_s(self, drive_percent: float, from_s: float) -> float:
        """Return when the drive, as planned, is first at a place at an instant or later; infinite: never."""
        points = self.points(from_s, max(from_s, self._points[-1].at_s))
        last = points[0]
        if last.drive_percent == drive_percent:
            return from_s
        for point in points[1:]:
            low, high = sorted((last.drive_percent, point.drive_percent))
            if low <= drive_percent <= high and low < high:
                part = (drive_percent - last.drive_percent) / (point.drive_percent - last.drive_percent)
                return last.at_s + part * (point.at_s - last.at_s)
            last = point
        return math.inf

    def moves(self, from_s: float) -> bool:
        """Return whether drive or vent, as planned, will be anywhere else than at an instant at some time after it."""
        _, drive_percent, vent_percent, _ = self.at(from_s)
        later = self._points[bisect_right(self._points, from_s, key=_AT) :]
        return any(point[1:3] != (drive_percent, vent_percent) for point in later)

    def turns(self, way: Way, from_s: float, until_s: float) -> bool:
        """Return whether the drive turns a way, held by an end or not, at some time between two instants."""
        ends_s = math.inf
        for told in reversed(self._tellings):
            for begins_s, stops_s, turns in _spans(told):
                if turns == way and begins_s <= until_s and min(stops_s, ends_s) >= from_s:
                    return True
            if told.at_s <= from_s:
                break
            ends_s = told.at_s
        return False

    def earliest_s(self, at_s: float, way: Way, unchanged_until_s: float) -> float:
        """Return from when on the drive can be told a way without changing what it does before an instant.

        Args:
            at_s: not before this.
            way: what it would be told.
            unchanged_until_s: what it does until then has to stay.
        """
        tellings = self._tellings
        first = max(0, bisect_right(tellings, at_s, key=_AT) - 1)
        for told, planned in pairwise((*tellings[first:], None)):
            assert told is not None, "only the last one is none"
            at_s = max(at_s, told.at_s)
            earliest_s = _earliest_s(told, at_s, way, unchanged_until_s)
            if planned is None or (
                earliest_s < planned.at_s and _changes_s(told, planned.at_s, planned.way) >= unchanged_until_s
            ):
                break
        return earliest_s

    def fork(self) -> DriveMotion:
        """Return a drive of its own that did what this one did and is told other things from here on."""
        other = object.__new__(DriveMotion)
        other._points, other._tellings = self._points.copy(), self._tellings.copy()
        return other

    def forget(self, before_s: float) -> None:
        """Forget what is needed for no instant that is not before this one."""
        for rows in (self._points, self._tellings):
            del rows[: max(0, bisect_left(rows, before_s, key=_AT) - 1)]

    def _plan(self) -> None:
        """Plan from the last point on what the last telling makes of it."""
        for _, until_s, way in _spans(self._tellings[-1]):
            self._travel(until_s, way)

    def _travel(self, until_s: float, way: Way) -> None:
        """Plan, from the last point on, that the drive turns, or is left alone, until an instant."""
        gear, points = self._tellings[-1].gear, self._points
        at_s, drive, vent, _ = points[-1]
        if until_s <= at_s:
            return
        creeps = way == 0 and CLOSED_PERCENT < drive < gear.end_percent
        rate = gear.pace(way).rate_percent_s if way else gear.creep_percent_s * creeps
        course = _opening(gear, drive, vent) if way >= 0 else _closing(gear, drive, vent)
        if rate == 0 or not course:
            points[-1] = DrivePoint(at_s, drive, vent, 0)
            course = []
        else:
            points[-1] = DrivePoint(at_s, drive, vent, way)
        for corner, follows in course:
            reached_s = at_s + abs(corner - drive) / rate
            if reached_s >= until_s:
                part = (until_s - at_s) / (reached_s - at_s)
                points.append(
                    DrivePoint(until_s, drive + (corner - drive) * part, vent + (follows - vent) * part, way)
                )
                return
            at_s, drive, vent = reached_s, corner, follows
            self._put(DrivePoint(at_s, drive, vent, way))
        points[-1] = points[-1]._replace(way=0)
        if until_s < math.inf:
            self._put(DrivePoint(until_s, drive, vent, 0))

    def _put(self, point: DrivePoint) -> None:
        """Add a point; of two that rounding leaves at one instant the later counts."""
        if point.at_s <= self._points[-1].at_s:
            self._points.pop()
        self._points.append(point)


def _drop(rows: list[DrivePoint] | list[_Told], at_s: float) -> None:
    """Leave of rows in order of time the first and those before an instant."""
    while len(rows) > 1 and rows[-1].at_s >= at_s:
        rows.pop()


def _turning(before: _Turning, at_s: float, way: Way, gear: Gear) -> _Turning:
    """Return how a drive turns on that is told a way at an instant."""
    if way == before.then:
        return before
    turns, until_s = before.way, before.until_s
    if before.then and at_s >= before.from_s:
        turns = before.then
        until_s = at_s + gear.pace(turns).coast_s
    if at_s >= until_s:
        turns, until_s = 0, at_s
    if way == 0:
        return _Turning(turns, until_s)
    free_s = at_s if turns == way else until_s
    return _Turning(turns, until_s, way, free_s + gear.pace(way).dead_time_s)


def _earliest_s(told: _Told, at_s: float, way: Way, unchanged_until_s: float) -> float:
    """Return from when on a way can be told after a telling so that nothing changes before an instant."""
    runs_on, _, then, from_s = told.turning
    if way == then:
        return at_s
    at_s = max(at_s, math.nextafter(told.at_s, math.inf))  # not in its place
    if then and (at_s >= from_s or unchanged_until_s > from_s):
        return max(at_s, from_s, unchanged_until_s - told.gear.pace(then).coast_s)
    if then and way != runs_on:
        return at_s
    return max(at_s, unchanged_until_s - told.gear.pace(way).dead_time_s)


def _changes_s(told: _Told, at_s: float, way: Way) -> float:
    """Return before when nothing changes if a way is told at an instant after a telling."""
    runs_on, _, then, from_s = told.turning
    if way == then:
        return math.inf
    if then and at_s >= from_s:
        return at_s + told.gear.pace(then).coast_s
    if then and way != runs_on:
        return from_s
    return min(from_s, at_s + told.gear.pace(way).dead_time_s)


def _spans(told: _Told) -> Iterator[tuple[float, float, Way]]:
    """Yield begin, end and way of all time since a drive was told something."""
    way, until_s, then, from_s = told.turning
    rests_s = max(told.at_s, until_s) if way else told.at_s
    from_s = max(told.at_s, from_s)
    if rests_s > told.at_s:
        yield told.at_s, rests_s, way
    if from_s > rests_s:
        yield rests_s, from_s, 0
    if then:
        yield max(rests_s, from_s), math.inf, then


def _opening(gear: Gear, drive: float, vent: float) -> list[tuple[float, float]]:
    """Return the corners of an opening course, with the vent's place at each: the play, then the vent, then an end."""
    play = gear.play_percent if drive - vent <= gear.play_percent + _TOUCH_PERCENT else drive - vent
    end, stops = gear.end_percent, OPEN_PERCENT
    if vent <= gear.jams_opening_at_percent + _TOUCH_PERCENT:
        stops = min(stops, max(vent, gear.jams_opening_at_percent))
        end = min(end, gear.jams_opening_at_percent + play)
    places = sorted({vent + play, stops + play, end})
    return [
        (place, stops if place >= stops + play else max(vent, place - play))
        for place in places
        if drive < place <= end
    ]


def _closing(gear: Gear, drive: float, vent: float) -> list[tuple[float, float]]:
    """Return the corners of a closing course, with the vent's place at each."""
    end = CLOSED_PERCENT
    if vent >= gear.jams_closing_at_percent - _TOUCH_PERCENT:
        end = max(end, gear.jams_closing_at_percent)
    places = sorted({vent, end}, reverse=True)
    return [(place, min(vent, place)) for place in places if drive > place >= end]
