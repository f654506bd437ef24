"""What logs tell."""

from __future__ import annotations

import os
import shlex
from contextlib import contextmanager
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import options
from ventproof.cli.suite import ONLY, TAG, Selection, chosen_logs
from ventproof.verdict.finding import EXIT_BENCH, EXIT_INCONCLUSIVE, EXIT_INPUT, EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem, VentproofError
from ventproof_bench.base.files import require_writable, whole_file
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
    from pathlib import Path

    from ventproof.history.store import History
    from ventproof.papers.fingerprint import SettingsBefore
    from ventproof.rejudge.batch import Batch, Told
    from ventproof.report.build import Beside
    from ventproof.report.model import ReportedCover
    from ventproof.runset.present import Choice


ENDINGS: Final = (".xml", ".md", ".json")
"""Endings of the files that CI servers and other programs read: JUnit XML, a Markdown summary, results as JSON."""


def made_for(ending: str, batch: Batch) -> str:
    """Return the output for one of `ENDINGS`."""
    match ending:
        case ".xml":
            from ventproof.export.junit import junit as make  # noqa: PLC0415 - only what is asked for
        case ".md":
            from ventproof.export.markdown import markdown as make  # noqa: PLC0415
        case ".json":
            from ventproof.export.results import results_json as make  # noqa: PLC0415 - pydantic is slow
        case _:
            raise AssertionError(f"{ending} is none of {ENDINGS}")
    return make(batch)


def write_output(path: Path, batch: Batch) -> None:
    """Write the output that a file's ending asks for, in place of one that stands there.

    The file is there as a whole or, if anything fails, as it was.

    Raises:
        FileError: it cannot be written.
    """
    text = made_for(path.suffix.lower(), batch)
    with whole_file(path) as file:
        file.write(text.encode())


_FOR_PEOPLE: Final = (".html", ".pdf")
_FOR_PROGRAMS: Final = (".xml", ".md", ".json")


