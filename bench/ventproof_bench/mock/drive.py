"""A vent's exact motion (pure)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

if TYPE_CHECKING:
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.settings import MockSettings


CLOSED_PERCENT = 0.0
OPEN_PERCENT = 100.0


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class DriveTravel:
    """How a drive moves its vent.

    Attributes:
        rate_percent_s: travel rate, % of full travel a second, the same both ways.
        dead_time_s: from the drive's command to the first movement.
        coast_s: how long the vent runs on, at the travel rate, after the drive is told to stop.
        stalls_at_percent: closing past this position the vent jams on it, or None.
        stalls_opening_percent: opening past this position the vent jams on it, or None.
        creep_percent_s: a vent at rest off its end stops creeps open at this rate; 0 in a healthy drive.
        slips_percent: each opening run ends this much short, on top of those before; the closed end puts it right.
        deadband_percent: a command closer than this to where the vent stands is not carried out.
        skips_every: every n-th command is not carried out; 0 for none.
        inverted: the drive runs the wrong way.
    """

    rate_percent_s: float
    dead_time_s: float = 0.0
    coast_s: float = 0.0
    stalls_at_percent: float | None = None
    stalls_opening_percent: float | None = None
    creep_percent_s: float = 0.0
    slips_percent: float = 0.0
    deadband_percent: float = 0.0
    skips_every: int = 0
    inverted: bool = False


@final
class Actuator:
    """A vent drive, closed at `start_s`, which has had so many commands. Commands come in order of time.

    Between two breakpoints the position is linear, after the last it is constant. A command cuts what was
    planned beyond its instant and plans anew, so the past never changes:

    - the way a moving vent already goes: it runs on, without another dead time, to the new target;
    - otherwise the drive is told to stop, the vent coasts to rest, then the dead time runs, then it turns;
    - at rest: the dead time runs from the command; a command during that time takes the place of the first
      and keeps its dead time when it goes the same way.

    A drive does not correct what the coast carried it past its target.
    """

    __slots__ = (
        "_commands",
        "_lost_percent",
        "_moves_s",
        "_points",
        "_rest_s",
        "_still_s",
        "_stop_s",
        "_travel",
        "_way",
        "target_percent",
    )

    def __init__(self, travel: DriveTravel, start_s: float, *, commands: int = 0) -> None:
        self.target_percent = CLOSED_PERCENT
        self._commands = commands
        self._lost_percent = 0.0
        self._travel = travel
        self._points: list[tuple[float, float]] = [(start_s, CLOSED_PERCENT)]
        # The last planned movement: its way (+1 opens, -1 closes), when the vent first moves, when the drive
        # is told to stop, and when the vent is at rest. Invariant: moves <= stop <= rest.
        self._way = 0
        self._moves_s = self._stop_s = self._rest_s = -math.inf
        # When the vent is still before that movement: a coast may end after the command.
        self._still_s = start_s

    def position_at(self, at_s: float) -> float:
        """Return the true position at a moment that is not before power-up, % open."""
        points = self._points
        i = len(points) - 1
        while i and points[i][0] > at_s:
            i -= 1
        time_s, percent = points[i]
        if i + 1 == len(points) or at_s <= time_s:
            return percent
        next_s, next_percent = points[i + 1]
        return percent + (next_percent - percent) * (at_s - time_s) / (next_s - time_s)

    def moving_at(self, at_s: float) -> bool:
        """Return whether the last planned movement is under way, coast included."""
        return self._moves_s <= at_s < self._rest_s

    def breakpoints(self, until_s: float) -> tuple[tuple[float, float], ...]:
        """Return the trajectory from power-up to `until_s` as (time, % open), both ends included."""
        past = [point for point in self._points if point[0] < until_s]
        return (*past, (until_s, self.position_at(until_s)))

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""
        if target_percent == self.target_percent:
            return
        self.target_percent = target_percent
        here = self.position_at(now_s)
        goal = self._slipped(OPEN_PERCENT - target_percent if self._travel.inverted else target_percent, here)
        self._commands += 1
        skips = self._travel.skips_every
        if (skips and self._commands % skips == 0) or abs(goal - here) < self._travel.deadband_percent:
            return
        onward = (goal - here) * self._way > 0
        dead_s = self._travel.dead_time_s
        if self._moves_s <= now_s < self._stop_s:
            self._cut(now_s)
            if onward:
                self._run(now_s, goal)
                return
            self._stop(now_s)
            if goal != here:
                self._run(self._rest_s + dead_s, goal)
        elif self._stop_s <= now_s < self._rest_s:
            self._cut(self._rest_s)
            self._run(self._rest_s + dead_s, goal)
        else:
            still_s = max(now_s, self._still_s)
            start_s = self._moves_s if now_s < self._moves_s and onward else still_s + dead_s
            self._cut(still_s)
            self._run(start_s, goal)

    def _slipped(self, goal: float, here: float) -> float:
        """Return where a drive that reckons its position from run times takes the goal to be."""
        if goal == CLOSED_PERCENT:
            self._lost_percent = 0.0
        elif goal > here:
            self._lost_percent += self._travel.slips_percent
        return max(CLOSED_PERCENT, goal - self._lost_percent)

    def halt(self, now_s: float) -> None:
        """Take the drive's supply away: what was planned is dropped, and a moving vent coasts to rest."""
        if self._moves_s <= now_s < self._stop_s:
            self._cut(now_s)
            self._stop(now_s)
        elif not self._stop_s <= now_s < self._rest_s:
            still_s = max(now_s, self._still_s)
            self._cut(still_s)
            self._way = 0
            self._moves_s = self._stop_s = self._rest_s = still_s
            self._creep()
        rests_at = self.position_at(self._rest_s)
        self.target_percent = OPEN_PERCENT - rests_at if self._travel.inverted else rests_at

    def _cut(self, at_s: float) -> None:
        here = self.position_at(at_s)
        while self._points and self._points[-1][0] >= at_s:
            self._points.pop()
        self._points.append((at_s, here))

    def _run(self, start_s: float, goal: float) -> None:
        """Plan, from the last breakpoint on: rest until `start_s`, travel to `goal`, coast, rest."""
        self._still_s, here = self._points[-1]
        if start_s > self._still_s:
            here = min(OPEN_PERCENT, here + self._creep_rate(here) * (start_s - self._still_s))
            self._points.append((start_s, here))
        self._moves_s = self._stop_s = self._rest_s = start_s
        if goal == here:
            self._way = 0
            self._creep()
            return
        self._way = 1 if goal > here else -1
        stall = self._stall(here, goal)
        if stall is not None:
            self._point(start_s + abs(here - stall) / self._travel.rate_percent_s, stall)
            self._stop_s = self._rest_s = self._points[-1][0]
            self._creep()
        else:
            self._point(start_s + abs(goal - here) / self._travel.rate_percent_s, goal)
            self._stop(self._points[-1][0])

    def _stall(self, here: float, goal: float) -> float | None:
        closing, opening = self._travel.stalls_at_percent, self._travel.stalls_opening_percent
        if closing is not None and goal < closing <= here:
            return closing
        return opening if opening is not None and here <= opening < goal else None

    def _stop(self, at_s: float) -> None:
        """Plan, from the last breakpoint on: coast until the vent is at rest or at an end stop."""
        here = self._points[-1][1]
        room = OPEN_PERCENT - here if self._way > 0 else here - CLOSED_PERCENT
        run_on = min(self._travel.coast_s * self._travel.rate_percent_s, room)
        self._stop_s = at_s
        self._rest_s = at_s + run_on / self._travel.rate_percent_s
        self._point(self._rest_s, here + self._way * run_on)
        self._creep()

    def _point(self, at_s: float, percent: float) -> None:
        if at_s > self._points[-1][0]:
            self._points.append((at_s, percent))

    def _creep_rate(self, percent: float) -> float:
        return self._travel.creep_percent_s if CLOSED_PERCENT < percent < OPEN_PERCENT else 0.0

    def _creep(self) -> None:
        last_s, here = self._points[-1]
        if rate := self._creep_rate(here):
            self._points.append((last_s + (OPEN_PERCENT - here) / rate, OPEN_PERCENT))


def drives(
    settings: MockSettings, behaviour: Behaviour, *, start_s: float, phase: int
) -> dict[str, Actuator]:
    """Return a drive for each vent group, closed at `start_s`; jams and exchanged wires are the first group's."""
    return {
        name: Actuator(
            DriveTravel(
                rate_percent_s=100 / (group.full_travel * behaviour.travel_factor),
                dead_time_s=group.dead_time + behaviour.extra_dead_time_s,
                coast_s=group.coast + behaviour.extra_coast_s,
                stalls_at_percent=None if i else behaviour.stalls_at_percent,
                stalls_opening_percent=None if i else behaviour.stalls_opening_percent,
                creep_percent_s=behaviour.creep_percent_s,
                slips_percent=behaviour.slips_percent,
                deadband_percent=behaviour.deadband_percent,
                skips_every=behaviour.skips_command_every,
                inverted=i == 0 and behaviour.runs_inverted,
            ),
            start_s,
            commands=phase,
        )
        for i, (name, group) in enumerate(settings.vents.items())
    }
