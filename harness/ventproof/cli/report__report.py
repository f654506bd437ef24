"""`ventproof report`: what logs tell, as a page or a document for people, or as a file for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli import options


@click.command("report")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--out",
    "outs",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The report to write; one that stands there is replaced. FILE.html and FILE.pdf are for people; FILE.xml "
    "(JUnit), FILE.md (a summary for a pull request) and FILE.json (`ventproof schema results`) are for CI. May be "
    "given more than once.",
)
def report(logs: tuple[Path, ...], outs: tuple[Path, ...]) -> int:
    """Make a report of LOGS (files or folders): of runs, and of the self-checks that stand behind them.

    Everything is made from the logs alone. Each chain is checked, each run is judged again, and every report says so
    loudly where that does not bear out what a log says. A file that is no log is named as missing; the rest is told.

    \b
    Exit code 0: the report is written and every log is believed, whatever the verdicts.
              3: a file is no log, or no report can be written.
              4: a log is contradicted by its own evidence, was changed, or cannot be judged again.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from harness.cli.reporting import check_names, module_for, write  # noqa: PLC0415
    from harness.record.crew import call_up  # noqa: PLC0415

    check_names(outs)
    paths = options.log_paths(logs)
    call_up(len(paths), module_for(outs[0]))
    return max(write(out, paths) for out in outs)
