"""Run and suite."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ventproof.cli import options
from ventproof.cli.options import code_of_series, view_for
from ventproof.cli.page import PageAsked, live_page, with_page
from ventproof.cli.report import REPORTS, write_all
from ventproof.cli.suite import ONLY, TAG, VALUES, Selection, load_suite, tell_given
from ventproof.session.planned import PlannedRuns
from ventproof.terminal.findings import show
from ventproof.terminal.progress import progress
from ventproof.verdict.finding import EXIT_BENCH, EXIT_PASS
from ventproof_bench.base.clock import local_now
from ventproof_bench.base.errors import VentproofError
from ventproof_bench.base.text import harmless, number_of

if TYPE_CHECKING:
    import datetime as dt
    from pathlib import Path

    from ventproof.page.process import LivePage
    from ventproof.profile.model import Profile
    from ventproof.session.repeats import RepeatPlan, RepeatSeries
    from ventproof.session.resume import Resumed
    from ventproof.session.session import Session
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


_LEFT_SHOWN: Final = 3


def run_suite(
    session: Session,
    suite: Sequence[Loaded[Profile]],
    plan: RepeatPlan,
    reports: Sequence[Path] = (),
    *,
    quiet: bool = False,
    going_on: Resumed | None = None,
) -> int:
    """Run profiles, each as often as planned, show how they went, and return the exit code.

    Args:
        session: what stays the same for all of them.
        suite: the profiles.
        plan: how often to repeat each.
        reports: files to write of all that was run; each has an ending that was checked.
        quiet: show how the runs ended and what did not pass, and not every response.
        going_on: what is left of the plan, where one is taken up again.

    Raises:
        VentproofError: not even the first run came about.
    """
    try:
        return _run_suite(session, PlannedRuns(session, suite, plan, going_on), suite, reports, quiet=quiet)
    finally:
        _tell_history(session)


def _tell_history(session: Session) -> None:
    """Say what is missing from the history, and which relays are worn; it changes no verdict and no exit code."""
    if session.ledger is not None and not session.bench.model.virtual:
        from ventproof.run.limits import worn  # noqa: PLC0415 - slow, and only on wires
        from ventproof_bench.outputs.wear import operations_in  # noqa: PLC0415 - as above

        for line in worn(session.bench.model, operations_in(session.ledger)):
            click.echo(harmless(f"warning: {line}"), err=True)
    if session.keeper is not None and session.keeper.warning:
        click.echo(session.keeper.warning, err=True)


def _run_suite(
    session: Session,
    runs: PlannedRuns,
    suite: Sequence[Loaded[Profile]],
    reports: Sequence[Path],
    *,
    quiet: bool,
) -> int:
    done: list[RepeatSeries] = []
    today = local_now().date()
    try:
        with runs.shared():
            broken_off = _run_all(session, suite, runs, done, quiet=quiet)
    except BaseException as error:
        interrupted = isinstance(error, KeyboardInterrupt)
        _close(runs, "interrupted" if interrupted else str(error))
        if done and interrupted:
            show(done, session.selfcheck, virtual=session.bench.model.virtual, quiet=quiet)
            write_all(reports, runs.logs)
        if interrupted and runs.logs and options.of_rack() is None:
            onward = f"ventproof run --resume {runs.manifest or runs.logs[-1]} PROFILES --bench FILE"
            raise KeyboardInterrupt(f"{str(error) or 'interrupted'}\nto go on: {onward}") from None
        raise
    closed = _close(runs, broken_off)
    if session.signing is not None:
        from ventproof.log.signing import fingerprint  # noqa: PLC0415 - slow, and only who signs needs it

        every = "every log and the manifest are" if runs.manifest else "every log is"
        click.echo(f"{every} signed, key {fingerprint(session.signing.public)}")
    if runs.manifest:
        click.echo(harmless(f"{runs.plan.runs} planned runs, manifest {runs.manifest}"))
    if runs.not_run:
        click.echo(f"{runs.not_run} of {runs.plan.runs} planned runs not run")
    show(done, session.selfcheck, virtual=session.bench.model.virtual, quiet=quiet)
    if broken_off:
        click.echo(harmless(f"aborted: {broken_off}"))
    left = [profile.model.profile for profile in suite[len(done) :]]
    for name in left[:_LEFT_SHOWN]:
        click.echo(f"not run: {name}")
    if more := len(left[_LEFT_SHOWN:]):
        click.echo(f"not run: {more} more")
    written = write_all(reports, runs.logs) and closed
    code = _code(session, suite, done, today)
    code = EXIT_BENCH if broken_off else code
    return EXIT_BENCH if code == EXIT_PASS and not written else code


def _code(
    session: Session, suite: Sequence[Loaded[Profile]], done: Sequence[RepeatSeries], today: dt.date
) -> int:
    """Return the exit code for what was run, and say which fails waivers accept."""
    if session.waivers is None:
        return code_of_series(done)
    from ventproof.session.waived import WaivedRuns, waivable  # noqa: PLC0415

    its = WaivedRuns(session.waivers.model.waivers)
    ended = []
    for profile, series in zip(suite, done, strict=False):
        run = waivable(profile.model, session.unit, session.firmware, today)
        ended += [its.take(result.profile, run, result.findings) for result in series.results]
    options.tell_waived(its)
    return options.code_of_waived(done, ended)


def _run_all(
    session: Session,
    suite: Sequence[Loaded[Profile]],
    runs: PlannedRuns,
    done: list[RepeatSeries],
    *,
    quiet: bool,
) -> str:
    """Run profiles into `done`, on past those that are aborted; return what broke the suite off, if something did."""
    view = view_for(session.bench, suite, runs.plan.repeats, quiet=quiet)
    with progress(shown=session.bench.model.virtual and options.of_rack() is None) as tell:
        for number, profile in enumerate(suite):
            tell(profile.model.profile, number, len(suite))
            try:
                done.append(runs.repeat(number, view))
            except VentproofError as error:
                if not done:
                    raise
                return str(error)
            broken_off = done[-1].broken_off or (runs.ended if number + 1 < len(suite) else "")
            if broken_off:
                return broken_off
    return ""


def _close(runs: PlannedRuns, broken_off: str) -> bool:
    """Close the set of runs and return whether that was done; if not, it is told, since the logs stand."""
    try:
        runs.close(broken_off)
    except VentproofError as error:
        click.echo(f"MANIFEST NOT WRITTEN: {error}", err=True)
        return False
    return True


def _watched(session: Session, suite: Sequence[Loaded[Profile]], live: LivePage | None) -> Session:
    """Return the session with a page that follows its runs, and told how long they take."""
    from ventproof.profile.duration import longest_s  # noqa: PLC0415 - with the slow imports

    if live is None:
        return session
    live.tell(longest_s=[longest_s(profile.model) for profile in suite])
    return replace(session, follow=live.opened, desks=(*session.desks, live))


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
    help="Run each profile N times and state what this proves.  [default: 1]",
)
@click.option(
    "--success-ratio",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    metavar="PERCENT",
    help="Repeat until it is proved or refuted that at least PERCENT of the runs pass.",
)
@click.option(
    "--confidence",
    default=95.0,
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    metavar="PERCENT",
    help="Confidence level of what repeats prove.",
    show_default=True,
)
@options.seed(options.VIRTUAL)
@options.faults("Give the mock unit a fault; `ventproof explain faults` lists them.")
@options.USE
@ONLY
@TAG
@VALUES
@options.ANY_PATH
@click.option(
    "--selfcheck",
    type=click.Path(path_type=Path),
    help="Log of this bench's self-check, to name in the record.",
)
@click.option(
    "--table",
    type=click.Path(path_type=Path),
    help="Override table to attach to the log.",
)
@click.option(
    "--acceptance",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Data of the acceptance test for the record and the report: document, order, customer, site, hardware, "
    "ambient conditions, witness. `ventproof explain acceptance` shows such a file.",
)
@options.WAIVERS
@options.SIGN
@options.HISTORY
@REPORTS
@click.option(
    "--quiet",
    "-q",
    is_flag=True,
    help="Show only the verdict of each run and the worst response that did not pass.",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Continue an interrupted plan: folder of its logs, or its manifest. PROFILES, bench, "
    "unit and firmware must be unchanged. Runs with a verdict are kept. Runs without one "
    "are repeated and stay on record.",
)
@options.SAVE_SETTLING
@click.option(
    "--dry-run",
    is_flag=True,
    help="Show each switching operation with its time. Drives nothing and opens no port or host.",
)
@options.CLEAR
@with_page
def run(
    profiles: tuple[Path, ...],
    bench: Path,
    only: tuple[str, ...],
    tags: tuple[str, ...],
    values: tuple[str, ...],
    any_path: bool,
    faults: tuple[str, ...],
    repeat: int | None,
    success_ratio: float | None,
    confidence: float,
    reports: tuple[Path, ...],
    quiet: bool,
    resume: Path | None,
    save_settling: bool,
    dry_run: bool,
    clear: bool,
    page: PageAsked,
    **stated: Any,  # noqa: ANN401 - the options that `session_of` names
) -> int:
    """Run PROFILES (files or folders) on a bench, one log each. Nothing is switched until all files are correct."""
    from ventproof.profile.duration import saving_order  # noqa: PLC0415 - pydantic is slow to import
    from ventproof.session.onward import probed  # noqa: PLC0415
    from ventproof.session.repeats import repeats_for, repeats_of  # noqa: PLC0415
    from ventproof.session.resume import in_plan, resumed  # noqa: PLC0415

    loaded = options.with_faults(options.bench_at(bench), faults)
    going_on = resumed(options.only_resumed(resume)) if resume else None
    session = session_of(loaded, going_on, page=page.page, **stated)
    selection = Selection(only, tags, values, any_path)
    suite = _suite(profiles, session, selection, repeat or 1, alone=dry_run or page.page)
    if save_settling:
        suite = [suite[place] for place in saving_order([profile.model for profile in suite])]
    plan = repeats_for(repeat, success_ratio, confidence)
    if going_on is not None:
        suite, others = in_plan(going_on, session, suite)
        plan = repeats_of(going_on.plan, confidence)
    if dry_run:
        return _show_dry(session, suite, plan)
    if going_on is not None:
        _take_up(going_on, others, session)
    _warn_of_hours(session, suite, plan)
    _warn_of_calibration(loaded)
    options.reserve(loaded)
    options.confirm_clear(loaded, clear=clear)
    probed(loaded)
    with live_page(page, list(loaded.model.people)) as live:
        watched = _watched(session, suite, live)
        return run_suite(watched, suite, plan, reports, quiet=quiet, going_on=going_on)


def _suite(
    paths: Sequence[Path], session: Session, selection: Selection, repeats: int, *, alone: bool
) -> list[Loaded[Profile]]:
    """Return what is to be run; unless this process runs it alone, the others make ready meanwhile."""
    from ventproof.session.ahead import call_up  # noqa: PLC0415 - slow

    if not (alone or selection.chooses):
        call_up(session, repeats * len(options.profile_paths(paths)))
    suite = load_suite(paths, session, selection)
    tell_given(suite)
    return suite


def session_of(
    bench: Loaded[BenchFile],
    going_on: Resumed | None,
    *,
    page: bool,
    unit: str,
    firmware: str,
    operator: str,
    out: Path,
    seed: int,
    use: tuple[str, ...],
    selfcheck: Path | None,
    table: Path | None,
    acceptance: Path | None,
    waivers: Path | None,
    sign: Path | None,
    history: str | None,
) -> Session:
    """Return what stays the same for all runs; a plan that goes on says what the options leave open."""
    from ventproof.cli.sign import signing_key  # noqa: PLC0415
    from ventproof.history.enter import keeper_of, ledger_beside  # noqa: PLC0415
    from ventproof.papers.acceptance import agreed, load_acceptance  # noqa: PLC0415
    from ventproof.session.selfcheck import pinned  # noqa: PLC0415
    from ventproof.session.session import Session, use_pairs  # noqa: PLC0415
    from ventproof.table.load import fitting_table  # noqa: PLC0415

    if going_on is not None:
        out, seed = going_on.folder, going_on.plan.seed
        unit, firmware = unit or going_on.plan.unit, firmware or going_on.plan.firmware
    papers, rack = load_acceptance(acceptance) if acceptance else None, options.of_rack()
    return Session(
        bench=bench,
        out=out,
        unit=agreed(papers, "unit", unit),
        firmware=agreed(papers, "firmware", firmware),
        operator=agreed(papers, "operator", operator),
        acceptance=papers,
        waivers=options.waivers_of(waivers),
        seed=seed,
        use=use_pairs(use),
        selfcheck=pinned(selfcheck, bench) if selfcheck else None,
        table=options.warned(fitting_table(table, bench)) if table else None,
        signing=signing_key(sign) if sign else None,
        keeper=keeper_of(history, out),
        ledger=ledger_beside(history, out),
        desks=options.desks_for(bench, page=page),
        part=rack.part if rack else None,
    )


def _show_dry(session: Session, suite: Sequence[Loaded[Profile]], plan: RepeatPlan) -> int:
    """Show what a suite would switch, and when."""
    from ventproof.profile.duration import longest_s, shortest_s  # noqa: PLC0415
    from ventproof.run.schedule import said_of  # noqa: PLC0415
    from ventproof.verdict.text import about  # noqa: PLC0415

    for profile in suite:
        takes = f"{about(shortest_s(profile.model))} to {about(longest_s(profile.model))}"
        click.echo(harmless(f"{profile.model.profile} ({takes}); seconds after its start state is set:"))
        for line in said_of(session.bind(profile)):
            click.echo(harmless(line))
    _warn_of_hours(session, suite, plan)
    most_s = plan.repeats * sum(longest_s(profile.model) for profile in suite)
    click.echo(f"{number_of(len(suite) * plan.repeats, 'run')}, {about(most_s)} at most; nothing was driven")
    return EXIT_PASS


def _warn_of_hours(session: Session, suite: Sequence[Loaded[Profile]], plan: RepeatPlan) -> None:
    """Say which contacts a suite, begun now, may close more often than their limits within an hour."""
    from ventproof.run.limits import hour_warnings, limited_by_the_hour  # noqa: PLC0415
    from ventproof_bench.outputs.wear import closed_within_the_hour, places_of  # noqa: PLC0415

    bench = session.bench.model
    if session.ledger is None or bench.virtual or not limited_by_the_hour(bench):
        return
    told = closed_within_the_hour(session.ledger)
    if told is None:
        said = f"no ledger in {session.ledger}: closures of earlier runs are not counted"
        click.echo(harmless(f"warning: {said}"), err=True)
    closed = {name: (told or {}).get(at, []) for name, at in places_of(bench).items()}
    bounds = (session.bind(profile) for profile in suite for _ in range(plan.repeats))
    for line in hour_warnings(bounds, closed):
        click.echo(harmless(f"warning: {line}"), err=True)


def _warn_of_calibration(bench: Loaded[BenchFile]) -> None:
    """Say which pieces of a bench are to be calibrated before a run of today can be trusted."""
    from ventproof_bench.benchfile.equipment import overdue  # noqa: PLC0415

    for line in overdue(bench.model.equipment, local_now().date()):
        click.echo(harmless(f"warning: {line}; calibrate it and state the new date"), err=True)


def _take_up(going_on: Resumed, others: Sequence[str], session: Session) -> None:
    """Say what goes on; what was killed is entered into the history now, since nobody did then.

    Raises:
        FileError: runs that stand are signed, and those to come would not be.
    """
    from ventproof.runset.signature import require_unsigned  # noqa: PLC0415

    if session.signing is None and going_on.unfinished:
        require_unsigned(one.path for one in going_on.stand)
    options.tell_once(going_on.says)
    if session.keeper is not None:
        for attempt, _ in (one for earlier in going_on.earlier.values() for one in earlier):
            session.keeper.enter(going_on.folder / attempt.log)
    for name in others[:_LEFT_SHOWN]:
        options.tell_once(f"left out, not of that plan: {name}")
    if more := len(others[_LEFT_SHOWN:]):
        options.tell_once(f"left out, not of that plan: {more} more")
