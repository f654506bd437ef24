"""`ventproof judge`: decide again from a log, without a bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bench.errors import Problem


@click.command("judge")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    help="Decide with this edited profile; its stimuli must be those of the log.",
)
@click.option(
    "--figures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write a figure (SVG) of the run and of each response into this folder. Figures of the same log are "
    "replaced, other files never.",
)
def judge(log: Path, profile: Path | None, figures: Path | None) -> int:
    """Decide again from LOG's evidence, and say what changed against the verdicts that it holds."""
    from bench.errors import FileError  # noqa: PLC0415 - kept with the slow imports below
    from harness.cli.summary import show_decided  # noqa: PLC0415
    from harness.judge.verdict import EXIT_BENCH, code_of  # noqa: PLC0415
    from harness.profile.load import load_profile  # noqa: PLC0415 - pydantic is slow to import
    from harness.record.again import decide_again  # noqa: PLC0415
    from harness.record.read import read_log  # noqa: PLC0415

    if log.is_dir():
        raise FileError([_not_one(log)])
    state = read_log(log)
    edited = load_profile(profile) if profile else None
    decided = decide_again(state, edited)
    show_decided(str(log), state, decided)
    if figures is not None:
        from harness.record.evidence import decided_run  # noqa: PLC0415 - only where figures are asked for
        from harness.record.figurefiles import write_figures  # noqa: PLC0415

        written = write_figures(decided_run(state, edited), figures)
        click.echo(f"{written} figures in {figures}")
    return EXIT_BENCH if decided.verdict is None else code_of([decided.verdict])


def _not_one(folder: Path) -> Problem:
    """Say what a folder is not, and what to do with the logs in it."""
    from bench.errors import Problem  # noqa: PLC0415 - only on the way out

    every = f"`ventproof report {folder} -o FILE` decides all of its logs again"
    log = next(iter(sorted(folder.glob("*.jsonl"))), None)
    hint = f"name one log, such as {log}; {every}" if log else "name a log, a file that ends in .jsonl"
    return Problem(str(folder), None, None, "this is a folder", hint)
