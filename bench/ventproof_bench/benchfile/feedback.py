"""What an output at a unit's feedback input carries of a vent's position, and what it shows when a wire has failed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self, final

from ventproof_bench.base.quantities import Dimension
from ventproof_bench.benchfile.model import LevelOutput, ResistanceOutput

if TYPE_CHECKING:
    from ventproof_bench.benchfile.model import OutputSpec


_FULL_PERCENT: Final = 100.0
_SHORTED_MA: Final = 21.5
"""A shorted transmitter: 21 mA and more is a failure (NAMUR NE 43)."""
_BROKEN_OHM: Final = 1e7
"""Stands for a resistance without end."""


@final
@dataclass(frozen=True, slots=True)
class PositionLevels:
    """The straight line between a position and the level that stands for it, and where the level ends.

    Attributes:
        closed: level at 0 %, in mA, V or ohm.
        opened: level at 100 %.
        lowest: the lowest level that is put.
        highest: the highest.
        broken: level of a potentiometer with a broken wire: inputs of potentiometers are pulled up, a current is none
            (common practice, no source).
        shorted: level of one whose wires touch.
    """

    closed: float
    opened: float
    lowest: float
    highest: float
    broken: float
    shorted: float

    @classmethod
    def of(cls, output: OutputSpec) -> Self:
        """Return the levels of an output whose values are positions; loading a bench file sees to it that it is one."""
        limits = None if not isinstance(output, LevelOutput | ResistanceOutput) else output.limits
        if isinstance(output, ResistanceOutput):
            assert output.potentiometer is not None, "a resistance in % is a potentiometer"
            closed, opened = output.potentiometer.ohm
            lowest, highest, broken, shorted = 0.0, _BROKEN_OHM, _BROKEN_OHM, 0.0
        else:
            assert isinstance(output, LevelOutput), "loading a bench file sees to it"
            (low, high), (begin, end) = output.ends, (value.value for value in output.range)
            a_percent = (high - low) / (end - begin)
            closed, opened = low - begin * a_percent, low + (_FULL_PERCENT - begin) * a_percent
            current = output.carries is Dimension.CURRENT
            lowest, highest = 0.0, output.most
            broken, shorted = (0.0, _SHORTED_MA) if current else (_full_scale(output), 0.0)
        if limits is not None:
            lowest, highest = max(lowest, limits[0].value), min(highest, limits[1].value)
        ends = (min(max(level, lowest), highest) for level in (broken, shorted))
        return cls(closed, opened, lowest, highest, *ends)

    def level(self, percent: float) -> float:
        """Return the level that stands for a position, or the nearest that is put."""
        share = percent / _FULL_PERCENT
        return min(max(self.closed * (1 - share) + self.opened * share, self.lowest), self.highest)

    def percent(self, level: float) -> float:
        """Return the position for which a level stands, % open."""
        return (level - self.closed) / (self.opened - self.closed) * _FULL_PERCENT


def _full_scale(output: LevelOutput) -> float:
    return max(output.ends)
