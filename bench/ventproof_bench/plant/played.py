"""A vent that a bench plays: moved by readings of its commands, and shown for a while at a time (pure).

What was shown is never taken back. An edge of the commands is entered in the middle of the window in which it was
seen, or later: where it leaves what was shown as it was. A drive's own dead time and run-on pay for that as far as
they reach. So what is shown is off the ideal vent by no more than the interval that contacts leave, the travel of half
a hold, that of the lag which is not paid for, and half a step of the output.
"""

from __future__ import annotations

from typing import final

from ventproof_bench.plant.follower import Follower
from ventproof_bench.plant.vent import Condition, Vent, VentTravel


@final
class PlayedVent:
    """A vent, and up to when it was shown.

    Args:
        travel: how it travels while it is healthy.
        start_s: when it begins, at rest.
        percent: where it stands then, % open.
        deadband_percent: of a drive that takes a position.

    Attributes:
        vent: the vent; its course until `shown_until_s` stays as it is.
        shown_until_s: the last instant of which something was shown.
    """

    def __init__(
        self, travel: VentTravel, start_s: float, *, percent: float = 0.0, deadband_percent: float = 0.0
    ) -> None:
        self.vent = Vent(travel, start_s, percent=percent)
        self.shown_until_s = start_s
        self._follower = Follower(self.vent, deadband_percent=deadband_percent, coast_s=travel.coast_s)
        self._contacts = (False, False)
        self._seen_s = start_s
        self._entered_s = start_s

    def read_contacts(self, from_s: float, to_s: float, *, opens: bool, closes: bool) -> None:
        """Take what the two contacts were at some moment from one instant to another."""
        if (opens, closes) != self._contacts:
            at_s = self.vent.earliest_s(
                (self._seen_s + to_s) / 2, opens=opens, closes=closes, unchanged_until_s=self.shown_until_s
            )
            self.vent.switch(at_s, opens=opens, closes=closes)
            self._contacts = (opens, closes)
            self._entered_s = at_s
        self._seen_s = from_s

    def read_command(self, from_s: float, to_s: float, percent: float) -> None:
        """Take what position the drive was told at some moment from one instant to another."""
        at_s = (self._seen_s + to_s) / 2
        self._follower.command(at_s, percent, unchanged_until_s=self.shown_until_s)
        self._seen_s = from_s

    def stand(self, from_s: float) -> None:
        """Let the vent stand since it was shown last, for nobody knows what its contacts did until an instant."""
        if self._contacts != (False, False):
            self.vent.switch(self.shown_until_s, opens=False, closes=False)
            self._contacts = (False, False)
        self._seen_s = from_s

    def show(self, at_s: float) -> float:
        """Fix the vent's course until an instant, or as far as it is fixed already; return that."""
        self.shown_until_s = max(self.shown_until_s, at_s)
        return self.shown_until_s

    def apply(self, condition: Condition) -> float:
        """Set what has befallen the vent, for what had before, as soon as nothing is taken back; return when."""
        at_s = max(self.shown_until_s, self._entered_s)
        self.vent.apply(at_s, condition)
        self._follower.forget()
        return at_s
