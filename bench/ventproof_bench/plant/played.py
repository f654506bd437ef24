"""A vent that is played: moved by readings of its commands, and shown for a while at a time; pure (stand-in)."""

from __future__ import annotations

from typing import final

from ventproof_bench.plant.vent import HEALTHY, Condition, Vent


@final
class PlayedVent:
    def __init__(self, vent: Vent, start_s: float) -> None:
        self.vent = vent
        self.played_s = start_s
        self._last: tuple[bool, bool] = (False, False)
        self._from_s = start_s

    def read(self, requested_s: float, replied_s: float, *, opens: bool, closes: bool) -> None:
        if (opens, closes) != self._last:
            middle = (self._from_s + replied_s) / 2
            at_s = self.vent.earliest_s(middle, opens=opens, closes=closes, unchanged_until_s=self.played_s)
            self.vent.switch(at_s, opens=opens, closes=closes)
            self._last = (opens, closes)
        self._from_s = requested_s

    def lost(self, until_s: float) -> None:
        self.vent.switch(self.played_s, opens=False, closes=False)
        self._last = (False, False)
        self._from_s = until_s

    def play(self, at_s: float) -> None:
        self.played_s = max(self.played_s, at_s)

    def apply(self, condition: Condition = HEALTHY) -> float:
        self.vent.apply(self.played_s, condition)
        return self.played_s
