"""What the sensors at a vent tell, and how they fail: end switches and potentiometers (pure)."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from random import Random
from typing import Literal, final

from ventproof_bench.plant.motion import OPEN_PERCENT


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchCondition:
    """What befell an end switch; without anything said it is healthy.

    Attributes:
        stuck: it says that the end is reached, or never does, wherever the vent is.
        late_s: it tells what is so this much later.
        bounces_s: after each change it tells one and the other by turns for so long.
    """

    stuck: Literal["reached", "never"] | None = None
    late_s: float = 0.0
    bounces_s: float = 0.0


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class PotentiometerCondition:
    """What befell a potentiometer; without anything said it is healthy.

    Attributes:
        how: a wire is open, its wires touch, it stays as it is, or it shows closed as open.
        noise_percent: it strays by at most this.
        seed: of the noise.
    """

    how: Literal["open", "short", "stuck", "reversed"] | None = None
    noise_percent: float = 0.0
    seed: int = 0


@final
class EndSwitchTold:
    """An end switch, asked in order of time.

    Args:
        at_percent: where the end is taken to be reached.
        end: which end; from there on outward it is.

    Attributes:
        condition: what befell it.
    """

    def __init__(self, at_percent: float, end: Literal["closed", "open"]) -> None:
        self.condition = SwitchCondition()
        self._at_percent = at_percent
        self._end = end
        self._changes: deque[tuple[float, bool]] = deque()
        self._turn = False

    def reached(self, at_s: float, percent: float) -> bool:
        """Return whether it tells that the end is reached, with the drive at a place from 0 to 100 %."""
        changes, told = self._changes, self.condition
        truth = percent <= self._at_percent if self._end == "closed" else percent >= self._at_percent
        if not changes or changes[-1][1] is not truth:
            changes.append((at_s if changes else -math.inf, truth))
        while len(changes) > 1 and changes[1][0] + told.late_s <= at_s:
            changes.popleft()
        if told.stuck is not None:
            return told.stuck == "reached"
        changed_s, reached = changes[0]
        if at_s < changed_s + told.late_s + told.bounces_s:
            self._turn = not self._turn
            return self._turn
        return reached


@final
class PositionTold:
    """A potentiometer, asked in order of time."""

    def __init__(self) -> None:
        self._condition = PotentiometerCondition()
        self._random = Random()  # noqa: S311 - a repeatable noise, not a secret
        self._stuck: float | None = None

    def apply(self, condition: PotentiometerCondition) -> None:
        """Set what has befallen it, in place of what had before."""
        self._condition, self._stuck = condition, None
        self._random.seed(condition.seed)

    def shows(self, percent: float) -> float | Literal["open", "short"]:
        """Return what it shows of a place from 0 to 100 %: another such place, or that a wire is open or shorted."""
        condition = self._condition
        if condition.how in {"open", "short"}:
            return condition.how
        if condition.how == "stuck":
            if self._stuck is None:
                self._stuck = percent
            return self._stuck
        if condition.how == "reversed":
            percent = OPEN_PERCENT - percent
        if condition.noise_percent:
            percent += self._random.uniform(-condition.noise_percent, condition.noise_percent)
        return percent
