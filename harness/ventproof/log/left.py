"""How a log's events say that outputs were left: safe and how that is known, or at what value (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, final

from ventproof.log.events import (
    CheckEnd,
    ContactCommand,
    EdgesPlayed,
    Event,
    LevelWandered,
    NothingDriven,
    OutputDriven,
    OutputsSafe,
    OutputUndriven,
    PollSeen,
    RunEnd,
    SettingFound,
    StimulusApplied,
)
from ventproof.log.settings import value_said
from ventproof.verdict.text import number_text
from ventproof_bench.base.evidence import DrivenOutput

Last = Literal["found", "open", "safe", "restore", "moved"]
"""What came last: a setting was found; the bench opened, made safe or put back; or the output was moved."""


@final
@dataclass(frozen=True, slots=True)
class OutputLeft:
    """How one output was left, as far as is known.

    Attributes:
        name: as the bench file has it.
        state: in words: `closed`, `4 mA`, `30 °C`; empty where nobody knows.
        last: what came last.
        read_back: whether the hardware said that it is so; else it was commanded.
        trouble: why the bench could not bring it where it belongs; empty where it could, or never tried.
        found: of a setting of the unit, what it was before; empty for all else.
    """

    name: str
    state: str
    last: Last
    read_back: bool = False
    trouble: str = ""
    found: str = ""


@final
@dataclass(slots=True)
class LeftCounter:
    """Follows the events of a run or a self-check, live or from its log.

    Args:
        use: the bench's names, by the profile's, where they differ.

    Attributes:
        outputs: how each was left, by the bench's names, in the order in which they were driven first.
        safe: whether the log says that all outputs are in their safe state.
        never_driven: whether it says that none was driven.
        over: whether it has its closing line.
    """

    use: Mapping[str, str] = field(default_factory=dict)
    outputs: dict[str, OutputLeft] = field(default_factory=dict)
    safe: bool = False
    never_driven: bool = False
    over: bool = False

    def feed(self, event: Event) -> None:
        """Take the next event."""
        match event:
            case PollSeen(poll=poll):
                for name, shown in poll.shown.items():
                    self._move(name, _contact(shown) if isinstance(shown, bool) else number_text(shown))
            case SettingFound(found=found):
                said = "" if found.trouble else value_said(found.value, found.unit)
                self.outputs[found.output] = OutputLeft(found.output, said, "found", found=said or "unknown")
            case OutputDriven(driven=driven):
                found_before = self._before(driven.output).found
                left = OutputLeft(
                    driven.output, _said(driven), driven.why, driven.read_back, "", found_before
                )
                self.outputs[driven.output] = left
            case OutputUndriven(driven=driven):
                before = self._before(driven.output)
                self.outputs[driven.output] = replace(before, trouble=driven.trouble)
            case OutputsSafe():
                self.safe = True
            case NothingDriven():
                self.never_driven = True
            case RunEnd() | CheckEnd():
                self.over = True
            case _:
                self._stimulus(event)

    def _stimulus(self, event: Event) -> None:
        match event:
            case ContactCommand(output=output, states=states):
                self._move(output, _contact(states[-1]) if len(states) == 1 else "closed or open")
            case StimulusApplied(output=output, edges=edges) if edges:
                self._move(output, _contact(edges[-1].closed))
            case StimulusApplied(output=output, value=value, level=level):
                self._put(output, value if level is None else level)
            case EdgesPlayed(output=output):
                self._move(output, _contact([edge.closed for edge in event.edges][-1]))
            case LevelWandered(output=output, level=level):
                self._put(output, level)
            case _:
                pass

    def _put(self, output: str, value: float | None) -> None:
        before = self._before(self.use.get(output, output))
        if value is not None:
            _, _, unit = before.state.partition(" ")
            self._move(output, f"{number_text(value)} {unit}".strip())
        elif before.name in self.outputs:  # else it befell a vent, not an output
            self._move(output, "")

    def _move(self, output: str, state: str) -> None:
        before = self._before(self.use.get(output, output))
        self.outputs[before.name] = OutputLeft(before.name, state, "moved", found=before.found)

    def _before(self, name: str) -> OutputLeft:
        return self.outputs.get(name) or OutputLeft(name, "", "moved")


def left_of(events: Iterable[Event], use: Mapping[str, str]) -> LeftCounter:
    """Return what the events of a log tell."""
    left = LeftCounter(use)
    for event in events:
        left.feed(event)
    return left


def _contact(closed: bool) -> str:  # noqa: FBT001 - a contact has two states
    return "closed" if closed else "open"


def _said(driven: DrivenOutput) -> str:
    if driven.closed is not None:
        return _contact(driven.closed)
    if driven.level is not None:
        return f"{number_text(driven.level)} {driven.unit}".strip()
    return value_said(driven.value, driven.unit)
