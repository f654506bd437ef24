"""How a log's events say that outputs were left: safe and how that is known, or at what value (pure)."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
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


def _all_well(left: LeftCounter) -> str:
    """Return the one line for outputs that are all where they belong; empty where that is not said of all."""
    if left.never_driven:
        return "no output was driven: the bench was not opened"
    if not left.safe:
        return ""
    ends = [one for one in left.outputs.values() if not one.found and one.last != "moved"]
    settings = [one for one in left.outputs.values() if one.found]
    said = [f"all outputs are in their safe state ({_proofs(ends)})"] if ends else []
    changed = [one for one in settings if one.state != one.found]
    if settings and not changed:
        said.append("settings of the unit are as they were found")
    said += [f"{one.name} is left at {one.state}, found at {one.found}" for one in changed]
    open_ended = [one for one in left.outputs.values() if not one.found and one.last == "moved"]
    said += [f"{one.name} is left at {one.state}: no safe level is declared" for one in open_ended]
    return "; ".join([*said, "the unit goes on by itself, vents may still move"])


def _proofs(outputs: Collection[OutputLeft]) -> str:
    read_back = sum(one.read_back for one in outputs)
    if read_back in {0, len(outputs)}:
        return "read back" if read_back else "commanded, not read back"
    return f"{read_back} read back, {len(outputs) - read_back} only commanded"


def left_said(left: LeftCounter, moves: Mapping[str, Collection[str]]) -> tuple[str, ...]:
    """Return how outputs were left: one line where all is well, else a line for each that is not.

    Args:
        left: how the outputs were left.
        moves: the positions that move with an output, by its name, as the bench file's hook-ups say.
    """
    well = _all_well(left)
    return (well,) if well else tuple(_not_well(left, moves))


def _not_well(left: LeftCounter, moves: Mapping[str, Collection[str]]) -> Iterator[str]:
    for one in left.outputs.values():
        vents = ", ".join(moves.get(one.name, ())) or "vents"
        why = f" ({one.trouble})" if one.trouble else ""
        state = one.state or "a state that nobody knows"
        if one.found and (one.last == "moved" or why):
            yield f"{one.name} left at {state}, found at {one.found}{why}: {vents} may keep moving"
        elif one.last == "moved":
            yield f"{one.name} last commanded: {state}{why}: {vents} may keep moving"
        elif one.last == "open" or why:
            yield f"{one.name} was {state} and nothing says that it still is{why}: {vents} may move"
