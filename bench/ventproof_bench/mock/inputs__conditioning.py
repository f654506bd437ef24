"""Conditioning of a contact: a state counts once it was kept long enough; closures are counted (pure)."""

from __future__ import annotations

import math
from typing import final


@final
class Settling:
    """A two-state value that follows its input only after the input kept the new state for a while.

    A debounce has one such time for both ways; entry and release delays have two. The instant at which the
    value follows is exact: `due_s`. Whoever owns this advances time, calls `fire` at `due_s`, and only then
    applies an input change of the same instant, so that a state kept for exactly the time counts.
    """

    __slots__ = ("due_s", "input", "off_s", "on_s", "value")

    def __init__(self, on_s: float, off_s: float) -> None:
        self.on_s = on_s
        self.off_s = off_s
        self.input = False
        self.value = False
        self.due_s = math.inf

    @property
    def pending(self) -> bool:
        """Whether the value is about to follow its input."""
        return self.due_s < math.inf

    def change(self, now_s: float, *, state: bool) -> None:
        """Take the input's state at `now_s`; repeating the state it has changes nothing."""
        if state == self.input:
            return
        self.input = state
        self.due_s = math.inf if state == self.value else now_s + (self.on_s if state else self.off_s)

    def fire(self) -> None:
        """Let the value follow its input, at `due_s`."""
        self.value = self.input
        self.due_s = math.inf


@final
class Counter:
    """Counts closures, wrapping to 0.

    Args:
        counted: what it shows before the first closure.
        bits: it wraps after so many; 32 in a healthy unit.
        per_closure: how far one closure moves it; 1 in a healthy unit.
        misses_every: every n-th closure is lost; 0 for none.
        phase: which closure is the first to be lost, when some are.
    """

    __slots__ = ("_closures", "_misses_every", "_per_closure", "_turn", "count")

    def __init__(
        self, *, counted: int = 0, bits: int = 32, per_closure: int = 1, misses_every: int = 0, phase: int = 0
    ) -> None:
        self._turn = 2**bits
        self.count = counted % self._turn
        self._per_closure = per_closure
        self._misses_every = misses_every
        self._closures = phase

    def closure(self) -> None:
        """Take one closure."""
        self._closures += 1
        if not (self._misses_every and self._closures % self._misses_every == 0):
            self.count = (self.count + self._per_closure) % self._turn
