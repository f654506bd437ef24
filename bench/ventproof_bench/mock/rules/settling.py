"""States that follow an input: after a while, and beyond a limit (pure)."""

from __future__ import annotations

import math
from typing import Final, final


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
class Threshold:
    """Whether a value is beyond a limit, with hysteresis; both limits inclusive.

    Args:
        on_at: from here the state is on.
        off_at: from here back it is off; below `on_at` for a rising value, above it for a falling one.
        rising: on at high values; else on at low ones.
    """

    __slots__ = ("_off_at", "_on_at", "_sign", "on")

    _DECIMALS: Final = 9  # 8 / 10 Hz · 3 m and 2.4 m/s must compare equal

    def __init__(self, on_at: float, off_at: float, *, rising: bool) -> None:
        self.on = False
        self._sign = 1 if rising else -1
        self._on_at = round(self._sign * on_at, self._DECIMALS)
        self._off_at = round(self._sign * off_at, self._DECIMALS)

    @property
    def turns_at(self) -> float:
        """The value at which the state changes next."""
        return self._sign * (self._off_at if self.on else self._on_at)

    def judge(self, value: float) -> None:
        """Take a value; with no hysteresis the state is on at the limit itself."""
        value = round(self._sign * value, self._DECIMALS)
        if value >= self._on_at:
            self.on = True
        elif value <= self._off_at:
            self.on = False
