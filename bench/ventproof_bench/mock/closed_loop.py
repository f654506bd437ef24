"""How a unit brings a vent to a position that a potentiometer tells it (pure).

Its times and limits are common practice, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.positioner import ByContacts
from ventproof_bench.mock.rules.settling import Settling
from ventproof_bench.mock.runs import CLOSED_PERCENT, OPEN_PERCENT, Reckoning, way_of
from ventproof_bench.mock.wind_and_tips import Alarm

if TYPE_CHECKING:
    from collections.abc import Callable

    from ventproof_bench.mock.drive_settings import VentGroup
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.runs import Way
    from ventproof_bench.mock.wind_and_tips import Part


_BEYOND_MV: Final = 250.0
"""Further than this beyond its ends a potentiometer is open or shorted."""
_FAILS_S: Final = 1.0
_RECOVERS_S: Final = 10.0
_WRONG_WAY_PERCENT: Final = 5.0
"""A position that goes this far against the drive is that of a potentiometer wired the wrong way round."""
_RESTS_S: Final = 2.0
"""Longer than drives run on: only then the unit looks where a run has led."""
_DEVIATES_S: Final = 1.0
_RETRY_S: Final = 5.0


@final
class MeasuredPosition:
    """The position as the unit measures it.

    Args:
        group: what the unit was set to.
        behaviour: what is wrong with it.

    Attributes:
        percent: by the last plausible level, % open.
        failure: its `value` says that the level was implausible for too long, until it is plausible for long enough.
        wrong_way: it was seen to go against the drive; a restart forgets that.
    """

    def __init__(self, group: VentGroup, behaviour: Behaviour) -> None:
        assert group.drive is not None, "a vent of the unit's own has none"
        self._closed_mv, self._open_mv = group.drive.potentiometer
        self._behaviour = behaviour
        self.percent = CLOSED_PERCENT
        self.failure = Settling(_FAILS_S, _RECOVERS_S)
        self.wrong_way = False
        self.take(self._closed_mv, -math.inf)

    @property
    def believed(self) -> bool:
        """Whether the unit goes by it."""
        return not (self.failure.value or self.wrong_way)

    def take(self, level_mv: float, now_s: float) -> None:
        """Take the level at the feedback input."""
        low, high = sorted((self._closed_mv, self._open_mv))
        implausible = (level_mv < low - _BEYOND_MV and self._behaviour.shorted_potentiometer_seen) or (
            level_mv > high + _BEYOND_MV and self._behaviour.open_potentiometer_seen
        )
        self.failure.change(now_s, state=implausible)
        if not implausible:
            part = (level_mv - self._closed_mv) / (self._open_mv - self._closed_mv)
            percent = (
                OPEN_PERCENT * part * self._behaviour.potentiometer_factor
                + self._behaviour.potentiometer_offset_percent
            )
            self.percent = min(OPEN_PERCENT, max(CLOSED_PERCENT, percent))


@final
class ByPotentiometer(ByContacts):
    """Runs until the measured position is the commanded one.

    It learns how far the drive runs on, stops that much before, and leaves alone what is nearer than that or than the
    dead band; at an end it runs on to be sure. A potentiometer that is open, shorted or goes against the drive is not
    believed: the vent is closed by time, and the alarm says so.
    """

    def __init__(
        self, group: VentGroup, behaviour: Behaviour, start_s: float, switched: Callable[[float], None]
    ) -> None:
        super().__init__(group, behaviour, start_s, switched)
        self.measured = MeasuredPosition(group, behaviour)
        self._runs_on_percent: dict[Way, float] = {1: 0.0, -1: 0.0}
        self._stopped: tuple[Way, float] | None = (
            None  # which way the last run went, and where it was stopped
        )
        self._furthest_percent = CLOSED_PERCENT  # of the run under way, measured
        self._end, self._look = Alarm(), Alarm()
        self.parts: tuple[Part, ...] = (
            *self.runs.parts,
            (self._end, self._ended),
            (self._look, self._looked),
            (self.measured.failure, self._failure_settled),
        )

    @property
    def feedback_alarm(self) -> bool:
        """Whether the potentiometer is not believed."""
        return not self.measured.believed

    def told_at(self, at_s: float) -> float:
        """Return where the unit takes the vent to be, % open: as measured, by run time where that is not believed."""
        return self.measured.percent if self.measured.believed else self.runs.reckoning.at(at_s)

    # commands

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""
        if target_percent == self.target_percent:
            return
        self.target_percent = target_percent
        self._gave_up = False
        if self.measured.believed and not (self._behaviour.finishes_runs and self.runs.way):
            self._pursue(now_s)

    def halt(self, now_s: float) -> None:
        """Take the supply away."""
        self.runs.halt(now_s)
        self._end.due_s = self._look.due_s = math.inf

    def restart(self, now_s: float) -> None:
        """Begin anew after a loss of supply: the next command is carried out whatever it is."""
        self.halt(now_s)
        self.target_percent = math.nan
        self._stopped = None
        self._gave_up = self.runs.alarm = self.measured.wrong_way = False

    # the measured position

    def level(self, level_mv: float, now_s: float) -> None:
        """Take the level at the feedback input."""
        self.measured.take(level_mv, now_s)
        if not self.measured.believed:
            return
        way, percent = self.runs.contacts.driven, self.measured.percent
        if way and self._behaviour.wrong_way_seen:
            self._furthest_percent = way * max(way * percent, way * self._furthest_percent)
            if way * (self._furthest_percent - percent) > _WRONG_WAY_PERCENT:
                self.measured.wrong_way = True
                self._fail(now_s)
                return
        if self.runs.way:
            self._watch_run(now_s)
        elif self._stopped is None:
            self._watch_rest(now_s)

    def _watch_run(self, now_s: float) -> None:
        """Stop a run that has come to its target; at an end it runs on to be sure."""
        way, target = self.runs.contacts.driven, self.target_percent
        left_percent = way * (target - self.measured.percent)
        if not way or math.isnan(target):
            return
        if target not in (CLOSED_PERCENT, OPEN_PERCENT):
            if left_percent <= self._runs_on_percent[way]:
                self._stop(now_s)
        elif left_percent <= self._near_percent(way) and self._end.due_s == math.inf:
            overrun_s = self.runs.reckoning.travel_s(way) * self._drive.overrun.value / OPEN_PERCENT
            self._end.due_s = now_s + overrun_s + self._behaviour.runs_on_at_end_s

    def _watch_rest(self, now_s: float) -> None:
        """Note when a vent at rest is first seen too far from its target."""
        if not self._deviates():
            self._look.due_s = math.inf
        elif self._look.due_s == math.inf and not self._gave_up:
            self._look.due_s = now_s + (0.0 if self._behaviour.hunts else _DEVIATES_S)

    def _deviates(self) -> bool:
        off_percent = self.target_percent - self.measured.percent
        return abs(off_percent) > self._near_percent(way_of(off_percent))

    def _near_percent(self, way: Way) -> float:
        if self._behaviour.hunts or not way:
            return 0.0
        return max(self._deadband_percent, self._runs_on_percent[way])

    def _failure_settled(self) -> None:
        now_s = self.measured.failure.due_s
        self.measured.failure.fire()
        if self.measured.wrong_way:
            return
        if self.measured.failure.value:
            self._fail(now_s)
        else:
            self._stop(now_s)
            self._pursue(now_s)

    def _fail(self, now_s: float) -> None:
        """Close by time, without a look at the position."""
        self._stop(now_s)
        self._look.due_s = math.inf
        self.runs.reckoning.put(self.measured.percent, now_s)
        if self._behaviour.closes_without_feedback:
            self.runs.drive(-1, now_s)

    # runs

    def _pursue(self, now_s: float) -> None:
        """Run to where the vent should be, or stop; a reversal stops first."""
        off_percent = self.target_percent - self.measured.percent
        way = way_of(off_percent) if self._deviates() and not self._gave_up else 0
        shortest_s = self._behaviour.shortest_run_s
        if abs(off_percent) / OPEN_PERCENT * self._group.full_travel < shortest_s:
            way = 0
        if way == self.runs.way:
            self._watch_run(now_s)
            return
        self._end.due_s = self._look.due_s = math.inf
        self._stopped = None
        if way:
            self.runs.drive(way, now_s)
        else:
            self._stop(now_s)

    def _started(self, now_s: float) -> None:
        self._furthest_percent = self.measured.percent
        if self.measured.believed:
            self._watch_run(now_s)
        else:
            overrun = 1 + self._drive.overrun.value / OPEN_PERCENT
            self._end.due_s = now_s + self.runs.reckoning.travel_s(-1) * overrun

    def _stop(self, now_s: float) -> None:
        driven = self.runs.contacts.driven
        self._end.due_s = math.inf
        self.runs.drive(0, now_s)
        if driven and self.measured.believed:
            self._stopped = (driven, self.measured.percent)
            self._look.due_s = now_s + (0.0 if self._behaviour.hunts else _RESTS_S)

    def _ended(self) -> None:
        """End a run that went by time."""
        now_s = self._end.due_s
        self._stop(now_s)
        if not self.measured.believed:
            self.runs.reckoning.put(CLOSED_PERCENT, now_s)

    def _looked(self) -> None:
        """See where the last run has led, or that the vent is still too far from its target."""
        now_s = self._look.due_s
        self._look.due_s = math.inf
        if self._stopped is not None:
            way, percent = self._stopped
            self._stopped = None
            if self.target_percent not in (CLOSED_PERCENT, OPEN_PERCENT) and not self._behaviour.hunts:
                self._runs_on_percent[way] = max(0.0, way * (self.measured.percent - percent))
        if self._behaviour.retries_endlessly:
            self._gave_up = False
        if self._deviates():
            self._pursue(now_s)
        elif not self._gave_up:
            self.runs.alarm = False

    def _broken_off(self, now_s: float) -> None:
        self._stop(now_s)
        self._stopped = None
        self._gave_up = True
        self._look.due_s = now_s + _RETRY_S if self._behaviour.retries_endlessly else math.inf


@final
class ByVoltage:
    """Tells a drive that follows a voltage where to go, and watches whether it goes there.

    Without a potentiometer the unit takes the vent to travel to its target at the set rate. With one, a vent that has
    not come near its target within the run limit is an alarm, and one whose potentiometer is not believed is closed.

    Args:
        group: what the unit was set to.
        behaviour: what is wrong with it.
        start_s: when it begins, with the vent closed.

    Attributes:
        contacts: none.
        command_mv: the voltage at the unit's command output, 0 to 10,000 mV for 0 to 100 %.
    """

    def __init__(self, group: VentGroup, behaviour: Behaviour, start_s: float) -> None:
        assert group.drive is not None, "a vent of the unit's own is driven otherwise"
        self.target_percent = CLOSED_PERCENT
        self.command_mv = 0
        self.contacts = (False, False)
        self.alarm = False
        self.measured = MeasuredPosition(group, behaviour)
        self._reckoning = Reckoning(group, behaviour, start_s)
        self._measures = group.drive.feedback == "potentiometer"
        self._near_percent = group.drive.deadband.value + _WRONG_WAY_PERCENT
        self._limit = group.drive.run_limit * behaviour.run_limit_factor
        self._behaviour = behaviour
        self._arrives, self._late = Alarm(), Alarm()
        self.parts: tuple[Part, ...] = (
            (self._arrives, self._arrived),
            (self._late, self._judge),
            (self.measured.failure, self._failure_settled),
        )

    @property
    def feedback_alarm(self) -> bool:
        """Whether the potentiometer is not believed."""
        return not self.measured.believed

    def told_at(self, at_s: float) -> float:
        """Return where the unit takes the vent to be, % open."""
        return self.measured.percent if self._measures else self._reckoning.at(at_s)

    def moving_at(self, at_s: float) -> bool:  # noqa: ARG002 - the protocol
        """Return whether the vent should be on its way."""
        return self._arrives.due_s < math.inf

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""
        if target_percent != self.target_percent:
            self.target_percent = target_percent
            if self.measured.believed:
                self._send(target_percent, now_s)

    def halt(self, now_s: float) -> None:
        """Take the supply away: the voltage goes, and with it the vent."""
        self._send(CLOSED_PERCENT, now_s)
        self._late.due_s = math.inf

    def restart(self, now_s: float) -> None:
        """Begin anew after a loss of supply: the next command is carried out whatever it is."""
        self.halt(now_s)
        self.target_percent = math.nan
        self.alarm = False

    def level(self, level_mv: float, now_s: float) -> None:
        """Take the level at the feedback input."""
        self.measured.take(level_mv, now_s)
        if self.alarm:
            self._judge()

    def _send(self, percent: float, now_s: float) -> None:
        self.command_mv = round(percent * 100)
        way = way_of(percent - self._reckoning.at(now_s))
        self._reckoning.drive(way, now_s)
        self._arrives.due_s = self._reckoning.reaches_s(percent, now_s) if way else math.inf
        if self._measures:
            self._late.due_s = now_s + self._limit * self._reckoning.travel_s(way or 1)

    def _arrived(self) -> None:
        self._reckoning.drive(0, self._arrives.due_s)
        self._arrives.due_s = math.inf

    def _judge(self) -> None:
        self._late.due_s = math.inf
        self.alarm = abs(self.measured.percent - self.command_mv / 100) > self._near_percent

    def _failure_settled(self) -> None:
        now_s = self.measured.failure.due_s
        self.measured.failure.fire()
        failed = self.measured.failure.value
        if not failed or self._behaviour.closes_without_feedback:
            self._send(CLOSED_PERCENT if failed else self.target_percent, now_s)
