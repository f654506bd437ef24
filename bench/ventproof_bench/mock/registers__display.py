"""What the unit shows: its input registers and status bits, copied from the process on a grid of instants (pure)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final, final

from bench.mock.registers import Snapshot, input_registers

if TYPE_CHECKING:
    from bench.mock.behaviour import Behaviour

_GRID: Final = 1e-6  # of a refresh interval: instants on the refresh grid are not exact in binary
_DROPS_OUT_FOR: Final = 7  # refreshes: longer than the shipped bench says that a flag keeps a value


@final
class Display:
    """Refreshed at every whole multiple of an interval after power-up, or at every read where that is 0.

    Args:
        start_s: when the unit was powered up.
        refresh_s: the interval.
        behaviour: what is wrong with what is shown.
        look: returns what the process is at an instant; None without supply: what was shown is kept.

    Attributes:
        snapshot: what was copied last.
        words: the same as input registers.
    """

    snapshot: Snapshot
    words: Sequence[int]

    def __init__(
        self,
        start_s: float,
        refresh_s: float,
        behaviour: Behaviour,
        look: Callable[[float], Snapshot | None],
    ) -> None:
        self._start_s = start_s
        self._refresh_s = refresh_s * behaviour.refresh_factor
        self._behaviour = behaviour
        self._look = look
        self._refreshes = 0
        self._frozen_percent: float | None = None

    def before(self, at_s: float) -> None:
        """Catch up with the last instant that lies before `at_s`."""
        if self._refresh_s:
            self._catch_up(math.ceil((at_s - self._start_s) / self._refresh_s - _GRID) - 1)

    def until(self, at_s: float) -> None:
        """Catch up with the last instant up to and at `at_s`."""
        if self._refresh_s:
            self._catch_up(math.floor((at_s - self._start_s) / self._refresh_s + _GRID))
        else:
            self.copy(at_s)

    def copy(self, at_s: float) -> None:
        """Copy the process as it is at an instant."""
        snapshot = self._look(at_s)
        if snapshot is not None:
            self.snapshot = self._spoiled(snapshot)
            self.words = input_registers(self.snapshot, self._behaviour)

    def _catch_up(self, refreshes: int) -> None:
        if refreshes > self._refreshes:
            self._refreshes = refreshes
            self.copy(self._start_s + refreshes * self._refresh_s)

    def _spoiled(self, snapshot: Snapshot) -> Snapshot:
        """Return what a unit of this behaviour copies."""
        behaviour = self._behaviour
        flag, contact, *others = snapshot.status
        if behaviour.flag_follows_contact:
            flag = contact
        drops = behaviour.flag_drops_every
        dropped = drops > 0 and self._refreshes % drops < _DROPS_OUT_FOR
        flag = flag != behaviour.flag_inverted and not behaviour.flag_stuck and not dropped
        first, *rest = snapshot.positions
        if behaviour.position_frozen:
            if self._frozen_percent is None:
                self._frozen_percent = first
            first = self._frozen_percent
        return replace(snapshot, positions=(first, *rest), status=(flag, contact, *others))