def check_names(outs: Sequence[Path]) -> None:
    """Refuse files whose ending asks for nothing that can be made, or that cannot be written, before all else.

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
    for out in outs:
        require_writable(out)


def _named(_ctx: click.Context, _option: click.Parameter, reports: tuple[Path, ...]) -> tuple[Path, ...]:
    """Refuse what cannot be written."""
    check_names(reports)
    return reports


REPORTS: Final = click.option(
    "--report",
    "reports",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    callback=_named,
    help="Also write a report of all runs, as `ventproof report` does. The file ending selects "
    "the kind (.html, .pdf, .xml, .md, .json). May be given more than once.",
)


def module_for(out: Path) -> str:
    """Return the module that works on the logs of a report."""
    people = out.suffix.lower() in _FOR_PEOPLE
    return "ventproof.report.build" if people else "ventproof.rejudge.batch"


def write(
    out: Path,
    logs: Sequence[Path],
    choice: Choice,
    judged: Callable[[], Batch],
    *,
    complete: bool = False,
    beside: Beside | None = None,
    warns: bool = True,
) -> int:
    """Write one report of some logs and say what it says.

    Every kind judges each run again, and stands or falls by the same words.

    Args:
        out: the file; its name was checked.
        logs: of runs.
        choice: how they came to be looked at together.
        judged: returns the runs, as `judging` says, to whichever reports for programs ask.
        complete: draw every response.
        beside: what a report for people holds besides the logs; None: nothing.
        warns: say what is to be said of waivers.

    Returns:
        The exit code: 0 whatever the verdicts; otherwise for logs that are none, or that are not believed.

    Raises:
        FileError: no log is of a run, or the file cannot be written.
    """
    if out.suffix.lower() in _FOR_PEOPLE:
        from ventproof.draft.traceability import table_section  # noqa: PLC0415 - only what is asked for is loaded
        from ventproof.report.write import write_report  # noqa: PLC0415 - as above

        with judging_told() as told:
            made = partial(write_report, logs, out, choice, table_section, told=told)
            cover = made(complete=complete, beside=beside).cover
        click.echo(harmless(f"{out}: {cover.standing}: {cover.title}. {cover.says}"))
        for alarm in cover.alarms:
            click.echo(harmless(options.as_named(f"! {alarm}")))
        for warning in cover.paper.of_waivers if warns else ():
            click.echo(harmless(f"warning: {warning}"), err=True)
        return code_of_cover(cover)
    batch = judged()
    write_output(out, batch)
    click.echo(harmless(f"{out}: {batch.standing}: {batch.counted}"))
    for alarm in batch.alarms:
        click.echo(harmless(f"! {alarm}"))
    lost = ("unreadable" for _ in batch.lost)
    return code_of_standings([batch.whole.standing, *(logged.standing for logged in batch.runs), *lost])


@contextmanager
def judging_told() -> Iterator[Told]:
    """Give what takes how many logs were judged, and shows it to whoever waits."""
    from ventproof.terminal.progress import pace, telling  # noqa: PLC0415 - slow
    from ventproof_bench.base.clock import Stopwatch  # noqa: PLC0415 - as above

    watch = Stopwatch()
    with telling(watch.gone_s) as tell:
        yield lambda done, of: tell(pace(done, of, watch.gone_s(), each="logs judged"))


def judging(logs: Sequence[Path], choice: Choice) -> Callable[[], Batch]:
    """Return what judges the runs of some logs again when it is asked first, and returns the same from then on."""

    def judged() -> Batch:
        from ventproof.rejudge.batch import judged_batch  # noqa: PLC0415 - as above

        with judging_told() as told:
            return _as_named(judged_batch(logs, choice, told))

    return cache(judged)


def _as_named(batch: Batch) -> Batch:
    """Return runs with the logs of bundles named as they are there."""
    runs = tuple(replace(one, log=options.as_named(one.log)) for one in batch.runs)
    return replace(
        batch, runs=runs, lost=tuple(replace(one, log=options.as_named(one.log)) for one in batch.lost)
    )


def code_of_cover(cover: ReportedCover) -> int:
    """Return the exit code for a report of which this is the first page."""
    return code_of_standings([cover.of_set, *(entry.standing for entry in cover.entries)])


def code_of_standings(standings: Iterable[str]) -> int:
    """Return the exit code for how logs stand.

    It is 0 whatever the verdicts, as long as every log is one and is believed, and none that was planned is missing.
    """
    from ventproof.rejudge.standing import BELIEVED, INCOMPLETE  # noqa: PLC0415 - as above

    found = set(standings) - {*BELIEVED, ""}
    if found - {"unreadable", INCOMPLETE}:
        return EXIT_BENCH
    if "unreadable" in found:
        return EXIT_INPUT
    return EXIT_INCONCLUSIVE if found else EXIT_PASS


def write_all(
    outs: Iterable[Path], logs: Sequence[Path], choice: Choice | None = None, *, warns: bool = False
) -> bool:
    """Write the reports that a run was asked for; what cannot be written is told, since the logs stand.

    Args:
        outs: the files; their names were checked.
        logs: of the runs.
        choice: how they came to be looked at; None: the command left them.
        warns: say what is to be said of waivers, since the command itself does not.

    Returns:
        Whether all were written, and believe every log.
    """
    from ventproof.runset.present import Choice  # noqa: PLC0415 - as above

    written, choice = True, choice or Choice.OWN
    judged = judging(logs, choice)
    for out in outs:
        try:
            written = (
                write(out, logs, choice, judged, warns=warns) in {EXIT_PASS, EXIT_INCONCLUSIVE} and written
            )
        except VentproofError as error:
            written = False
            above = os.path.commonpath([log.parent for log in logs]) if len(logs) > 1 else logs[0]
            again = shlex.join(["ventproof", "report", str(above), "-o", out.name])
            said = f"REPORT NOT WRITTEN: {error}\nThe logs hold everything: {again}"
            click.echo(harmless(said), err=True)
    return written


@click.command("report")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--out",
    "outs",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="Report to write. Overwrites an existing file. FILE.html and FILE.pdf are for people; of more than 12 runs "
    "FILE.html is the first page, and each run has a page in the folder FILE-runs, which is replaced. "
    "FILE.xml (JUnit), FILE.md (summary for a pull request) and FILE.json (`ventproof "
    "schema results`) are for CI. May be given more than once.",
)
@click.option(
    "--complete",
    is_flag=True,
    help="Draw every response. Without this a passed profile has one page in a PDF, and the pages of more than 12 runs "
    "draw only what did not pass.",
)
@click.option(
    "--history",
    default="",
    metavar="FILE|URL",
    help="Show the verdicts of earlier firmware versions of each profile, from this history, on the HTML page, and "
    "what changed in the settings of the unit since its last run.",
)
@options.WAIVERS
@ONLY
@TAG
def report(
    logs: tuple[Path, ...],
    outs: tuple[Path, ...],
    history: str,
    waivers: Path | None,
    only: tuple[str, ...],
    tags: tuple[str, ...],
    *,
    complete: bool,
) -> int:
    """Write a report of LOGS (files, folders or bundles): of runs and of their self-checks.

    The report uses the logs alone; `--history` adds earlier verdicts. `--waivers` shows known fails in FILE.html and
    FILE.pdf as accepted deviations, which are not passes; without it the waivers that `run` was given count. Each hash
    chain is checked and each run is judged again. Contradictions stand at the top. Files that are not logs, and planned
    runs without a log, are listed as missing.

    \b
    Exit code 0: the report is written and every log is confirmed, whatever the verdicts.
              2: the same, but planned runs are missing.
              3: a file is not a log, or the report cannot be written.
              4: a log contradicts its own evidence, was changed, or cannot be judged again.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.rejudge.batch import call_up  # noqa: PLC0415
    from ventproof.runset.present import Choice  # noqa: PLC0415

    check_names(outs)
    selection = Selection(only, tags)
    paths = chosen_logs(options.log_paths(logs, bundles=True), selection)
    call_up(len(paths), module_for(outs[0]))
    beside = _beside(history, waivers)
    choice = Choice.NAMED if selection.chooses else options.choice_of(logs)
    judged = judging(paths, choice)
    return max(write(out, paths, choice, judged, complete=complete, beside=beside) for out in outs)


