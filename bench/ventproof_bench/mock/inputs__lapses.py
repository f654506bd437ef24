"""What slips the unit's attention: showers that it sleeps through, and delays across a wrap of its clock (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, final

if TYPE_CHECKING:
    from bench.mock.behaviour import Behaviour
    from bench.mock.conditioning import Settling


@final
class Lapses:
    """Made anew at every start; a healthy unit has none.

    Args:
        behaviour: what is wrong with the unit.
        started_s: when it came up.
        phase: which shower is the first to be missed, when some are.

    Attributes:
        missed: the shower that falls now is slept through.
    """

    def __init__(self, behaviour: Behaviour, started_s: float, phase: int) -> None:
        self.missed = False
        self._behaviour = behaviour
        self._started_s = started_s
        self._showers = phase
        self._raining = False

    def rain(self, now_s: float, *, raining: bool, gale: bool) -> None:
        """Take whether it rains, and whether the gale override is active."""
        behaviour = self._behaviour
        if raining and not self._raining:
            self._showers += 1
            every = behaviour.misses_shower_every
            self.missed = (
                (every > 0 and self._showers % every == 0)
                or (gale and behaviour.rain_in_gale_lost)
                or now_s - self._started_s > behaviour.deaf_after_s
            )
        self._raining = raining

    def begin(self, delay: Settling, now_s: float, *, state: bool) -> None:
        """Let a delay take what it waits for; its end is where the unit's clock puts it."""
        before_s = delay.due_s
        delay.change(now_s, state=state)
        if self._behaviour.wrap is not None and delay.pending and delay.due_s != before_s:
            delay.due_s = self._put(delay.due_s, now_s)

    def _put(self, due_s: float, now_s: float) -> float:
        """Return when a clock that wraps takes a delay for over."""
        wrap = self._behaviour.wrap
        assert wrap is not None, "asked for only then"
        turn, at_s = divmod(due_s - self._started_s, wrap.period_s)
        if wrap.delay == "negative":
            return due_s if at_s < wrap.period_s / 2 else self._started_s + (turn + 1) * wrap.period_s
        if turn == (now_s - self._started_s) // wrap.period_s:
            return due_s
        return now_s if wrap.delay == "ends" else due_s + wrap.period_s
