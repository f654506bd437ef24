"""Run and suite."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import HISTORY_VARIABLE, options
from ventproof.cli.options import code_of_series, view_for
from ventproof.cli.report import write_all
from ventproof.session.planned import PlannedRuns
from ventproof.terminal.console import progress
from ventproof.terminal.findings import show
from ventproof.verdict.finding import EXIT_BENCH, EXIT_PASS
from ventproof_bench.base.errors import VentproofError
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    from pathlib import Path

    from ventproof.profile.model import Profile
    from ventproof.session.repeats import RepeatPlan, RepeatSeries
    from ventproof.session.session import Session
    from ventproof_bench.yamlfile.load import Loaded


_LEFT_SHOWN: Final = 3


def run_suite(
    session: Session,
    suite: Sequence[Loaded[Profile]],
    plan: RepeatPlan,
    reports: Sequence[Path] = (),
    *,
    quiet: bool = False,
) -> int:
    """Run profiles, each as often as planned, show how they went, and return the exit code.

    Args:
        session: what stays the same for all of them.
        suite: the profiles.
        plan: how often to repeat each.
        reports: files to write of all that was run; each has an ending that was checked.
        quiet: show how the runs ended and what did not pass, and not every response.

    Raises:
        VentproofError: not even the first run came about.
    """
    try:
        return _run_suite(session, suite, plan, reports, quiet=quiet)
    finally:
        _tell_history(session)


def _tell_history(session: Session) -> None:
    """Say what is missing from the history; it changes no verdict and no exit code."""
    if session.keeper is not None and session.keeper.warning:
        click.echo(session.keeper.warning, err=True)


def _run_suite(
    session: Session,
    suite: Sequence[Loaded[Profile]],
    plan: RepeatPlan,
    reports: Sequence[Path],
    *,
    quiet: bool,
) -> int:
    done: list[RepeatSeries] = []
    runs = PlannedRuns(session, suite, plan)
    try:
        broken_off = _run_all(session, suite, runs, done, quiet=quiet)
    except BaseException as error:
        interrupted = isinstance(error, KeyboardInterrupt)
        _close(runs, "interrupted" if interrupted else str(error))
        if done and interrupted:
            show(done, session.selfcheck, virtual=session.bench.model.virtual, quiet=quiet)
            write_all(reports, runs.logs)
        raise
    closed = _close(runs, broken_off or done[-1].results[-1].outcome.aborted)
    if runs.not_run:
        click.echo(f"{runs.not_run} of {runs.plan.runs} planned runs not run")
    show(done, session.selfcheck, virtual=session.bench.model.virtual, quiet=quiet)
    if runs.manifest:
        click.echo(harmless(f"{runs.plan.runs} planned runs, manifest {runs.manifest}"))
    if broken_off:
        click.echo(harmless(f"broken off: {broken_off}"))
    if session.signing is not None:
        from ventproof.log.signing import fingerprint  # noqa: PLC0415 - slow, and only who signs needs it

        every = "every log and the manifest are" if runs.manifest else "every log is"
        click.echo(f"{every} signed, key {fingerprint(session.signing.public)}")
    left = [profile.model.profile for profile in suite[len(done) :]]
    for name in left[:_LEFT_SHOWN]:
        click.echo(f"not run: {name}")
    if more := len(left[_LEFT_SHOWN:]):
        click.echo(f"not run: {more} more")
    written = write_all(reports, runs.logs) and closed
    code = EXIT_BENCH if broken_off else code_of_series(done)
    return EXIT_BENCH if code == EXIT_PASS and not written else code


def _run_all(
    session: Session,
    suite: Sequence[Loaded[Profile]],
    runs: PlannedRuns,
    done: list[RepeatSeries],
    *,
    quiet: bool,
) -> str:
    """Run profiles into `done` until one has no verdict; return what broke the suite off, if something did."""
    view = view_for(session.bench, quiet=quiet)
    with progress(shown=session.bench.model.virtual) as tell:
        for number, profile in enumerate(suite):
            tell(f"{number + 1} of {len(suite)}: {profile.model.profile}")
            try:
                done.append(runs.repeat(number, view))
            except VentproofError as error:
                if not done:
                    raise
                return str(error)
            if done[-1].broken_off or done[-1].results[-1].outcome.verdict is None:
                return done[-1].broken_off
    return ""


def _close(runs: PlannedRuns, broken_off: str) -> bool:
    """Close the set of runs and return whether that was done; if not, it is told, since the logs stand."""
    try:
        runs.close(broken_off)
    except VentproofError as error:
        click.echo(f"MANIFEST NOT WRITTEN: {error}", err=True)
        return False
    return True


def _named(_ctx: click.Context, _option: click.Parameter, reports: tuple[Path, ...]) -> tuple[Path, ...]:
    """Refuse endings that no report has."""
    from ventproof.cli.report import check_names  # noqa: PLC0415 - with the slow imports

    check_names(reports)
    return reports


@click.command("run")
@click.argument("profiles", nargs=-1, required=True, type=click.Path(path_type=Path))
@options.BENCH
@options.UNIT
@options.FIRMWARE
@options.OPERATOR
@options.folder("--out", "records", "Folder for the logs.")
@click.option(
    "--repeat",
    type=click.IntRange(1),
    metavar="N",
    help="Run every profile this often and say what that proves.  [default: 1]",
)
@click.option(
    "--prove",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    metavar="PERCENT",
    help="Repeat until it is proved, or refuted, that the unit passes at least PERCENT of the time.",
)
@click.option(
    "--confidence",
    default=95.0,
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    metavar="PERCENT",
    help="Confidence of what repeats prove.",
    show_default=True,
)
@options.seed(options.VIRTUAL)
@options.USE
@click.option(
    "--selfcheck",
    type=click.Path(path_type=Path),
    help="Log of this bench's self-check; the record names it.",
)
@click.option(
    "--table",
    type=click.Path(path_type=Path),
    help="The override table that the unit is held to; the record has it as an annex.",
)
@click.option(
    "--sign",
    type=click.Path(path_type=Path),
    metavar="KEYFILE",
    help="Sign every log with this private key, in the operator's name; `ventproof key` makes one.",
)
@click.option(
    "--history",
    envvar=HISTORY_VARIABLE,
    show_envvar=True,
    metavar="FILE|URL|none",
    help="Enter every run here when it ends: an SQLite file, or postgresql://user@host/database.  "
    "[default: history.sqlite in the folder for the logs]",
)
@click.option(
    "--report",
    "reports",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    callback=_named,
    help="Also write a report of all runs, as `ventproof report` does; the ending says which kind (.html, .pdf, .xml, "
    ".md, .json). May be given more than once.",
)
@click.option(
    "--quiet",
    "-q",
    is_flag=True,
    help="Show how each run ended and the worst of what did not pass, and not every response.",
)
@options.CLEAR
def run(
    profiles: tuple[Path, ...],
    bench: Path,
    unit: str,
    firmware: str,
    operator: str,
    out: Path,
    repeat: int | None,
    prove: float | None,
    confidence: float,
    seed: int,
    use: tuple[str, ...],
    selfcheck: Path | None,
    table: Path | None,
    sign: Path | None,
    history: str | None,
    reports: tuple[Path, ...],
    quiet: bool,
    clear: bool,
) -> int:
    """Run PROFILES (files or folders) on a bench, a log each. Nothing is switched before every file is right."""
    from ventproof.cli.sign import signing_key  # noqa: PLC0415
    from ventproof.history.enter import keeper_of  # noqa: PLC0415
    from ventproof.session.repeats import repeats_for  # noqa: PLC0415
    from ventproof.session.selfcheck import pinned  # noqa: PLC0415
    from ventproof.session.session import Session, use_pairs  # noqa: PLC0415
    from ventproof.table.load import fitting_table  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - pydantic is slow to import

    loaded = load_bench(bench)
    session = Session(
        bench=loaded,
        out=out,
        unit=unit,
        firmware=firmware,
        operator=operator,
        seed=seed,
        use=use_pairs(use),
        selfcheck=pinned(selfcheck, loaded) if selfcheck else None,
        table=fitting_table(table, loaded) if table else None,
        signing=signing_key(sign) if sign else None,
        keeper=keeper_of(history, out),
        desks=options.desks_for(loaded),
    )
    suite = options.load_suite(profiles, session)
    options.confirm_clear(loaded, clear=clear)
    return run_suite(session, suite, repeats_for(repeat, prove, confidence), reports, quiet=quiet)
