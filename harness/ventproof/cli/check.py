"""`ventproof check`: everything that can be found wrong before anything is switched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ventproof.cli import options
from ventproof.cli.suite import VALUES
from ventproof_bench.base.clock import local_now

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

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
    """Check profiles, bench files and override tables (PATHS: files or folders).

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
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415

    session = Session(bench=load_bench(bench), out=Path(), use=use_pairs(use))
    _say(of_bench(session.bench, local_now().date()))
    _say(f"  warning: {line}" for line in worn(session.bench.model, options.operated(session.bench)))
    return session


def _check(
    path: Path, session: Session | None, values: Mapping[str, str], *, any_path: bool
) -> list[Loaded[Profile]]:
    """Check one file of any kind, and say what is worth knowing of it; returns it where it is a profile."""
    from ventproof.papers.waivers import load_waivers  # noqa: PLC0415
    from ventproof.profile.load import load_profile  # noqa: PLC0415
    from ventproof.table.load import (  # noqa: PLC0415
        fitting_table,
        load_table,
    )
    from ventproof.terminal.selfcheck import of_bench, of_profile, of_table, of_waivers  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from ventproof_bench.yamlfile.load import kind_of  # noqa: PLC0415

    if path.suffix == ".jsonl":
        raise FileError([Problem(str(path), None, None, "this is a log", "`ventproof verify` checks logs")])
    match kind_of(path):
        case "table":
            _say(of_table(fitting_table(path, session.bench) if session else load_table(path)))
            return []
        case "bench":
            _say(of_bench(load_bench(path), local_now().date()))
            return []
        case "waivers":
            _say(of_waivers(load_waivers(path), local_now().date()))
            return []
        case "acceptance" | "campaign" | "guise" as kind:
            _say([f"{path}: valid; {_used(kind, path, any_path=any_path)}"])
            return []
    profile = load_profile(path, any_path=any_path, values=values)
    bound = session.bind(profile) if session else None
    _say(of_profile(profile, bound))
    if bound is not None:
        from ventproof.run.limits import wear_notes  # noqa: PLC0415

        _say(f"  warning: {note}" for note in wear_notes(bound, options.operated(bound.bench)))
    return [profile]


def _used(kind: str, path: Path, *, any_path: bool) -> str:
    """Check a file that only one command uses, and return what that does with it."""
    from ventproof.papers.acceptance import load_acceptance  # noqa: PLC0415
    from ventproof.runset.campaign import load_campaign  # noqa: PLC0415
    from ventproof_bench.mock.guise.settings import load_guise  # noqa: PLC0415

    if kind == "acceptance":
        load_acceptance(path)
        return f"`ventproof run --acceptance {path}` puts it on the record"
    if kind == "campaign":
        load_campaign(path, any_path=any_path)
        return f"`ventproof campaign {path}` checks its benches and profiles, and runs it"
    load_guise(path)
    return f"`ventproof mock --as {path}` serves it"


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        click.echo(line)
