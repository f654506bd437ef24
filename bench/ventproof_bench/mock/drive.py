"""A vent that the unit moves itself, and always knows the place of (pure)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from ventproof_bench.mock.runs import CLOSED_PERCENT, OPEN_PERCENT, way_of
from ventproof_bench.plant.vent import Condition, Vent, VentTravel

if TYPE_CHECKING:
    from ventproof_bench.mock.drive_settings import VentGroup
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.runs import Way


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How the unit drives a vent of its own; the defaults are a healthy unit.

    Attributes:
        slips_percent: each opening run ends this much short, on top of those before; the closed end puts it right.
        deadband_percent: a command closer than this to where the vent stands is not carried out.
        skips_every: every n-th command is not carried out; 0 for none.
        inverted: the contacts that open and close are exchanged.
    """

    slips_percent: float = 0.0
    deadband_percent: float = 0.0
    skips_every: int = 0
    inverted: bool = False


@final
class Actuator:
    """A vent of the unit's own, closed at `start_s`, which has had so many commands. Commands come in order of time.

    The unit drives the vent until it is at its target, and does not correct how far it then runs on:

    - the way a moving vent already goes: it runs on, without another dead time, to the new target;
    - otherwise the drive is told to stop, the vent comes to rest, then the dead time runs, then it turns;
    - at rest: the dead time runs from the command; a command during that time takes the place of the first
      and keeps its dead time when it goes the same way.

    Args:
        travel: how its drive moves the vent.
        start_s: when it begins.
        condition: what has befallen the vent.
        habits: how the unit drives it.
        commands: how many it has had.
    """

    def __init__(
        self,
        travel: VentTravel,
        start_s: float,
        *,
        condition: Condition | None = None,
        habits: Habits | None = None,
        commands: int = 0,
    ) -> None:
        self.target_percent = CLOSED_PERCENT
        self._habits = habits or Habits()
        self._commands = commands
        self._lost_percent = 0.0
        self._coast_s = travel.coast_s
        self._vent = Vent(travel, start_s)
        if condition is not None:
            self._vent.apply(start_s, condition)
        self._way: Way = 0  # of the run that is planned or under way
        self._off_s = (
            self._rests_s
        ) = -math.inf  # when that run ends; when the vent is at rest after what was before it

    def position_at(self, at_s: float) -> float:
        """Return the true position at a moment that is not before power-up, % open."""
        return self._vent.position_at(at_s)

    def told_at(self, at_s: float) -> float:
        """Return where the unit takes the vent to be, % open: where it is."""
        return self.position_at(at_s)

    def moving_at(self, at_s: float) -> bool:
        """Return whether the vent's drive moves, coast included."""
        return self._vent.moving_at(at_s)

    def goes(self, at_s: float) -> bool:
        """Return whether the vent or its drive moves at an instant, or will of itself."""
        return self._vent.goes(at_s)

    def breakpoints(self, until_s: float) -> tuple[tuple[float, float], ...]:
        """Return the trajectory from power-up to `until_s` as (time, % open), both ends included."""
        return self._vent.breakpoints(until_s)

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""
        if target_percent == self.target_percent:
            return
        self.target_percent = target_percent
        self._see(now_s)
        here = self.position_at(now_s)
        goal = self._slipped(self._mirrored(target_percent), here)
        self._commands += 1
        skips = self._habits.skips_every
        if (skips and self._commands % skips == 0) or abs(goal - here) < self._habits.deadband_percent:
            return
        starts_s = max(now_s, self._rests_s)
        way = way_of(goal - self.position_at(starts_s))
        if way != self._way:
            self._let_go(now_s)
        self._way = way
        self._vent.switch(starts_s, opens=way > 0, closes=way < 0)
        self._off_s = self._vent.drive_reaches_s(goal, starts_s) if way else starts_s
        if self._off_s < math.inf:
            self._vent.switch(self._off_s, opens=False, closes=False)

    def halt(self, now_s: float) -> None:
        """Take the drive's supply away: what was planned is dropped, and a moving vent coasts to rest."""
        self._see(now_s)
        self._let_go(now_s)
        self._way = 0
        self._vent.switch(now_s, opens=False, closes=False)
        self.target_percent = self._mirrored(self.position_at(max(now_s, self._rests_s)))

    def _see(self, now_s: float) -> None:
        """Note that a run has come to its end, and when the vent was or will be at rest."""
        if self._way and self._off_s <= now_s:
            self._way, self._rests_s = 0, self._off_s + self._coast_s

    def _let_go(self, now_s: float) -> None:
        """Note when a vent that is driven will be at rest, if it is driven no more."""
        if self._way and now_s >= self._rests_s and self.moving_at(now_s):
            self._rests_s = now_s + self._coast_s

    def _mirrored(self, percent: float) -> float:
        return OPEN_PERCENT - percent if self._habits.inverted else percent

    def _slipped(self, goal: float, here: float) -> float:
        """Return where a unit that reckons its position from run times takes the goal to be."""
        if goal == CLOSED_PERCENT:
            self._lost_percent = 0.0
        elif goal > here:
            self._lost_percent += self._habits.slips_percent
        return max(CLOSED_PERCENT, goal - self._lost_percent)


def befallen(behaviour: Behaviour, *, first: bool) -> Condition:
    """Return what has befallen a vent of the unit's own; only that of the first group jams."""
    return Condition(
        jams_closing_at_percent=behaviour.stalls_at_percent if first else None,
        jams_opening_at_percent=behaviour.stalls_opening_percent if first else None,
        creep_percent_s=behaviour.creep_percent_s,
    )


def actuator(group: VentGroup, behaviour: Behaviour, start_s: float, *, phase: int, first: bool) -> Actuator:
    """Return a vent of the unit's own, closed at `start_s`; only the first group's wires are exchanged."""
    travel_s = group.full_travel * behaviour.travel_factor
    return Actuator(
        VentTravel(
            open_s=travel_s,
            close_s=travel_s,
            dead_time_s=group.dead_time + behaviour.extra_dead_time_s,
            coast_s=group.coast + behaviour.extra_coast_s,
        ),
        start_s,
        condition=befallen(behaviour, first=first),
        habits=Habits(
            slips_percent=behaviour.slips_percent,
            deadband_percent=behaviour.deadband_percent,
            skips_every=behaviour.skips_command_every,
            inverted=first and behaviour.runs_inverted,
        ),
        commands=phase,
    )