def _beside(history: str, waivers: Path | None) -> Beside:
    """Return what a report for people holds besides its logs.

    Args:
        history: where the runs before are kept; empty: nowhere.
        waivers: the file that was given; None: each log's own counts.

    Raises:
        FileError: there is no such history, or a file is wrong.
    """
    from ventproof.papers.waivers import pinned_paper  # noqa: PLC0415
    from ventproof.report.build import Beside  # noqa: PLC0415
    from ventproof.report.papers import waiving_today  # noqa: PLC0415

    waiving = waiving_today(pinned_paper(options.waivers_of(waivers)))
    if not history:
        return Beside(waiving=waiving)
    from ventproof.history.database import place_of  # noqa: PLC0415 - SQLAlchemy is slow to import
    from ventproof.history.store import History, Wanted  # noqa: PLC0415
    from ventproof.history.trends import verdicts_by_version  # noqa: PLC0415

    kept = History(place_of(history))
    return Beside(
        verdicts_by_version(kept.entries(Wanted(forgotten=True), findings=False)),
        waiving,
        partial(_settings_before, kept),
    )


def _settings_before(
    history: History, unit: str, digests: Collection[str], first: dt.datetime | None
) -> SettingsBefore | None:
    """Return the settings that the last run of a unit before some of its runs found."""
    from ventproof.log.read import read_log  # noqa: PLC0415
    from ventproof.papers.fingerprint import SettingsBefore, settings_found  # noqa: PLC0415

    entry = history.last_before(unit, digests, first)
    if entry is None:
        return None
    log = history.file_of(entry.record.digest)
    run = f"firmware {entry.record.firmware or 'not stated'}, {entry.at:%Y-%m-%d}"
    return SettingsBefore(run, settings_found(read_log(log).rare) if log else None)
