"""How a unit brings a vent that it cannot see to a position: by run time, put right at the ends (pure).

What it does at end switches that tell what cannot be, and its times and distances, are common practice, no source.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Final, Literal, Protocol, final

from ventproof_bench.mock.runs import CLOSED_PERCENT, OPEN_PERCENT, Runs, way_of
from ventproof_bench.mock.wind_and_tips import Alarm

if TYPE_CHECKING:
    from collections.abc import Callable

    from ventproof_bench.mock.drive_settings import VentGroup
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.runs import Way
    from ventproof_bench.mock.wind_and_tips import Part


EndName = Literal["closed", "open"]
"""An end of a vent's travel, and the switch there."""

ENDS: Final[dict[EndName, float]] = {"closed": CLOSED_PERCENT, "open": OPEN_PERCENT}
_WAY_TO: Final[dict[float, Way]] = {CLOSED_PERCENT: -1, OPEN_PERCENT: 1}

_EXCHANGED: Final[dict[EndName, EndName]] = {"closed": "open", "open": "closed"}
_BELIEVED_PERCENT: Final = 30.0
"""An end that is told reached while the vent is reckoned further from it than this is not believed."""
_LEFT_PERCENT: Final = 10.0
"""A switch that still tells its end when the vent is reckoned this far from it is not believed."""
_SETTLED_S: Final = 1.0
"""A switch that is released for this long was no bounce."""
_RETRY_S: Final = 5.0
_PIECE_S: Final = 2.0
_BREAK_S: Final = 1.0


class Positioner(Protocol):
    """What brings one vent outside the unit to where it should be.

    Attributes:
        target_percent: where the vent should be, % open.
        parts: what falls due.
    """

    target_percent: float
    parts: tuple[Part, ...]

    @property
    def alarm(self) -> bool:
        """Whether a run was broken off, and none has come to its end since."""

    @property
    def feedback_alarm(self) -> bool:
        """Whether what the vent's feedback tells is not believed."""

    @property
    def contacts(self) -> tuple[bool, bool]:
        """Its drive contacts: whether the one that opens and the one that closes are on."""

    @property
    def command_mv(self) -> int:
        """Its command output, mV; 0 where it has contacts instead."""

    def told_at(self, at_s: float) -> float:
        """Return where the unit takes the vent to be, % open."""

    def moving_at(self, at_s: float) -> bool:
        """Return whether the unit drives the vent."""

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""

    def halt(self, now_s: float) -> None:
        """Take the supply away."""

    def restart(self, now_s: float) -> None:
        """Begin anew after a loss of supply: the next command is carried out whatever it is."""


class ByContacts(ABC):
    """What is common to all that bring a vent to a position by two drive contacts.

    Args:
        group: what the unit was set to.
        behaviour: what is wrong with it.
        start_s: when it begins, with the vent closed.
        switched: called with the instant when a drive contact has changed.
    """

    def __init__(
        self, group: VentGroup, behaviour: Behaviour, start_s: float, switched: Callable[[float], None]
    ) -> None:
        assert group.drive is not None, "a vent of the unit's own is driven otherwise"
        self.target_percent = CLOSED_PERCENT
        self.runs = Runs(
            group,
            behaviour,
            start_s,
            switched=switched,
            started=self._started,
            limited=self._broken_off,
        )
        self._group, self._drive, self._behaviour = group, group.drive, behaviour
        self._deadband_percent = max(group.drive.deadband.value, behaviour.deadband_percent)
        self._gave_up = False

    @abstractmethod
    def _started(self, now_s: float) -> None:
        """Take that a run has begun."""

    @abstractmethod
    def _broken_off(self, now_s: float) -> None:
        """Take that a run was broken off at its limit."""

    @property
    def alarm(self) -> bool:
        """Whether a run was broken off, and none has come to its end since."""
        return self.runs.alarm

    @property
    def contacts(self) -> tuple[bool, bool]:
        """Whether the contact that opens and the one that closes are on."""
        return self.runs.contacts.state

    @property
    def command_mv(self) -> int:
        """Nothing: the drive has contacts."""
        return 0

    def moving_at(self, at_s: float) -> bool:  # noqa: ARG002 - the protocol
        """Return whether the unit drives the vent."""
        return self.runs.way != 0


