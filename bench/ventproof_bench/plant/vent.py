"""A vent whose drive is moved by two contacts, and what can befall it (pure)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, final

from ventproof_bench.plant.motion import CLOSED_PERCENT, OPEN_PERCENT, DriveMotion, Gear, Pace, Way

BothOn = Literal["stands", "opens", "closes"]
"""What a drive does while both its contacts are on."""

End = Literal["closed", "open"]
"""An end of a drive's travel."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class VentTravel:
    """How a healthy vent travels.

    Attributes:
        open_s: the vent's travel from shut to fully open, the taking up of play not counted, more than 0 s.
        close_s: the same back.
        dead_time_s: from a contact going on to the drive's first movement, 0 s or more.
        coast_s: how long the drive runs on after its contact went off, 0 s or more; at an end stop it lasts as long.
        play_percent: how far the drive turns after a reversal before the vent moves, % of the travel, 0 to below 100.
        both: what the drive does while both contacts are on.
    """

    open_s: float
    close_s: float
    dead_time_s: float = 0.0
    coast_s: float = 0.0
    play_percent: float = 0.0
    both: BothOn = "stands"


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What befell a vent; without anything said it is healthy.

    Attributes:
        jams_closing_at_percent: closing, the vent goes no further than this; one that is further closed is free.
        jams_opening_at_percent: opening, it goes no further than this; one that is further open is free.
        slips_percent: at the begin of each opening run the drive turns this much in vain: weight holds the vent back.
        slow_factor: both travels take so many times as long, as in the cold.
        load_open_factor: opening takes so many times as long, as against wind; below 1: with its help.
        load_close_factor: the same for closing.
        dead: the drive does nothing, whatever its contacts say.
        coast_s: how long the drive runs on; None: as ever.
        play_percent: how much play it has, where the ends stay: with more the vent opens less far; None: as ever.
        creep_percent_s: a drive that does not turn, between its ends, gives way in the opening sense at this rate.
    """

    jams_closing_at_percent: float | None = None
    jams_opening_at_percent: float | None = None
    slips_percent: float = 0.0
    slow_factor: float = 1.0
    load_open_factor: float = 1.0
    load_close_factor: float = 1.0
    dead: bool = False
    coast_s: float | None = None
    play_percent: float | None = None
    creep_percent_s: float = 0.0


HEALTHY = Condition()


def way_of(both: BothOn, *, opens: bool, closes: bool) -> Way:
    """Return which way two contacts tell a drive to turn."""
    if opens and closes:
        return {"stands": 0, "opens": 1, "closes": -1}[both]  # type: ignore[return-value]
    return 1 if opens else -1 if closes else 0


@final
class Vent:
    """A vent at rest at `start_s`, both contacts off.

    Contacts and conditions come in order of time. What comes at an instant takes the place of everything that was set
    from that instant on, so contacts may be set ahead (on now, off when the drive will be where it should) and set
    otherwise before their time; what was before that instant never changes.

    Raises:
        ValueError: from whatever sets something: the instant lies before `start_s`.
    """

    __slots__ = ("_motion", "_start_s", "travel")

    def __init__(self, travel: VentTravel, start_s: float, *, percent: float = CLOSED_PERCENT) -> None:
        self.travel = travel
        self._start_s = start_s
        gear = _gear(travel, HEALTHY)
        # The drive stands in its play as far along as the vent in its travel, so at an end both are there.
        drive_percent = percent / OPEN_PERCENT * gear.end_percent
        self._motion = DriveMotion(gear, start_s, drive_percent=drive_percent, vent_percent=percent)

    @property
    def end_percent(self) -> float:
        """Where the drive ends, opening: 100 % and its play."""
        return OPEN_PERCENT + self.travel.play_percent

    def switch(self, at_s: float, *, opens: bool, closes: bool) -> None:
        """Set both contacts as they are from an instant on."""
        self._motion.tell(at_s, way_of(self.travel.both, opens=opens, closes=closes))

    def apply(self, at_s: float, condition: Condition) -> None:
        """Set what has befallen the vent from an instant on, in place of what had before; `HEALTHY` mends it."""
        self._motion.tell(at_s, gear=_gear(self.travel, condition))

    def position_at(self, t_s: float) -> float:
        """Return where the vent is at an instant that is not before `start_s`, % open."""
        return self._motion.at(t_s).vent_percent

    def drive_at(self, t_s: float) -> float:
        """Return where its drive is between its ends, 0 to 100 %: what a sensor in the drive sees."""
        return self._motion.at(t_s).drive_percent / self.end_percent * OPEN_PERCENT

    def moving_at(self, t_s: float) -> bool:
        """Return whether the drive moves, its run-on included; not while it stands at an end or a jam."""
        return self.way_at(t_s) != 0

    def way_at(self, t_s: float) -> Way:
        """Return which way it moves then: 1 opens, -1 closes, 0 it stands."""
        return self._motion.at(t_s).way

    def goes(self, from_s: float) -> bool:
        """Return whether vent or drive, as set until now, will be elsewhere at some time after an instant."""
        return self._motion.moves(from_s)

    def breakpoints(self, until_s: float) -> tuple[tuple[float, float], ...]:
        """Return the vent's course from `start_s` to `until_s` as (time, % open), both ends included."""
        points = self._motion.points(self._start_s, until_s)
        return tuple((point.at_s, point.vent_percent) for point in points)

    def end_at(self, t_s: float) -> End | None:
        """Return at which of its ends the drive is, or None."""
        drive_percent = self._motion.at(t_s).drive_percent
        if drive_percent <= CLOSED_PERCENT:
            return "closed"
        return "open" if drive_percent >= self.end_percent else None

    def drive_reaches_s(self, percent: float, from_s: float) -> float:
        """Return when the drive, as set until now, is first at 0 to 100 %, at an instant or later; infinite: never."""
        return self._motion.drive_reaches_s(percent / OPEN_PERCENT * self.end_percent, from_s)

    def earliest_s(self, at_s: float, *, opens: bool, closes: bool, unchanged_until_s: float) -> float:
        """Return from when on, not before `at_s`, contacts can be set so that the course until an instant stays."""
        way = way_of(self.travel.both, opens=opens, closes=closes)
        return self._motion.earliest_s(at_s, way, unchanged_until_s)


def _gear(travel: VentTravel, condition: Condition) -> Gear:
    coast_s = travel.coast_s if condition.coast_s is None else condition.coast_s
    open_rate = OPEN_PERCENT / (travel.open_s * condition.slow_factor * condition.load_open_factor)
    close_rate = OPEN_PERCENT / (travel.close_s * condition.slow_factor * condition.load_close_factor)
    closing_at, opening_at = condition.jams_closing_at_percent, condition.jams_opening_at_percent
    return Gear(
        opening=Pace(
            rate_percent_s=open_rate,
            dead_time_s=travel.dead_time_s + condition.slips_percent / open_rate,
            coast_s=coast_s,
        ),
        closing=Pace(rate_percent_s=close_rate, dead_time_s=travel.dead_time_s, coast_s=coast_s),
        end_percent=OPEN_PERCENT + travel.play_percent,
        play_percent=travel.play_percent if condition.play_percent is None else condition.play_percent,
        jams_opening_at_percent=math.inf if opening_at is None else opening_at,
        jams_closing_at_percent=-math.inf if closing_at is None else closing_at,
        creep_percent_s=condition.creep_percent_s,
        dead=condition.dead,
    )
