"""A sequence of weather and what is demanded in it, written as a profile that the ordinary engine and judge run."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from bench.overridetable.model import output_of
from harness.profile.load import read_profile
from harness.prove.explore.demands import demands_of, last_demands_of
from harness.prove.explore.sequence import foreseen

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.overridetable.model import OverrideTable
    from bench.wiring import BenchFile
    from harness.profile.model import Profile
    from harness.prove.explore.demands import Demand, Eyes
    from harness.prove.explore.moves import Moves
    from harness.prove.explore.sequence import Sequence

_OPEN_TOLERANCE_PERCENT: Final = 3
_SETTLES_S: Final = 10
_LONGEST_NAME: Final = 120


@final
@dataclass(frozen=True, slots=True)
class Written:
    """A sequence with its demands, ready to be written as a profile.

    Attributes:
        sequence: what is done.
        steps: the demands of each step; the first one plays the sequence, a second one looks at how it all ended.
        rests_s: when everything has come to rest, seconds after the sequence begins.
    """

    sequence: Sequence
    steps: tuple[tuple[Demand, ...], ...]
    rests_s: float

    def only(self, step: int, number: int) -> Written:
        """Return the same with one demand alone: of which step, counted from 1, and its number there."""
        before = (demands[-1:] for demands in self.steps[: step - 1])
        return replace(self, steps=(*before, (self.steps[step - 1][number],)))

    def alike(self, kind: tuple[str, str]) -> Written | None:
        """Return the same with the demands of one signal and kind alone; None when it has none."""
        steps = [tuple(d for d in step if (d.signal, d.kind) == kind) for step in self.steps]
        while steps and not steps[-1]:
            steps.pop()
        if not steps:
            return None
        first = steps[0] or self.steps[0][-1:]  # a step demands something
        return replace(self, steps=(first, *steps[1:]))


def demanded(table: OverrideTable, eyes: Eyes, sequence: Sequence) -> Written | None:
    """Return a sequence with everything that the unit owes in it; None when that is nothing while it is played."""
    known = foreseen(table, sequence)
    first = tuple(demands_of(table, eyes, sequence, known))
    last = tuple(last_demands_of(table, eyes, known))
    steps = tuple(step for step in (first, last) if step)
    return Written(sequence, steps, known.until_s) if first else None


@final
@dataclass(frozen=True, slots=True)
class Writer:
    """Writes profiles for one table and one bench.

    Attributes:
        table: the table.
        bench: the bench.
        moves: what the bench can do, and how every test begins.
    """

    table: Loaded[OverrideTable]
    bench: Loaded[BenchFile]
    moves: Moves

    def profile(self, path: str, written: Written, *, name: str, about: str) -> Loaded[Profile]:
        """Return a sequence as a profile; `path` only names it in messages."""
        return read_profile(path, self.text(written, name=name, about=about))

    def text(self, written: Written, *, name: str, about: str) -> str:
        """Return a sequence as a profile's text."""
        return "\n".join((*self._head(written, name, about), *self._steps(written))) + "\n"

    def _head(self, written: Written, name: str, about: str) -> Iterator[str]:
        opened = set(self.table.model.opened_by)
        moved = {action.move.output: action.move.need for action in written.sequence}
        wanted = opened.union(moved, self._direction(moved))
        start = [(n, text) for n, text, _ in self.moves.start if n in wanted]
        outputs = {n: need for n, _, need in self.moves.start if n in wanted} | moved
        vents = self.table.model.vents.values()
        signals = {vent.signal: "%" for vent in vents}
        signals |= {demand.signal: demand.unit for step in written.steps for demand in step}
        yield f"profile: {name[:_LONGEST_NAME]}"
        yield "about: >"
        yield from (f"  {line}" for line in about.splitlines())
        yield from ("", "needs:", f"  outputs: {{{_pairs(outputs)}}}", f"  signals: {{{_pairs(signals)}}}")
        yield from ("", "start:", f"  write: {{{_pairs(dict(start))}}}", "  until:")
        runs_s = max(vent.full_travel[1] for vent in vents)
        release_s = max(override.release_delay for override in self.table.model.overrides.values())
        within_s = round(2 * runs_s + release_s + _SETTLES_S)
        for vent in vents:
            if vent.signal in signals:
                at = f"reaches: {vent.open.text}, tolerance: {_OPEN_TOLERANCE_PERCENT} %"
                yield f"    - {{signal: {vent.signal}, {at}, within: {within_s} s, holds: 2 s}}"

    def _direction(self, moved: Collection[str]) -> Iterator[str]:
        """Yield the output that says where the wind comes from, where that may matter."""
        table = self.table.model
        turning = [c for override in table.overrides.values() if override.leeward for c in override.when]
        if table.direction is not None and any(output_of(condition) in moved for condition in turning):
            yield table.direction

    def _steps(self, written: Written) -> Iterator[str]:
        yield from ("", "steps:", "  - step: the weather", "    do:")
        labels = _labels(written.sequence)
        for label, action in zip(labels, written.sequence, strict=True):
            at = f", at: {action.at_s:.10g} s" if action.at_s else ""
            label_said = f", label: {label}" if len(labels) > 1 else ""
            yield f"      - {{{action.move.stimulus}{at}{label_said}}}"
        if len(written.steps) > 1:
            yield f"      - {{wait: {round(written.rests_s - written.sequence[-1].at_s, 1):.10g} s}}"
        for number, demands in enumerate(written.steps):
            if number:
                yield from ("", "  - step: after everything has come to rest")
            yield "    expect:"
            for demand in demands:
                after = "" if demand.after is None or len(labels) == 1 else f", after: {labels[demand.after]}"
                yield f"      - {{signal: {demand.signal}, {demand.says}{after}, why: {demand.why}}}"


def _labels(sequence: Sequence) -> list[str]:
    """Return a label for each action: its output, numbered where it comes again."""
    outputs = [action.move.output for action in sequence]
    return [
        name if outputs.count(name) == 1 else f"{name}_{outputs[: number + 1].count(name)}"
        for number, name in enumerate(outputs)
    ]


def _pairs(pairs: dict[str, str]) -> str:
    return ", ".join(f'{name}: "%"' if text == "%" else f"{name}: {text}" for name, text in pairs.items())


def said(sequence: Sequence) -> Iterable[tuple[str, str]]:
    """Yield when each action comes and what it is, for people."""
    for action in sequence:
        yield f"{action.at_s:.10g} s", action.move.said
