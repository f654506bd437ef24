"""Runs in plain lines, where there is no terminal: no control codes, nothing drawn anew, and no flood."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, final

from ventproof.log.events import (
    ContactCommand,
    FindingMade,
    GapSeen,
    Note,
    OutputDriven,
    OutputsUnsafe,
    OutputUndriven,
    RunBegin,
    RunEnd,
    SettingFound,
    StepBegin,
    StimulusApplied,
)
from ventproof.log.settings import value_said
from ventproof.terminal.follow import Following, begun_said, step_said, wait_said
from ventproof.verdict.text import finding_line
from ventproof_bench.base.clock import Stopwatch

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ventproof.case.case import Case
    from ventproof.log.events import Event
    from ventproof.profile.duration import Span
    from ventproof.rack.supervise import Rack


_SILENT_S: Final = 30.0
"""After so long without a line one says what is waited for."""


@final
class LinesView:
    """Says each event that a reader wants to know in a line; implements `ventproof.run.view.View`.

    Args:
        say: prints a line.
        profiles: how long each profile of the plan takes.
    """

    def __init__(self, say: Callable[[str], Any], profiles: Sequence[Span] = ()) -> None:
        self._print = say
        self._run = Following(profiles)
        self._said_s = 0.0

    def begin(self, name: str, case: Case) -> None:
        """A profile begins."""
        self._run.begin(name, case)
        self._said_s = 0.0

    def event(self, event: Event) -> None:
        """Say what a reader of a log wants to know."""
        self._run.take(event)
        at = f"{event.t_s:9.2f} s  "
        match event:
            case RunBegin() | StepBegin() | RunEnd():
                self._say_turn(at, event)
            case ContactCommand(said=said):
                self._say(f"{at}  {said}")
            case StimulusApplied(said=said, value=value) if value is not None:
                self._say(f"{at}  {said}")
            case FindingMade(finding=finding):
                self._say(f"{'':13}{finding_line(finding)}".replace("\n", f"\n{'':13}"))
            case GapSeen(gap=gap):
                self._say(f"{at}  no evidence from bus {gap.bus}: {gap.reason}, {gap.detail}")
            case Note(text=text):
                self._say(f"{at}  note: {text}")
            case SettingFound() | OutputDriven() | OutputUndriven() | OutputsUnsafe():
                self._say_output(at, event)
            case _ if event.t_s - self._said_s >= _SILENT_S:
                self._say(f"{at}  {wait_said(self._run)}")
            case _:
                pass

    def _say_turn(self, at: str, event: Event) -> None:
        match event:
            case RunBegin():
                self._say(begun_said(self._run))
            case StepBegin():
                self._say(f"{at}{step_said(self._run)}")
            case RunEnd(verdict=verdict, abort=abort):
                self._say(f"{at}{verdict or f'aborted: {abort.text if abort else None}'}")
            case _:
                pass

    def _say_output(self, at: str, event: Event) -> None:
        match event:
            case SettingFound(found=found) if not found.trouble:
                self._say(f"{at}  {found.output}: found {value_said(found.value, found.unit)}")
            case OutputDriven(driven=driven) if driven.why == "restore":
                self._say(f"{at}  {driven.output}: put back {value_said(driven.value, driven.unit)}")
            case OutputUndriven(driven=driven):
                self._say(f"{at}  command not confirmed: {driven.trouble}")
            case OutputsUnsafe(reason=reason):
                self._say(f"{at}  OUTPUTS MAY NOT BE SAFE: {reason}")
            case _:
                pass

    def _say(self, line: str) -> None:
        self._said_s = self._run.t_s
        self._print(line)

    def end(self) -> None:
        """Nothing to tidy."""


@final
class RackLines:
    """Says what happens at each place of a rack.

    Args:
        say: prints a line.
        rack: the rack.
    """

    def __init__(self, say: Callable[[str], Any], rack: Rack) -> None:
        self._print = say
        self._rack = rack
        self._width = max(len(one.place.name) for one in rack.progress)
        self._said = [0] * len(rack.progress)
        self._watch = Stopwatch()

    def __call__(self) -> None:
        """Say what has happened since the last time."""
        for number, one in enumerate(self._rack.progress):
            for line in one.happened[self._said[number] :]:
                self._print(f"{self._watch.gone_s():9.2f} s  {one.place.name:{self._width}}  {line}")
            self._said[number] = len(one.happened)
