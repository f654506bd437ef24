"""Writes a log's figures into a folder, and nothing over files that are not its own."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from bench.errors import FileError, Problem
from harness.profile.responses import kind_of
from harness.record.evidence import DecidedRun
from harness.record.figure import every_drawable, response_figure
from harness.record.overview import run_figure
from harness.run.case import Result
from harness.run.invariants import InvariantItem
from harness.run.items import START

_HEAD: Final = 400
"""A figure names its log within so many bytes."""


def figures(run: DecidedRun) -> dict[str, str]:
    """Return the SVG of every figure of a log by file name: `run.svg`, `1-0-roof_vent-reaches.svg`, `always-0-….svg`.

    Step and number are those of the log's findings. A response that the run never came to has no figure.
    """
    made = {"run.svg": run_figure(run)}
    for result in every_drawable(run):
        made[file_name(run, result)] = response_figure(run, result)
    return made


def file_name(run: DecidedRun, result: Result) -> str:
    """Return what the figure of a response is called."""
    if isinstance(result, InvariantItem):
        demands = result.invariant.model_dump(
            include={"stays", "stays_above", "stays_below"}, exclude_none=True
        )
        return f"always-{result.number}-{result.signal}-{'-'.join(demands)}.svg"
    profile = run.case.profile
    expected = profile.start.until if result.step == START else profile.steps[result.step - 1].expect
    return f"{result.step}-{result.number}-{result.signal}-{kind_of(expected[result.number])}.svg"


def write_figures(run: DecidedRun, folder: Path) -> int:
    """Write a log's figures; return how many.

    Figures that were made of this log before are replaced, and those of them that are not made any more are removed.
    Every other file stays.

    Raises:
        FileError: a file of one of the names is not a figure of this log (nothing was written), or the disk refuses.
    """
    made = figures(run)
    mark = f'data-ventproof-log="{run.digest}"'.encode()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        present = {path.name: mark in path.read_bytes()[:_HEAD] for path in sorted(folder.glob("*.svg"))}
        strange = [name for name in made if not present.get(name, True)]
        if strange:
            raise FileError(
                [
                    Problem(
                        str(folder / name), None, None, "is not a figure of this log", "name another folder"
                    )
                    for name in strange
                ]
            )
        for name, svg in made.items():
            (folder / name).write_text(svg, encoding="utf-8")
        for name, own in present.items():
            if own and name not in made:
                (folder / name).unlink()
    except OSError as error:
        raise FileError(
            [Problem(str(folder), None, None, f"cannot write the figures: {error.strerror}")]
        ) from error
    return len(made)
