"""A drive that takes a position: it turns towards it and stops there (pure).

Its deadband is common practice, no source.
"""

from __future__ import annotations

import math
from typing import final

from ventproof_bench.plant.motion import CLOSED_PERCENT, OPEN_PERCENT
from ventproof_bench.plant.vent import Vent


@final
class Follower:
    """Moves a vent's contacts by the positions that it is told, exactly in time.

    At an end it runs on until it is there; elsewhere it is switched off as much ahead as it runs on. So a step shorter
    than its run-on is not made.

    Args:
        vent: the vent whose drive follows.
        deadband_percent: a command nearer than this to where the drive is does not set it in motion; on its way to one
            it goes on.
        coast_s: how long the drive runs on, 0 s or more.
    """

    def __init__(self, vent: Vent, *, deadband_percent: float, coast_s: float) -> None:
        self._vent = vent
        self._deadband_percent = deadband_percent
        self._coast_s = coast_s
        self._told_percent: float | None = None

    def forget(self) -> None:
        """Plan anew with the next command: how the drive goes has changed."""
        self._told_percent = None

    def command(self, at_s: float, percent: float, *, unchanged_until_s: float = -math.inf) -> None:
        """Tell the drive where to go, 0 to 100 %; what it was told already changes nothing.

        Args:
            at_s: when.
            percent: where to.
            unchanged_until_s: what the vent does until then has to stay.
        """
        percent = min(OPEN_PERCENT, max(CLOSED_PERCENT, percent))
        if percent == self._told_percent:
            return
        self._told_percent = percent
        decided_s = max(at_s, unchanged_until_s)
        off_percent = percent - self._vent.drive_at(decided_s)
        goes_there = off_percent * self._vent.way_at(decided_s) > 0
        if abs(off_percent) <= self._deadband_percent and not goes_there:
            off_percent = 0.0
        at_s = self._switch(
            at_s, opens=off_percent > 0, closes=off_percent < 0, unchanged_until_s=unchanged_until_s
        )
        if off_percent and percent not in {CLOSED_PERCENT, OPEN_PERCENT}:
            reaches_s = self._vent.drive_reaches_s(percent, at_s)
            if reaches_s < math.inf:
                off_s = max(at_s, reaches_s - self._coast_s)
                self._switch(off_s, opens=False, closes=False, unchanged_until_s=unchanged_until_s)

    def _switch(self, at_s: float, *, opens: bool, closes: bool, unchanged_until_s: float) -> float:
        at_s = self._vent.earliest_s(at_s, opens=opens, closes=closes, unchanged_until_s=unchanged_until_s)
        self._vent.switch(at_s, opens=opens, closes=closes)
        return at_s
