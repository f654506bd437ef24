"""Where a vent must be by its drive's contacts: an interval between two extreme vents (pure).

The highest vent opens as early and fast and closes as late and slowly as contacts and times allow; the lowest is its
mirror image. A vent keeps order (`motion`): moved earlier and farther open it is never further closed (monotone
systems: Angeli and Sontag, IEEE Transactions on Automatic Control 48, 2003; saturation and play keep order too:
Visintin 1994; both from memory). So every vent whose times lie within the given ones is between the two, all the time.
Where the times are independent of each other the interval is exact, but for what is not known of the play, which a
reversal may count once more; where the cold slows both ways it is merely sound.

The interval grows with each run, by the travel in both edges' windows and by what the times leave open, and collapses
at an end stop once the laggard is there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple, final

from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import Window
from ventproof_bench.plant.motion import OPEN_PERCENT, DriveMotion, Gear, Pace, Way
from ventproof_bench.plant.vent import BothOn, way_of

_CROSSED_PERCENT = 1e-6
"""Extreme vents that cross by more than rounding contradict what was declared."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class TravelRange:
    """What is known of a vent's travel: each time, and the play, as (lowest, highest); as in `VentTravel`."""

    open_s: tuple[float, float]
    close_s: tuple[float, float]
    dead_time_s: tuple[float, float] = (0.0, 0.0)
    coast_s: tuple[float, float] = (0.0, 0.0)
    play_percent: tuple[float, float] = (0.0, 0.0)
    both: BothOn = "stands"


class PositionBounds(NamedTuple):
    """From t0 to t1 the vent is between two straight lines, low0 to low1 and high0 to high1, % open."""

    t0_s: float
    low0: float
    high0: float
    t1_s: float
    low1: float
    high1: float


class _Contact(NamedTuple):
    """Whether a contact may be on, and whether it is for certain."""

    may: bool
    sure: bool


_UNKNOWN = _Contact(may=True, sure=False)


class _Pair(NamedTuple):
    """What two neighbouring readings say of both contacts, until the later one's latest instant."""

    until_s: float
    opens: _Contact = _UNKNOWN
    closes: _Contact = _UNKNOWN


class _Met(NamedTuple):
    """The vent was at a place at some instant of a window."""

    from_s: float
    until_s: float
    percent: float


class _Reading(NamedTuple):
    window: Window
    opens: bool
    closes: bool


@final
class ReckonedVent:
    """The position of a vent from readings of its contacts, in order of time; unknown at first.

    Args:
        name: how errors name the vent.
        travel: what is known of it.
        keeps_for_s: a contact keeps a value at least this long. Between two readings whose windows together take as
            long or longer it may have been anything.
        known_at: places, 0 to 100 %, of flags that are on only while the vent is there.
    """

    __slots__ = ("_keeps_s", "_known_at", "_last", "_reckoning")

    def __init__(
        self, name: str, travel: TravelRange, *, keeps_for_s: float, known_at: tuple[float, ...] = ()
    ) -> None:
        self._keeps_s = keeps_for_s
        self._known_at = known_at
        self._last: _Reading | None = None
        self._reckoning = _Reckoning(name, travel)

    def observe(
        self,
        window: Window,
        *,
        opens: bool,
        closes: bool,
        known: Sequence[bool] = (),
        fresh: bool = False,
    ) -> list[PositionBounds]:
        """Take one reading of contacts and flags; return the bounds that no later reading will sharpen.

        Bounds follow each other without holes, from the first reading's earliest instant to this one's.

        Args:
            window: when it was so: from the request, less the age of what was read, to the reply.
            opens: the contact that opens.
            closes: the contact that closes.
            known: the flags of `known_at`.
            fresh: something happened since the reading before, so that no contact need have kept its value.

        Raises:
            EvidenceError: a flag and the contacts contradict each other.
        """
        reckoning, last = self._reckoning, self._last
        bounds: list[PositionBounds] = []
        if last is None:
            reckoning.begin(window)
        else:
            sure = not fresh and window.latest_s - last.window.earliest_s < self._keeps_s
            pair = _Pair(
                window.latest_s,
                _between(last.opens, opens, sure=sure),
                _between(last.closes, closes, sure=sure),
            )
            reckoning.pair(pair)
            bounds = reckoning.advance(window.earliest_s)
        reckoning.met += [
            _Met(window.earliest_s, window.latest_s, percent)
            for percent, on in zip(self._known_at, known, strict=True)
            if on
        ]
        self._last = _Reading(window, opens, closes)
        return bounds

    @property
    def rests(self) -> bool:
        """Whether the bounds stay as they are for as long as everything is read as it was read last."""
        return self._last is not None and self._reckoning.rests()

    def skip(self, window: Window) -> None:
        """Go on, at rest, as if everything had been read as before again and again, the last time in this window."""
        assert self._last is not None, "it rests"
        self._reckoning.skip(window)
        self._last = self._last._replace(window=window)

    def provisional(self, until_s: float) -> list[PositionBounds]:
        """Return the bounds from the last reading's earliest instant on as they stand: since then all may happen."""
        if self._last is None or until_s <= self._last.window.earliest_s:
            return []
        trial = self._reckoning.fork()
        trial.pairs.append(_Pair(math.inf))
        return trial.advance(until_s)


