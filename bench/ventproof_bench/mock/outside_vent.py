"""A vent that stands outside the unit, as it meets the unit's terminals (pure)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.closed_loop import ByPotentiometer, ByVoltage
from ventproof_bench.mock.drive import befallen
from ventproof_bench.mock.positioner import ENDS, ByRunTime
from ventproof_bench.mock.wind_and_tips import Alarm
from ventproof_bench.plant.vent import Vent, VentTravel

if TYPE_CHECKING:
    from ventproof_bench.mock.drive_settings import OwnVent, VentGroup
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.positioner import EndName, Positioner
    from ventproof_bench.mock.wind_and_tips import Part


_SCAN_S: Final = 0.02
"""So often the unit looks at the feedback of a vent that moves."""
_CREEP_SCAN_S: Final = 1.0


@final
class OutsideVent:
    """What the unit does with a vent outside it, and what it is fed of that vent.

    Args:
        group: what the unit was set to.
        behaviour: what is wrong with it.
        start_s: power-up, with the vent closed.
        phase: how many commands it has had, for a fault that loses every n-th.
        first: it is the unit's first vent group, whose drive jams and whose wires are exchanged.

    Attributes:
        positioner: what the unit does.
        own: the vent behind the contacts, where the bench does not play it.
        relays: the relays at the end-switch inputs, on or off; they are wired to nothing where the vent has its own.
        level_mv: what is at the feedback input, mV; a vent's own potentiometer puts it there.
        parts: what falls due while the unit has its supply.
    """

    def __init__(
        self, group: VentGroup, behaviour: Behaviour, start_s: float, *, phase: int, first: bool
    ) -> None:
        assert group.drive is not None, "a vent of the unit's own does not stand outside it"
        self._drive, self._behaviour = group.drive, behaviour
        self._inverted = first and behaviour.runs_inverted
        self._commands = phase
        self._powered = True
        self._shown_percent = ENDS["closed"]
        self.relays: dict[EndName, bool] = dict.fromkeys(ENDS, False)
        self.level_mv = float(group.drive.potentiometer[0])
        self.own = (
            None if group.drive.vent is None else _own(group.drive.vent, behaviour, start_s, first=first)
        )
        self._scan = Alarm()
        self._by_contacts = group.drive.commands == "contacts"
        self.positioner: Positioner = self._positioner(group, start_s)
        self.parts: tuple[Part, ...] = (*self.positioner.parts, (self._scan, self._look))
        self.take(start_s)

    def _positioner(self, group: VentGroup, start_s: float) -> Positioner:
        if not self._by_contacts:
            return ByVoltage(group, self._behaviour, start_s)
        kind = ByPotentiometer if self._drive.feedback == "potentiometer" else ByRunTime
        return kind(group, self._behaviour, start_s, self._switched)

    # what the unit sees and does

    @property
    def target_percent(self) -> float:
        """Where the vent should be, % open."""
        return self.positioner.target_percent

    @property
    def alarms(self) -> tuple[bool, bool]:
        """What the unit tells: whether a run was broken off, and whether feedback is not believed."""
        told = self._behaviour
        return (
            self.positioner.alarm and told.drive_alarm_told,
            self.positioner.feedback_alarm and told.feedback_alarm_told,
        )

    def told_at(self, at_s: float) -> float:
        """Return where the unit takes the vent to be, % open."""
        return self.positioner.told_at(at_s)

    def shown_at(self, at_s: float) -> float:
        """Return what the unit's register tells of that, % open."""
        told = self._behaviour
        if not (told.told_at_rest_only and self.moving_at(at_s)):
            self._shown_percent = self.told_at(at_s)
        return ENDS["open"] - self._shown_percent if told.told_inverted else self._shown_percent

    def moving_at(self, at_s: float) -> bool:
        """Return whether the unit drives the vent."""
        return self.positioner.moving_at(at_s)

    def command(self, target_percent: float, now_s: float) -> None:
        """Send the vent to a position, 0 to 100 %; the target that it already has changes nothing."""
        if target_percent == self.positioner.target_percent:
            return
        self._commands += 1
        skips = self._behaviour.skips_command_every
        if not (skips and self._commands % skips == 0):
            self.positioner.command(target_percent, now_s)

    def halt(self, now_s: float) -> None:
        """Take the unit's supply away; a faulty one keeps its contacts as they are."""
        self._powered = False
        if self._behaviour.halts_without_supply:
            self.positioner.halt(now_s)

    def restart(self, now_s: float) -> None:
        """Let the unit come up, after a loss of supply, on what its terminals then show."""
        self._powered = True
        self.positioner.restart(now_s)
        self.take(now_s)

    # terminals

    def reached_at(self, end: EndName, at_s: float) -> bool:
        """Return whether an end-switch input says that its end is reached."""
        if self.own is not None:
            return self.own.end_at(at_s) == end
        return self.relays[end] == (self._drive.reached == "closed")

    # the vent behind the contacts

    def _switched(self, now_s: float) -> None:
        if self.own is not None:
            opens, closes = self.positioner.contacts
            if self._inverted:
                opens, closes = closes, opens
            self.own.switch(now_s, opens=opens, closes=closes)
            self._scan.due_s = now_s

    def _look(self) -> None:
        """Look at the own vent's feedback, and again when it may have changed."""
        now_s = self._scan.due_s
        own = self.own
        assert own is not None, "there is nothing to look at"
        self._scan.due_s = math.inf
        if any(self.positioner.contacts) or own.moving_at(now_s):
            ends_s = (own.drive_reaches_s(percent, now_s) for percent in ENDS.values())
            self._scan.due_s = min(now_s + _SCAN_S, *(at_s for at_s in (*ends_s, math.inf) if at_s > now_s))
        elif self._behaviour.creep_percent_s:
            self._scan.due_s = now_s + _CREEP_SCAN_S
        self.take(now_s)

    def take(self, now_s: float) -> None:
        """Let the unit take what its feedback inputs show; of its end switches first what is released."""
        if self.own is not None:
            closed_mv, open_mv = self._drive.potentiometer
            self.level_mv = closed_mv + (open_mv - closed_mv) * self.own.drive_at(now_s) / ENDS["open"]
        if not self._powered:
            return
        if isinstance(self.positioner, ByRunTime):
            for reached, end in sorted((self.reached_at(end, now_s), end) for end in ENDS):
                self.positioner.end_switch(end, now_s, reached=reached)
        elif isinstance(self.positioner, ByPotentiometer | ByVoltage):
            self.positioner.level(self.level_mv, now_s)


def _own(vent: OwnVent, behaviour: Behaviour, start_s: float, *, first: bool) -> Vent:
    travel = VentTravel(
        open_s=vent.open * behaviour.travel_factor,
        close_s=vent.close * behaviour.travel_factor,
        dead_time_s=vent.dead_time + behaviour.extra_dead_time_s,
        coast_s=vent.coast + behaviour.extra_coast_s,
        play_percent=vent.play.value,
    )
    own = Vent(travel, start_s)
    own.apply(start_s, befallen(behaviour, first=first))
    return own
