"""`ventproof check`: everything that can be found wrong before anything is switched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ventproof.cli import options
from ventproof.cli.suite import VALUES
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping

    from ventproof.papers.waivers import Waivers
    from ventproof.profile.model import Profile
    from ventproof.session.session import Session
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.load import Loaded


@click.command("check")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--bench", type=click.Path(path_type=Path), help="Also check that profiles and tables fit this bench."
)
@options.USE
@VALUES
@options.ANY_PATH
def check(
    paths: tuple[Path, ...], bench: Path | None, use: tuple[str, ...], values: tuple[str, ...], any_path: bool
) -> int:
    """Check profiles, bench files, override tables, rack and campaign files (PATHS: files or folders).

    Every fault of every file is shown with line and column. A correct profile shows its shortest and longest duration.
    A correct bench file shows whether its buses can carry the polling.
    """
    from ventproof.profile.given import given_said, unknown_values, value_pairs  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError, Problem, StructureError  # noqa: PLC0415

    if use and bench is None:
        hint = "give `--bench FILE` with it"
        raise FileError([Problem("--map", None, None, "maps names to those of a bench", hint)])
    session = _session(bench, use) if bench else None
    given = value_pairs(values)
    problems: list[Problem] = []
    profiles: list[Loaded[Profile]] = []
    for path in options.profile_paths(paths):
        try:
            profiles += _check(path, session, given, any_path=any_path)
        except FileError as error:
            problems += error.problems
            if isinstance(error, StructureError):
                hint = "correct its structure, then check again"
                problems.append(Problem(str(path), None, None, "its names and limits were not checked", hint))
    if session is not None and not problems:
        from ventproof.profile.bind import check_use  # noqa: PLC0415

        problems += check_use(session.use, profiles)
    if problems := problems or unknown_values(given, profiles):
        raise FileError(problems)
    _say(given_said(profiles))
    return 0


def _session(bench: Path, use: tuple[str, ...]) -> Session:
    """Check the bench, and return what profiles and tables must fit."""
    from ventproof.run.limits import worn  # noqa: PLC0415
    from ventproof.session.session import Session, use_pairs  # noqa: PLC0415
    from ventproof.terminal.selfcheck import of_bench  # noqa: PLC0415
    from ventproof_bench.base.clock import local_now  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415

    session = Session(bench=load_bench(bench), out=Path(), use=use_pairs(use))
    _say(of_bench(session.bench, local_now().date()))
    _say(f"  warning: {line}" for line in worn(session.bench.model, options.operated(session.bench)))
    return session


def _check(
    path: Path, session: Session | None, values: Mapping[str, str], *, any_path: bool
) -> list[Loaded[Profile]]:
    """Check one file of any kind, and say what is worth knowing of it; returns it where it is a profile."""
    from ventproof.log.names import PLAIN, plain_path  # noqa: PLC0415
    from ventproof.profile.duration import longest_s, shortest_s  # noqa: PLC0415
    from ventproof.profile.load import load_profile  # noqa: PLC0415
    from ventproof.verdict.text import about  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415
    from ventproof_bench.yamlfile.load import kind_of  # noqa: PLC0415

    if plain_path(path).suffix == PLAIN:
        raise FileError([Problem(str(path), None, None, "this is a log", "`ventproof verify` checks logs")])
    kind = kind_of(path)
    if kind == "rack":
        _check_rack(path, any_path=any_path)
        return []
    if kind != "profile":
        _check_other(kind, path, session, any_path=any_path)
        return []
    profile = load_profile(path, any_path=any_path, values=values)
    bound = session.bind(profile) if session else None
    shortest, longest = (about(s) for s in (shortest_s(profile.model), longest_s(profile.model)))
    _say_of(profile, f"takes {shortest} at least, {longest} at most")
    if bound is not None:
        from ventproof.run.limits import wear_notes  # noqa: PLC0415
        from ventproof.terminal.selfcheck import of_bound  # noqa: PLC0415

        _say(of_bound(bound))
        _say(f"  warning: {note}" for note in wear_notes(bound, options.operated(bound.bench)))
    return [profile]


def _check_other(kind: str, path: Path, session: Session | None, *, any_path: bool) -> None:
    """Check a file that is neither a profile nor a rack file."""
    from ventproof.cli.campaign import groups_in  # noqa: PLC0415
    from ventproof.papers.acceptance import load_acceptance  # noqa: PLC0415
    from ventproof.papers.waivers import load_waivers  # noqa: PLC0415
    from ventproof.runset.campaign import load_campaign  # noqa: PLC0415
    from ventproof.table.load import fitting_table, load_table  # noqa: PLC0415
    from ventproof.terminal.selfcheck import of_bench  # noqa: PLC0415
    from ventproof_bench.base.clock import local_now  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from ventproof_bench.mock.guise.settings import load_guise  # noqa: PLC0415

    match kind:
        case "table":
            table = fitting_table(path, session.bench) if session else load_table(path)
            _say_of(table, f"{len(table.model.overrides)} overrides of {len(table.model.vents)} vents")
        case "bench":
            _say(of_bench(load_bench(path), local_now().date()))
        case "acceptance":
            load_acceptance(path)
            _say([f"{path}: valid; `ventproof run --acceptance {path}` puts it on the record"])
        case "campaign":
            groups = groups_in(load_campaign(path, any_path=any_path), any_path=any_path)
            runs = number_of(sum(group.plan.runs for group in groups), "run")
            _say(
                [
                    f"{path}: valid; `ventproof campaign {path}` makes {runs} in {number_of(len(groups), 'plan')}"
                ]
            )
        case "waivers":
            _say(_of_waivers(load_waivers(path), local_now().date()))
        case _:
            load_guise(path)
            _say([f"{path}: in order; `ventproof mock --as {path}` serves it"])


def _check_rack(path: Path, *, any_path: bool) -> None:
    """Check a rack file and all files that it names, and say what it tests."""
    from ventproof.cli.rack import RackWanted, ready_places  # noqa: PLC0415
    from ventproof.cli.suite import Selection  # noqa: PLC0415
    from ventproof.runset.rack_file import load_rack  # noqa: PLC0415

    ready = ready_places(load_rack(path), RackWanted(Selection(any_path=any_path)))
    _say([f"{path}: valid; `ventproof rack {path}` tests {len(ready)} places"])
    _say(
        f"  {one.plan.name}: {one.session.bench.model.bench}, {number_of(len(one.suite), 'profile')}"
        for one in ready
    )


def _of_waivers(waivers: Waivers, today: dt.date) -> Iterator[str]:
    """Yield what is worth knowing of a waivers file that is right: which of its waivers are over."""
    known = waivers.model.waivers
    yield f"{waivers.path}: valid; {number_of(len(known), 'waiver')}"
    for one in known:
        if today > one.retest_by:
            yield f"  warning: waiver {one.id} expired on {one.retest_by}: what it covers counts as a fail"


def _say_of(file: Loaded[Any], what: str) -> None:
    """Say that a file is right, and what is worth knowing of it."""
    _say([f"{file.path}: valid; {what}"])
    _say(f"  warning: {warning}" for warning in file.renamed)
    _say(f"  note: {note}" for note in file.notes)


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        click.echo(line)
