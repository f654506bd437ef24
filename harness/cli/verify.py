"""`ventproof verify`: is a log whole and unchanged, and how did its run end?"""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli import EXIT_BENCH, EXIT_PASS


@click.command("verify")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
def command(logs: tuple[Path, ...]) -> int:
    """Check the hash chain of LOGS (files or folders).

    \b
    Exit code 0: every chain is intact and every run complete, whatever its verdict.
              4: a run was aborted, or a chain is broken.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from harness.cli.options import log_paths  # noqa: PLC0415 - with the slow import below
    from harness.record.read import read_log  # noqa: PLC0415 - only this command needs it

    worst = EXIT_PASS
    for path in log_paths(logs):
        state = read_log(path)
        if state.broken_at is not None:
            click.echo(
                f"{path}:{state.broken_at}: broken: {state.reason}; {state.lines} lines before it are intact"
            )
            worst = EXIT_BENCH
        elif not state.closed:
            click.echo(
                f"{path}: intact as far as it goes ({state.lines} lines), but its closing line is missing: "
                f"the run died or the log was cut; it counts as aborted, digest {state.digest}"
            )
            worst = EXIT_BENCH
        else:
            click.echo(f"{path}: intact, {state.lines} lines, {state.outcome}, digest {state.digest}")
            worst = max(worst, EXIT_BENCH if state.outcome == "aborted" else EXIT_PASS)
    return worst
