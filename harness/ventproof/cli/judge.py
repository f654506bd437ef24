"""Again; its figures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.case.case import Result
from ventproof.case.invariants import InvariantItem
from ventproof.case.items import START
from ventproof.cli import options
from ventproof.figures.decided_run import DecidedRun
from ventproof.figures.response_figure import every_drawable, response_figure
from ventproof.figures.run_figure import run_figure
from ventproof.profile.check_responses import ALWAYS_KINDS, kind_of
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import write_whole

if TYPE_CHECKING:
    from ventproof_bench.base.errors import Problem


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
        demands = result.invariant.model_dump(include=set(ALWAYS_KINDS), exclude_none=True)
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
            write_whole(folder / name, svg)
        for name, own in present.items():
            if own and name not in made:
                (folder / name).unlink()
    except OSError as error:
        raise FileError(
            [Problem(str(folder), None, None, f"cannot write the figures: {error.strerror}")]
        ) from error
    return len(made)


@click.command("judge")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    help="Judge with this edited profile. Its stimuli must equal those of the log.",
)
@click.option(
    "--figures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write a figure (SVG) of the run and of each response into this folder. Overwrites "
    "figures of the same log only.",
)
@options.ANY_PATH
def judge(log: Path, profile: Path | None, figures: Path | None, any_path: bool) -> int:
    """Judge LOG again from its evidence, and show which verdicts change."""
    from ventproof.log.read import read_log  # noqa: PLC0415
    from ventproof.profile.load import load_profile  # noqa: PLC0415 - pydantic is slow to import
    from ventproof.rejudge.again import decide_again  # noqa: PLC0415
    from ventproof.terminal.findings import show_decided  # noqa: PLC0415
    from ventproof.verdict.finding import EXIT_BENCH, code_of  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError  # noqa: PLC0415 - kept with the slow imports below

    if log.is_dir():
        raise FileError([_not_one(log)])
    state = read_log(log)
    edited = options.warned(load_profile(profile, any_path=any_path)) if profile else None
    decided = decide_again(state, edited)
    show_decided(str(log), state, decided)
    if figures is not None:
        from ventproof.figures.decided_run import decided_run  # noqa: PLC0415 - only where figures are asked for

        written = write_figures(decided_run(state, edited), figures)
        click.echo(f"{written} figures in {figures}")
    return EXIT_BENCH if decided.verdict is None else code_of([decided.verdict])


def _not_one(folder: Path) -> Problem:
    """Say what a folder is not, and what to do with the logs in it."""
    from ventproof.log.names import logs_in  # noqa: PLC0415 - only on the way out
    from ventproof_bench.base.errors import Problem  # noqa: PLC0415

    every = f"`ventproof report {folder} -o FILE` decides all of its logs again"
    log = next(iter(logs_in(folder)), None)
    hint = f"name one log, such as {log}; {every}" if log else "name a log, a file that ends in .jsonl"
    return Problem(str(folder), None, None, "this is a folder", hint)
