"""Runs of a drive outside the unit: its two contacts, and where run times put the vent (pure)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.mock.wind_and_tips import Alarm
from ventproof_bench.plant.vent import Vent, VentTravel

if TYPE_CHECKING:
    from collections.abc import Callable

    from ventproof_bench.mock.drive_settings import VentGroup
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.wind_and_tips import Part


CLOSED_PERCENT: Final = 0.0
OPEN_PERCENT: Final = 100.0

Way = Literal[-1, 0, 1]
"""Closing, standing, opening."""


def way_of(by_percent: float) -> Way:
    """Return the way in which a position changes."""
    return 1 if by_percent > 0 else -1 if by_percent < 0 else 0


@final
class DriveContacts:
    """The two contacts of a drive: never on together, and with a pause between one and the other.

    Args:
        pause_s: both are off this long before the drive is reversed.
        behaviour: what is wrong with them.
        changed: called with the instant when a contact has changed.

    Attributes:
        way: what is wanted of them; they may still wait for it.
        on: which contacts are on, by way.
    """

    def __init__(self, pause_s: float, behaviour: Behaviour, changed: Callable[[float], None]) -> None:
        self.way: Way = 0
        self.on: dict[Way, bool] = {1: False, -1: False}
        self._both_on_s = behaviour.both_on_s
        self._sticks_s = behaviour.contact_sticks_s
        self._pause_s = 0.0 if self._both_on_s else pause_s * behaviour.reversal_pause_factor
        self._changed = changed
        self._off_s: dict[Way, float] = {1: -math.inf, -1: -math.inf}
        self._due: dict[Way, tuple[float, bool]] = {}

    @property
    def due_s(self) -> float:
        """When a contact changes next."""
        return min((at_s for at_s, _ in self._due.values()), default=math.inf)

    @property
    def driven(self) -> Way:
        """The way that is wanted, once its contact is on."""
        return self.way if self.way and self.on[self.way] else 0

    @property
    def state(self) -> tuple[bool, bool]:
        """Whether the contact that opens and the one that closes are on."""
        return self.on[1], self.on[-1]

    def want(self, way: Way, now_s: float) -> None:
        """Drive another way, or not at all."""
        before, self.way = self.way, way
        if way == before:
            return
        if before:
            if self.on[before]:
                self._off_s[before] = now_s
            stays_s = (self._both_on_s if way else 0.0) + (self._sticks_s if before > 0 else 0.0)
            self._put(before, now_s + stays_s, on=False)
        if way:
            self._put(way, max(now_s, self._off_s[_other(way)] + self._pause_s), on=True)
        self._switch(now_s)

    def fire(self) -> None:
        """Let the contact change that is due."""
        self._switch(self.due_s)

    def drop(self, now_s: float) -> None:
        """Take the supply of both away."""
        self.way = 0
        self._due = {way: (now_s, False) for way, on in self.on.items() if on}
        self._switch(now_s)

    def _put(self, way: Way, at_s: float, *, on: bool) -> None:
        self._due.pop(way, None)
        if self.on[way] != on:
            self._due[way] = (at_s, on)

    def _switch(self, now_s: float) -> None:
        for way, (at_s, on) in tuple(self._due.items()):
            if at_s <= now_s:
                del self._due[way]
                self.on[way] = on
        self._changed(now_s)


def _other(way: Way) -> Way:
    return -1 if way > 0 else 1


@final
class Reckoning:
    """Where a unit takes a vent to be, from its times of travel and the times during which it was driven.

    Args:
        group: the times that the unit was set to.
        behaviour: what is wrong with how it reckons.
        start_s: when it begins, with the vent closed.
    """

    def __init__(self, group: VentGroup, behaviour: Behaviour, start_s: float) -> None:
        self._travel = VentTravel(
            open_s=group.full_travel * behaviour.reckoned_travel_factor,
            close_s=group.closing_travel_s * behaviour.reckoned_travel_factor,
            dead_time_s=group.dead_time * behaviour.reckoned_dead_time_factor,
            coast_s=group.coast,
        )
        self.put(CLOSED_PERCENT, start_s)

    def put(self, percent: float, now_s: float) -> None:
        """Take the vent to be at a position, at rest."""
        self._vent = Vent(self._travel, now_s, percent=percent)

    def drive(self, way: Way, now_s: float) -> None:
        """Take that the drive is on one way, or off."""
        self._vent.switch(now_s, opens=way > 0, closes=way < 0)

    def at(self, at_s: float) -> float:
        """Return the position at an instant that is not before the last change, % open."""
        return self._vent.position_at(at_s)

    def reaches_s(self, percent: float, now_s: float) -> float:
        """Return when the drive must be off for its vent to come to rest at a position; now where it never would."""
        reached_s = self._vent.drive_reaches_s(percent, now_s)
        return now_s if reached_s == math.inf else max(now_s, reached_s - self._travel.coast_s)

    def travel_s(self, way: Way) -> float:
        """Return the time of full travel one way, dead time included."""
        travel = self._travel
        return travel.dead_time_s + (travel.open_s if way > 0 else travel.close_s)


@final
class Runs:
    """A drive that is run one way or the other, with the time limit of its runs.

    Args:
        group: what the unit was set to.
        behaviour: what is wrong with it.
        start_s: when it begins, with the vent closed.
        switched: called with the instant when a contact has changed.
        started: called with the instant when the drive is really on, after any pause.
        limited: called with the instant when a run has lasted too long, and was broken off.

    Attributes:
        contacts: the drive's contacts.
        reckoning: where run times put the vent.
        alarm: a run lasted too long, and none has come to its end since.
        parts: what falls due.
    """

    def __init__(
        self,
        group: VentGroup,
        behaviour: Behaviour,
        start_s: float,
        *,
        switched: Callable[[float], None],
        started: Callable[[float], None],
        limited: Callable[[float], None],
    ) -> None:
        assert group.drive is not None, "a vent of the unit's own has no such drive"
        self.contacts = DriveContacts(group.drive.reversal_pause, behaviour, self._changed)
        self.reckoning = Reckoning(group, behaviour, start_s)
        self.alarm = False
        self._limit = group.drive.run_limit * behaviour.run_limit_factor
        self._overrun = Alarm()
        self._driven: Way = 0
        self._switched, self._started, self._limited = switched, started, limited
        self.parts: tuple[Part, ...] = ((self.contacts, self.contacts.fire), (self._overrun, self._break_off))

    @property
    def way(self) -> Way:
        """The way in which the drive is run, or will be after the pause."""
        return self.contacts.way

    def drive(self, way: Way, now_s: float) -> None:
        """Run the drive one way, or stop it."""
        self.contacts.want(way, now_s)

    def halt(self, now_s: float) -> None:
        """Take the drive's supply away."""
        self.contacts.drop(now_s)

    def _changed(self, now_s: float) -> None:
        before, self._driven = self._driven, self.contacts.driven
        self._switched(now_s)
        if self._driven == before:
            return
        self._overrun.due_s = math.inf
        self.reckoning.drive(self._driven, now_s)
        if self._driven:
            self._overrun.due_s = now_s + self._limit * self.reckoning.travel_s(self._driven)
            self._started(now_s)

    def _break_off(self) -> None:
        now_s = self._overrun.due_s
        self.alarm = True
        self.drive(0, now_s)
        self._limited(now_s)