@final
class ByRunTime(ByContacts):
    """Brings a vent to a position by run time. At an end it runs on to be sure, or until the switch there tells it.

    What an end switch tells and what cannot be goes as alarm: both ends at once, and then the drive stands; an end that
    run time puts far off, or that is never left, and then that switch is not believed until it changes.
    """

    def __init__(
        self, group: VentGroup, behaviour: Behaviour, start_s: float, switched: Callable[[float], None]
    ) -> None:
        super().__init__(group, behaviour, start_s, switched)
        self._by_switches = self._drive.feedback == "end-switches" and behaviour.end_switches_seen
        self._waits_for_switches = self._drive.feedback == "end-switches"
        self._reached: set[EndName] = set()
        self._disbelieved: set[EndName] = set()
        self._goal_percent = CLOSED_PERCENT
        self._home_percent: float | None = CLOSED_PERCENT  # the end at which the vent is known to be
        self._sure = True  # since power-up or the last end: where the vent is
        self._runs_since_end = 0
        self._comes_to_end_s = math.inf  # as it would if it were one run
        self._end, self._leaves, self._look = Alarm(), Alarm(), Alarm()
        self.parts: tuple[Part, ...] = (
            *self.runs.parts,
            (self._end, self._ended),
            (self._leaves, self._should_have_left),
            (self._look, self._looked),
        )

    @property
    def feedback_alarm(self) -> bool:
        """Whether an end switch tells what cannot be."""
        return bool(self._disbelieved) or self._at_both

    def told_at(self, at_s: float) -> float:
        """Return where the unit takes the vent to be, % open."""
        return self.runs.reckoning.at(at_s)

    # commands

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""
        if target_percent == self.target_percent:
            return
        self.target_percent = target_percent
        self._gave_up = False
        if not (self._behaviour.finishes_runs and self.runs.way):
            self._pursue(now_s)

    def halt(self, now_s: float) -> None:
        """Take the supply away."""
        self.runs.halt(now_s)
        self._end.due_s = self._leaves.due_s = self._look.due_s = math.inf

    def restart(self, now_s: float) -> None:
        """Begin anew after a loss of supply: the reckoned position is kept, and no end is known to be reached."""
        self.halt(now_s)
        self.target_percent = math.nan
        self._gave_up, self.runs.alarm = False, False
        self._sure, self._home_percent = False, None
        if not self._behaviour.reference_kept:
            self.runs.reckoning.put(CLOSED_PERCENT, now_s)
            self._sure, self._home_percent = True, CLOSED_PERCENT

    # end switches

    def end_switch(self, end: EndName, now_s: float, *, reached: bool) -> None:
        """Take what the switch at an end tells."""
        end = _EXCHANGED[end] if self._behaviour.end_switches_exchanged else end
        if not self._by_switches or reached == (end in self._reached):
            return
        was_at_both = self._at_both
        if not reached:
            self._reached.discard(end)
            self._disbelieved.discard(end)
            if was_at_both:
                self._pursue(now_s)
            elif ENDS[end] == self._home_percent == self.target_percent:
                settles_s = _SETTLED_S if self._behaviour.end_switches_settle else 0.0
                self._look.due_s = now_s + settles_s
            return
        self._reached.add(end)
        if self._at_both:
            self._stop(now_s)
        elif ENDS[end] == self._home_percent:
            self._look.due_s = math.inf
        elif self.runs.contacts.driven == self._way_to(ENDS[end]):
            self._come_to(end, now_s)

    @property
    def _at_both(self) -> bool:
        return self._behaviour.both_switches_seen and len(self._reached - self._disbelieved) == len(ENDS)

    def _come_to(self, end: EndName, now_s: float) -> None:
        """Take that the switch of the end that the drive runs to tells it reached."""
        off_percent = abs(self.told_at(now_s) - ENDS[end])
        if self._behaviour.stuck_switch_seen and self._sure and off_percent > _BELIEVED_PERCENT:
            self._disbelieved.add(end)
            self._plan(now_s)
        elif self._behaviour.runs_on_at_end_s:
            self._end.due_s = now_s + self._behaviour.runs_on_at_end_s
            self._goal_percent = ENDS[end]
        else:
            self._arrive(ENDS[end], now_s)

    def _should_have_left(self) -> None:
        self._leaves.due_s = math.inf
        left: EndName = "closed" if self.runs.way > 0 else "open"
        if self.runs.way and left in self._reached and self._behaviour.stuck_switch_seen:
            self._disbelieved.add(left)

    # runs

    def _pursue(self, now_s: float) -> None:
        """Run to where the vent should be, or stop."""
        goal = self._next_goal()
        if self._gave_up or self._at_both or goal == self._home_percent:
            self._stop(now_s)
            return
        here = self.told_at(now_s)
        way = self._way_to(goal) if goal in _WAY_TO else way_of(goal - here)
        if goal not in _WAY_TO and abs(goal - here) < self._deadband_percent:
            self._stop(now_s)
            return
        self._goal_percent = goal
        if (end := self._told_end(goal)) is not None and self.runs.way != way:
            if (
                not (self._behaviour.stuck_switch_seen and self._sure)
                or abs(goal - here) <= _BELIEVED_PERCENT
            ):
                self._arrive(goal, now_s)
                return
            self._disbelieved.add(end)
        if self._too_short(goal, here):
            self.runs.reckoning.put(goal, now_s)
        elif self.runs.contacts.driven == way:
            self._plan(now_s)
        else:
            self._end.due_s = self._leaves.due_s = math.inf
            self.runs.drive(way, now_s)

    def _next_goal(self) -> float:
        after = self._drive.reference_after
        due = after is not None and self._runs_since_end >= after and self._behaviour.references
        return CLOSED_PERCENT if due and self.target_percent not in _WAY_TO else self.target_percent

    def _way_to(self, end_percent: float) -> Way:
        if self._behaviour.references_open and not self._sure:
            return 1
        return _WAY_TO[end_percent]

    def _told_end(self, goal: float) -> EndName | None:
        """Return the end that is the goal, where its switch tells it reached and is believed."""
        return next((e for e in self._reached - self._disbelieved if ENDS[e] == goal), None)

    def _too_short(self, goal: float, here: float) -> bool:
        shortest_s = self._behaviour.shortest_run_s
        return goal not in _WAY_TO and abs(goal - here) / OPEN_PERCENT * self._group.full_travel < shortest_s

    def _stop(self, now_s: float) -> None:
        self._end.due_s = self._leaves.due_s = math.inf
        self.runs.drive(0, now_s)

    def _started(self, now_s: float) -> None:
        self._home_percent = None
        if self._goal_percent not in _WAY_TO:
            self._runs_since_end += 1
        self._plan(now_s)

    def _plan(self, now_s: float) -> None:
        """Say when the run that is under way ends by itself."""
        runs, goal, way = self.runs, self._goal_percent, self.runs.way
        reckoning = runs.reckoning
        if goal not in _WAY_TO:
            slips_s = (
                self._behaviour.slips_percent / OPEN_PERCENT * self._group.full_travel if way > 0 else 0.0
            )
            end_s = max(now_s, reckoning.reaches_s(goal, now_s) - slips_s)
        elif self._waits_for_switches and not any(ENDS[end] == goal for end in self._disbelieved):
            end_s = math.inf
        else:
            travel_s = reckoning.travel_s(way)
            sure = self._behaviour.references
            overrun_s = travel_s * self._drive.overrun.value / OPEN_PERCENT if sure else 0.0
            ends_s = reckoning.reaches_s(goal, now_s) if self._sure else now_s + travel_s
            end_s = ends_s + overrun_s + self._behaviour.runs_on_at_end_s
        self._comes_to_end_s = end_s
        self._end.due_s = min(end_s, now_s + _PIECE_S) if self._behaviour.chops_runs else end_s
        left: float = CLOSED_PERCENT if way > 0 else OPEN_PERCENT
        if any(ENDS[end] == left for end in self._reached):
            gone_percent = left + way * _LEFT_PERCENT
            self._leaves.due_s = reckoning.reaches_s(gone_percent, now_s)

    def _ended(self) -> None:
        now_s = self._end.due_s
        goal = self._goal_percent
        if now_s < self._comes_to_end_s and (
            self._comes_to_end_s == math.inf or abs(goal - self.told_at(now_s)) > self._deadband_percent
        ):
            self._stop(now_s)
            self._look.due_s = now_s + _BREAK_S
        elif goal in _WAY_TO:
            self._arrive(goal, now_s)
        else:
            self._stop(now_s)
            if goal != self._next_goal():
                self._pursue(now_s)

    def _arrive(self, end_percent: float, now_s: float) -> None:
        """Take that the vent is at an end."""
        self._stop(now_s)
        if self._behaviour.references:
            self.runs.reckoning.put(end_percent, now_s)
        self.runs.alarm = self._gave_up = False
        self._home_percent, self._sure, self._runs_since_end = end_percent, True, 0
        if self.target_percent != end_percent:
            self._pursue(now_s)

    def _broken_off(self, now_s: float) -> None:
        self._stop(now_s)
        self._gave_up, self._sure = True, False
        if self._behaviour.retries_endlessly:
            self._look.due_s = now_s + _RETRY_S

    def _looked(self) -> None:
        now_s = self._look.due_s
        self._look.due_s = math.inf
        self._gave_up, self._home_percent = False, None
        self._pursue(now_s)
