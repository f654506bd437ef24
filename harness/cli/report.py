"""`ventproof report`: what logs tell, as a page or a document for people."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("report")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The report to write, FILE.html or FILE.pdf. One that stands there is replaced.",
)
def command(logs: tuple[Path, ...], out: Path) -> int:
    """Make a report of LOGS (files or folders): of runs, and of the self-checks that stand behind them.

    Everything is made from the logs alone. Each chain is checked and each run is judged again; the report says so
    loudly where that does not bear out what a log says.

    \b
    Exit code 0: the report is written, whatever the verdicts.
              3: a log is wrong, or the report cannot be written.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from harness.cli.options import log_paths  # noqa: PLC0415 - with the slow import below
    from harness.record.report.write import write_report  # noqa: PLC0415 - only this command needs it

    report = write_report(log_paths(logs), out)
    click.echo(f"{out}: {report.cover.standing}: {report.cover.title}. {report.cover.says}")
    for alarm in report.cover.alarms:
        click.echo(f"! {alarm}")
    return 0
