"""The reports that commands write: which kinds a file's name can ask for, and what is told of each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from bench.errors import FileError, Problem, VentproofError
from bench.stated import harmless
from harness.judge.verdict import EXIT_BENCH, EXIT_INPUT, EXIT_PASS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_FOR_PEOPLE: Final = (".html", ".pdf")
_FOR_PROGRAMS: Final = (".xml", ".md", ".json")


def check_names(outs: Iterable[Path]) -> None:
    """Refuse files whose ending asks for nothing that can be made, before anything is switched.

    Raises:
        FileError: for each of them.
    """
    known = (*_FOR_PEOPLE, *_FOR_PROGRAMS)
    hint = f"end its name in {', '.join(known[:-1])} or {known[-1]}"
    problems = [
        Problem(
            str(out), None, None, f"no report can be made as {out.suffix or 'a file without an ending'}", hint
        )
        for out in outs
        if out.suffix.lower() not in known
    ]
    if problems:
        raise FileError(problems)


def module_for(out: Path) -> str:
    """Return the module that works on the logs of a report."""
    people = out.suffix.lower() in _FOR_PEOPLE
    return "harness.record.report.build" if people else "harness.record.judged"


def write(out: Path, logs: Sequence[Path], not_run: Sequence[str] = ()) -> int:
    """Write one report of some logs and say what it says.

    Every kind judges each run again, and stands or falls by the same words.

    Args:
        out: the file; its name was checked.
        logs: of runs.
        not_run: names of profiles that were to be run and were not.

    Returns:
        The exit code: 0 whatever the verdicts; otherwise for logs that are none, or that are not believed.

    Raises:
        FileError: no log is of a run, or the file cannot be written.
    """
    if out.suffix.lower() in _FOR_PEOPLE:
        from harness.prove.annex import table_section  # noqa: PLC0415 - only what is asked for is loaded
        from harness.record.report.write import write_report  # noqa: PLC0415 - as above

        report = write_report(logs, out, not_run, table_section)
        click.echo(harmless(f"{out}: {report.cover.standing}: {report.cover.title}. {report.cover.says}"))
        for alarm in report.cover.alarms:
            click.echo(harmless(f"! {alarm}"))
        return code_of_standings(entry.standing for entry in report.cover.entries)
    from harness.record.judged import judged_batch  # noqa: PLC0415 - as above
    from harness.record.outputs.files import write_output  # noqa: PLC0415

    batch = judged_batch(logs, not_run)
    write_output(out, batch)
    click.echo(harmless(f"{out}: {batch.standing}: {batch.counted}"))
    for alarm in batch.alarms:
        click.echo(harmless(f"! {alarm}"))
    return code_of_standings(
        [*(logged.standing for logged in batch.runs), *("unreadable" for _ in batch.lost)]
    )


def code_of_standings(standings: Iterable[str]) -> int:
    """Return the exit code for how logs stand: 0 whatever the verdicts, as long as every log is one and is believed."""
    from harness.record.standing import BELIEVED  # noqa: PLC0415 - as above

    found = set(standings) - set(BELIEVED)
    if found - {"unreadable"}:
        return EXIT_BENCH
    return EXIT_INPUT if found else EXIT_PASS


def write_all(outs: Iterable[Path], logs: Sequence[Path], not_run: Sequence[str]) -> bool:
    """Write the reports that a run was asked for; what cannot be written is told, since the logs stand.

    Returns:
        Whether all were written, and believe every log.
    """
    written = True
    for out in outs:
        try:
            written = write(out, logs, not_run) == EXIT_PASS and written
        except VentproofError as error:
            written = False
            click.echo(f"REPORT NOT WRITTEN: {error}\nThe logs hold everything: ventproof report", err=True)
    return written
