"""Profiles drafted from an override table, for one bench (pure but for the files that are written)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, final

from harness.prove.alone import alone
from harness.prove.delays import too_short
from harness.prove.margins import Margins
from harness.prove.mishaps import mishaps
from harness.prove.page import page
from harness.prove.scenario import DraftedStep, Scenario, UndecidedError, unfolded
from harness.prove.scenes import Scenes
from harness.prove.silences import silences
from harness.prove.together import combined, orders

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.overridetable.model import OverrideTable
    from bench.wiring import BenchFile


@final
@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted profile.

    Attributes:
        file: its file name.
        title: its name.
        proves: the lines of the table that it proves.
        text: what stands in it.
    """

    file: str
    title: str
    proves: tuple[str, ...]
    text: str


def drafts(
    table: Loaded[OverrideTable], bench: Loaded[BenchFile], *, strength: int, source: str
) -> Iterator[Draft]:
    """Yield the profiles that together prove a table, on a bench.

    Args:
        table: the table.
        bench: the bench that is to run them; what it can decide sets how close to an edge they go.
        strength: how many conditions come together in every combination, and overrides in every order: 2 or 3.
        source: the table, as the profiles name it.

    Raises:
        FileError: the bench lacks something that the table names.
    """
    margins = Margins(bench.model)
    for scenario in scenarios(Scenes(table.model, margins), strength):
        try:
            steps = unfolded(scenario, table.model, margins)
        except UndecidedError:
            continue
        shown = replace(scenario, proves=(*scenario.proves, *_moved(table.model, steps)))
        text = page(shown, steps, table.model, margins, source)
        yield Draft(f"{scenario.file}.yaml", scenario.title, shown.proves, text)


def _moved(table: OverrideTable, steps: Sequence[DraftedStep]) -> Iterator[str]:
    """Yield the vents that must arrive somewhere in these steps, and so show how they travel."""
    arriving = {
        r.signal for step in steps for r in step.responses if r.says.startswith(("reaches", "returns"))
    }
    return (f"vents.{name}" for name, vent in table.vents.items() if vent.signal in arriving)


def scenarios(scenes: Scenes, strength: int) -> Iterator[Scenario]:
    """Yield every story that is drafted."""
    for name in scenes.table.overrides:
        yield from alone(scenes, name)
    yield from too_short(scenes)
    yield from mishaps(scenes)
    yield from silences(scenes)
    for length in range(2, strength + 1):
        yield from orders(scenes, length)
    yield from combined(scenes, strength)
