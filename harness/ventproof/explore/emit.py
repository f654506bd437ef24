"""A sequence of weather and what is demanded in it, written as a profile that the ordinary engine and judge run."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.assembly import Band, applied, assembled, counted_from, percent
from ventproof.draft.emit import profile_text
from ventproof.explore.moves import moves_of
from ventproof.explore.sequence import (
    accuracies_of,
    foreseen,
    last_requirements_of,
    longest_tail_s,
    requirements_of,
)
from ventproof.profile.load import read_profile
from ventproof.profile.model import Start, Step
from ventproof.profile.stimulus import Wait
from ventproof.table.model import output_of
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.quantities import span_text

if TYPE_CHECKING:
    from ventproof.explore.moves import Moves
    from ventproof.explore.sequence import Requirement, Sequence, SignalAccuracies
    from ventproof.profile.model import Profile
    from ventproof.table.model import OverrideTable
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


_OPEN_TOLERANCE_PERCENT: Final = 3
_SETTLES_S: Final = 10
_STANDS_OPEN_S: Final = 2.0
_STEPS: Final = ("the weather", "after everything has stopped")
_LONGEST_NAME: Final = 120


@final
@dataclass(frozen=True, slots=True)
class PlannedSequence:
    """A sequence with its demands, ready to be written as a profile.

    Attributes:
        sequence: what is done.
        steps: the demands of each step; the first one plays the sequence, a second one looks at how it all ended.
        rests_s: when everything has come to rest, seconds after the sequence begins.
    """

    sequence: Sequence
    steps: tuple[tuple[Requirement, ...], ...]
    rests_s: float

    def only(self, step: int, number: int) -> PlannedSequence:
        """Return the same with one demand alone: of which step, counted from 1, and its number there."""
        before = (demands[-1:] for demands in self.steps[: step - 1])
        return replace(self, steps=(*before, (self.steps[step - 1][number],)))

    def alike(self, kind: tuple[str, str]) -> PlannedSequence | None:
        """Return the same with the demands of one signal and kind alone; None when it has none."""
        steps = [tuple(d for d in step if (d.signal, d.kind) == kind) for step in self.steps]
        while steps and not steps[-1]:
            steps.pop()
        if not steps:
            return None
        first = steps[0] or self.steps[0][-1:]  # a step demands something
        return replace(self, steps=(first, *steps[1:]))


@final
@dataclass(frozen=True, slots=True)
class Writer:
    """Writes profiles for one table and one bench.

    Attributes:
        table: the table.
        bench: the bench.
        moves: what the bench can do, and how every test begins.
        accuracies: how the bench sees the signals of the table.
    """

    table: Loaded[OverrideTable]
    bench: Loaded[BenchFile]
    moves: Moves
    accuracies: SignalAccuracies

    def planned(self, sequence: Sequence) -> PlannedSequence | None:
        """Return a sequence with everything that the unit owes in it; None when that is nothing while it is played."""
        table = self.table.model
        known = foreseen(table, sequence)
        first = tuple(requirements_of(table, self.accuracies, sequence, known))
        last = tuple(last_requirements_of(table, self.accuracies, known))
        steps = tuple(step for step in (first, last) if step)
        return PlannedSequence(sequence, steps, known.until_s) if first else None

    def profile(self, path: str, written: PlannedSequence, *, name: str, about: str) -> Loaded[Profile]:
        """Return a sequence as a profile; `path` only names it in messages."""
        made = assembled(
            self.bench.model,
            title=name[:_LONGEST_NAME],
            about=about,
            start=self._start(written),
            steps=self._steps(written),
        )
        return read_profile(path, profile_text(made))

    def _start(self, written: PlannedSequence) -> Start:
        moved = {action.move.planned.output for action in written.sequence}
        expected = {*self.table.model.opened_by, *moved, *self._direction(moved)}
        vents = self.table.model.vents.values()
        runs_s = max(vent.full_travel[1] for vent in vents)
        release_s = max(override.release_delay for override in self.table.model.overrides.values())
        within_s = float(round(2 * runs_s + release_s + _SETTLES_S))
        bands = (Band(vent.signal, vent.open, percent(_OPEN_TOLERANCE_PERCENT)) for vent in vents)
        return Start(
            write={name: value for name, value in self.moves.start.items() if name in expected},
            until=[band.reaches(within_s, _STANDS_OPEN_S) for band in bands],
        )

    def _direction(self, moved: Collection[str]) -> Iterator[str]:
        """Yield the output that says where the wind comes from, where that may matter."""
        table = self.table.model
        turning = [
            c for override in table.overrides.values() if override.leeward for c in override.conditions
        ]
        if table.direction is not None and any(output_of(condition) in moved for condition in turning):
            yield table.direction

    def _steps(self, written: PlannedSequence) -> list[Step]:
        labels = _labels(written.sequence)
        plays = applied(tuple((action.at_s, action.move.planned) for action in written.sequence), labels)
        if len(written.steps) > 1:
            rests_s = round(written.rests_s - written.sequence[-1].at_s, 1)
            plays = [*plays, Wait(wait=span_text(rests_s))]
        dos = (plays, *([] for _ in written.steps[1:]))
        return [
            Step(
                step=_STEPS[number],
                do=do,
                expect=[
                    counted_from(r.response, None if r.after is None else labels[r.after])
                    for r in requirements
                ],
            )
            for number, (do, requirements) in enumerate(zip(dos, written.steps, strict=True))
        ]


def writer_of(table: Loaded[OverrideTable], bench: Loaded[BenchFile]) -> Writer:
    """Return what writes the profiles of an exploration.

    Raises:
        FileError: this bench can do nothing of what the table speaks of.
    """
    moves = moves_of(table.model, bench, longest_s=longest_tail_s(table.model))
    if not moves.moves:
        problems = [Problem(bench.path, None, None, f"not possible: {why}") for why in moves.left_out]
        raise FileError(problems or [table.problem(("overrides",), "nothing in it can be tried")])
    return Writer(table, bench, moves, accuracies_of(table.model, bench.model))


def _labels(sequence: Sequence) -> list[str | None]:
    """Return a label for each action: its output, numbered where it comes again; none for the only one."""
    outputs = [action.move.planned.output for action in sequence]
    if len(outputs) == 1:
        return [None]
    return [
        name if outputs.count(name) == 1 else f"{name}_{outputs[: number + 1].count(name)}"
        for number, name in enumerate(outputs)
    ]


def said(sequence: Sequence) -> Iterable[tuple[str, str]]:
    """Yield when each action comes and what it is, for people."""
    for action in sequence:
        yield f"{action.at_s:.10g} s", action.move.planned.about
