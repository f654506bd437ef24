"""What a log tells of the unit's settings: what was found, whether it was written, and what was left (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, final

from ventproof.log.events import Event, LevelWandered, OutputDriven, SettingFound, StimulusApplied
from ventproof.verdict.text import number_text
from ventproof_bench.base.quantities import is_discrete

OF_SETTINGS: Final = (SettingFound, StimulusApplied, LevelWandered, OutputDriven)
"""Events that tell of settings, among others."""


@final
@dataclass(frozen=True, slots=True)
class SettingTold:
    """One setting of the unit.

    Attributes:
        name: of the output that writes it, as the bench file has it.
        found: what the bench found there, in words; empty where it could not be read.
        trouble: why it could not be read; empty when it was.
        written: whether anything was written there.
        left: what was put back at the end, in words; empty where nothing was.
    """

    name: str
    found: str = ""
    trouble: str = ""
    written: bool = False
    left: str = ""

    @property
    def fate(self) -> str:
        """What became of it, in words."""
        if not self.written:
            return "never written"
        if not self.left:
            return "written and NOT PUT BACK"
        return "written and put back" if self.left == self.found else f"written and left at {self.left}"

    def __str__(self) -> str:
        """Return all of it as a phrase."""
        found = f"found {self.found}" if self.found else f"cannot be read ({self.trouble})"
        return f"{self.name}: {found}, {self.fate}"


def settings_of(events: Iterable[Event], use: Mapping[str, str]) -> tuple[SettingTold, ...]:
    """Return what events tell of each setting of the unit, in the order in which they were found.

    Args:
        events: of a run or a self-check, in order; others than `OF_SETTINGS` tell nothing.
        use: the bench's names, by the profile's, where they differ.
    """
    told: dict[str, SettingTold] = {}
    for event in events:
        match event:
            case SettingFound(found=found):
                said = "" if found.trouble else value_said(found.value, found.unit)
                told[found.output] = SettingTold(found.output, said, found.trouble)
            case StimulusApplied(output=output) | LevelWandered(output=output):
                name = use.get(output, output)
                if name in told:
                    told[name] = replace(told[name], written=True, left="")
            case OutputDriven(driven=driven) if driven.output in told:
                left = value_said(driven.value, driven.unit)
                told[driven.output] = replace(told[driven.output], written=True, left=left)
            case _:
                pass
    return tuple(told.values())


def value_said(value: float | None, unit: str) -> str:
    """Return the value of a setting as people read it."""
    if value is None:
        return "no number"
    return number_text(value) if is_discrete(unit) else f"{number_text(value)} {unit}"