class _Reckoning:
    """Two extreme vents as far as they are final.

    Each is the highest one in its own sense: the lowest vent is kept as how far it is from fully open.
    """

    def __init__(self, name: str, travel: TravelRange) -> None:
        self.pairs: list[_Pair] = []
        self.met: list[_Met] = []
        self._name = name
        self._both: BothOn = travel.both
        self._gears = (
            _gear(travel, travel.open_s, travel.close_s),
            _gear(travel, travel.close_s, travel.open_s),
        )
        self.extremes: tuple[DriveMotion, ...] = ()
        self._last = _Pair(-math.inf)  # the pair that came last, even if it counts no more
        self._told: tuple[Way, ...] = (1, 1)
        self._now_s = 0.0

    def begin(self, window: Window) -> None:
        """Begin with a vent that may be anywhere and may have been on its way either way for long."""
        self._now_s = window.earliest_s
        for gear in self._gears:
            since_s = window.earliest_s - gear.opening.dead_time_s - 1.0
            extreme = DriveMotion(gear, since_s, drive_percent=gear.end_percent, vent_percent=OPEN_PERCENT)
            extreme.tell(since_s, 1)
            self.extremes += (extreme,)
        self.pairs.append(_Pair(window.latest_s))

    def pair(self, pair: _Pair) -> None:
        """Take what the next two neighbouring readings say."""
        self.pairs.append(pair)
        self._last = pair

    def fork(self) -> _Reckoning:
        """Return one of its own that goes on from here."""
        other = copy(self)
        other.pairs, other.met = self.pairs.copy(), self.met.copy()
        other.extremes = tuple(extreme.fork() for extreme in self.extremes)
        return other

    def rests(self) -> bool:
        """Return whether nothing moves, whatever stays as it is."""
        last = self._last
        if _UNKNOWN in {last.opens, last.closes} or self._ways([last]) != self._told:
            return False
        if any(pair[1:] != last[1:] for pair in self.pairs):
            return False
        highest, lowest = (extreme.at(self._now_s).vent_percent for extreme in self.extremes)
        if any(not OPEN_PERCENT - lowest == highest == met.percent for met in self.met):
            return False
        return not any(extreme.moves(self._now_s) for extreme in self.extremes)

    def skip(self, window: Window) -> None:
        """Go on to a window at rest."""
        self._now_s = window.earliest_s
        self.pair(self._last._replace(until_s=window.latest_s))
        self.pairs = [pair for pair in self.pairs[-1:] if pair.until_s > self._now_s]
        self.met = [
            met._replace(from_s=window.earliest_s, until_s=window.latest_s)
            for met in {met.percent: met for met in self.met}.values()
        ]
        for extreme in self.extremes:
            extreme.forget(self._now_s)

    def advance(self, until_s: float) -> list[PositionBounds]:
        """Return the bounds up to an instant; nothing that comes later may tell of the time before it."""
        now_s = self._now_s
        ends = {end_s for end_s, *_ in self.pairs} | {met.until_s for met in self.met}
        bounds: list[PositionBounds] = []
        for at_s in (now_s, *sorted(end_s for end_s in ends if now_s < end_s < until_s)):
            self._tell(at_s)
            if met := [met for met in self.met if met.until_s <= at_s]:
                bounds += self._bounds(now_s, at_s)
                now_s = at_s
                self._meet(met, at_s)
        bounds += self._bounds(now_s, until_s)
        self._now_s = until_s
        self.pairs = [pair for pair in self.pairs if pair.until_s > until_s]
        needed_s = min((met.from_s for met in self.met), default=until_s)
        for extreme in self.extremes:
            extreme.forget(needed_s)
        return bounds

    def _tell(self, at_s: float) -> None:
        """Tell each extreme vent what the contacts are at most in its sense."""
        told = self._ways([pair for pair in self.pairs if pair.until_s > at_s])
        for extreme, way, before in zip(self.extremes, told, self._told, strict=True):
            if way != before:
                extreme.tell(at_s, way)
        self._told = told

    def _ways(self, said: Sequence[_Pair]) -> tuple[Way, ...]:
        """Return which way each is told at most by what some pairs say."""
        opens = _Contact(any(pair.opens.may for pair in said), all(pair.opens.sure for pair in said))
        closes = _Contact(any(pair.closes.may for pair in said), all(pair.closes.sure for pair in said))
        highest = way_of(self._both, opens=opens.may, closes=closes.sure)
        lowest = way_of(self._both, opens=opens.sure, closes=closes.may)
        return highest, _reverse(lowest)

    def _meet(self, met: list[_Met], at_s: float) -> None:
        """Take both to where the vent was, and as far beyond as it may have gone since."""
        for from_s, until_s, percent in met:
            for extreme, gear, there in zip(
                self.extremes, self._gears, (percent, OPEN_PERCENT - percent), strict=True
            ):
                gone = (
                    gear.opening.rate_percent_s * (at_s - from_s) if extreme.turns(1, from_s, at_s) else 0.0
                )
                most = there + gone
                most_drive = most + gear.end_percent - OPEN_PERCENT
                _, drive, vent, _ = extreme.at(at_s)
                if most < vent or most_drive < drive:
                    extreme.tell(at_s, where=(min(drive, most_drive), min(vent, most)))
            highest, lowest = (extreme.at(at_s).vent_percent for extreme in self.extremes)
            if highest + lowest < OPEN_PERCENT - _CROSSED_PERCENT:
                raise EvidenceError(
                    f"{self._name}: a flag puts the vent at {percent:.4g} % at {until_s:.3f} s (bench clock), its "
                    f"contacts exclude this; check the flag's address, the travel times, and the drive for slip"
                )
        self.met = [one for one in self.met if one not in met]

    def _bounds(self, from_s: float, until_s: float) -> list[PositionBounds]:
        """Return the bounds from an instant to another, cut where either vent's course bends."""
        high, low = (extreme.points(from_s, until_s) for extreme in self.extremes)
        if [point.at_s for point in high] != [point.at_s for point in low]:
            corners = sorted({point.at_s for point in (*high, *low)})
            high, low = ([extreme.at(corner_s) for corner_s in corners] for extreme in self.extremes)
        nodes = [
            (up.at_s, OPEN_PERCENT - down.vent_percent, up.vent_percent)
            for up, down in zip(high, low, strict=True)
        ]
        return [PositionBounds(*one, *other) for one, other in pairwise(nodes) if one[0] < other[0]]


def _between(before: bool, after: bool, *, sure: bool) -> _Contact:  # noqa: FBT001 - the same contact, twice
    """Return what a contact was between two readings."""
    return _Contact(before, after) if sure and before == after else _UNKNOWN


def _reverse(way: Way) -> Way:
    """Return the other way."""
    return -1 if way > 0 else 1 if way < 0 else 0


def _gear(travel: TravelRange, opening_s: tuple[float, float], closing_s: tuple[float, float]) -> Gear:
    """Return the gear of the vent that opens early, fast and long, closes late, slowly and shortly.

    Opening it takes up the least play, closing, from an end beyond the most, the most.
    """
    return Gear(
        opening=Pace(
            rate_percent_s=OPEN_PERCENT / opening_s[0],
            dead_time_s=travel.dead_time_s[0],
            coast_s=travel.coast_s[1],
        ),
        closing=Pace(
            rate_percent_s=OPEN_PERCENT / closing_s[1],
            dead_time_s=travel.dead_time_s[1],
            coast_s=travel.coast_s[0],
        ),
        end_percent=OPEN_PERCENT + travel.play_percent[1],
        play_percent=travel.play_percent[0],
    )
