"""`ventproof check`: everything that can be found wrong before anything is switched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.wiring import BenchFile, BusSpec
    from harness.profile.model import Profile
    from harness.session import Session

_MINUTE_S: Final = 60
_HOUR_S: Final = 60 * _MINUTE_S
_DAY_S: Final = 24 * _HOUR_S


@click.command("check")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--bench", type=click.Path(path_type=Path), help="Also check that profiles and tables fit this bench."
)
@click.option(
    "--use",
    multiple=True,
    metavar="NAME=BENCH_NAME",
    help="Take the bench's BENCH_NAME where profiles say NAME.",
)
def command(paths: tuple[Path, ...], bench: Path | None, use: tuple[str, ...]) -> int:
    """Check profiles, bench files and override tables (PATHS, files or folders).

    Every fault of every file is shown with its line and column. For a profile that is right: the shortest and the
    longest time it can take; for a bench file: whether its buses can carry the polling that it asks for.
    """
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from bench.errors import FileError, Problem  # noqa: PLC0415
    from harness.cli.options import profile_paths  # noqa: PLC0415
    from harness.profile.bind import check_use  # noqa: PLC0415
    from harness.session import Session, use_pairs  # noqa: PLC0415

    if use and bench is None:
        hint = "give `--bench FILE` with it"
        raise FileError([Problem("--use", None, None, "maps names to those of a bench", hint)])
    session = Session(bench=load_bench(bench), out=Path(), use=use_pairs(use)) if bench else None
    if session is not None:
        _say_bench(session.bench)
    problems: list[Problem] = []
    profiles: list[Loaded[Profile]] = []
    for path in profile_paths(paths):
        try:
            profiles += _check(path, session)
        except FileError as error:
            problems += error.problems
    if session is not None and not problems:
        problems += check_use(session.use, profiles)
    if problems:
        raise FileError(problems)
    return 0


def _check(path: Path, session: Session | None) -> list[Loaded[Profile]]:
    """Check one file of any kind, and say what is worth knowing of it; returns it where it is a profile."""
    from bench.document import kind_of  # noqa: PLC0415 - pydantic is slow to import
    from bench.errors import FileError, Problem  # noqa: PLC0415
    from harness.profile.load import load_profile  # noqa: PLC0415

    if path.suffix == ".jsonl":
        raise FileError([Problem(str(path), None, None, "this is a log", "`ventproof verify` checks logs")])
    kind = kind_of(path)
    if kind == "table":
        from bench.overridetable.fits import fitting_table  # noqa: PLC0415 - pydantic is slow to import
        from bench.overridetable.load import load_table  # noqa: PLC0415

        table = fitting_table(path, session.bench) if session else load_table(path)
        click.echo(
            f"{table.path}: valid; {len(table.model.overrides)} overrides of {len(table.model.vents)} vents"
        )
        _say_notes(table.notes)
        return []
    if kind == "bench":
        from bench.benchfile import load_bench  # noqa: PLC0415

        _say_bench(load_bench(path))
        return []
    profile = load_profile(path)
    if session is None:
        _say_profile(profile)
        return [profile]
    bound = session.bind(profile)
    _say_profile(profile)
    from bench.carrying import said  # noqa: PLC0415 - pydantic is slow to import
    from harness.profile.carry import busiest, late_notes  # noqa: PLC0415
    from harness.run.saying import weather_said  # noqa: PLC0415

    for line in weather_said(bound):
        click.echo(f"  {line}")
    for bus, share, worst in busiest(bound):
        click.echo(
            f"  on bus {bus}: its pulses and the polls take at most {float(100 * share):.3g} % of the time; worst "
            f"stimulus latency {said(worst.latency_us)}; worst sample age {said(worst.age_us)}"
        )
    _say_notes(late_notes(bound))
    return [profile]


def _lasts(span_s: float) -> str:
    """Return how long a profile takes, rounded to the tenth of what people would count it in."""
    for symbol, unit_s in (("d", _DAY_S), ("h", _HOUR_S), ("min", _MINUTE_S)):
        if span_s >= 2 * unit_s:
            return f"{round(span_s / unit_s, 1):g} {symbol}"
    return f"{round(span_s, 1):g} s"


def _say_profile(profile: Loaded[Profile]) -> None:
    from harness.profile.duration import longest_s, shortest_s  # noqa: PLC0415 - pydantic is slow to import

    shortest, longest = (_lasts(s) for s in (shortest_s(profile.model), longest_s(profile.model)))
    click.echo(f"{profile.path}: valid; takes {shortest} at least, {longest} at most")
    _say_notes(profile.notes)


def _say_bench(bench: Loaded[BenchFile]) -> None:
    click.echo(f"{bench.path}: valid")
    for name, spec in bench.model.buses.items():
        click.echo(f"  bus {name}: {_carries(bench.model, name, spec)}")
    _say_notes(bench.notes)


def _carries(bench: BenchFile, name: str, spec: BusSpec) -> str:
    """Return what a bus is asked for and the worst that it makes of that."""
    from bench.budget import answering_at_once, budget  # noqa: PLC0415 - pydantic is slow to import
    from bench.carrying import load_on, polled, said  # noqa: PLC0415

    signals = sum(signal.bus == name for signal in bench.signals.values())
    load, at_once = load_on(bench, name, spec), load_on(bench, name, answering_at_once(spec))
    worst, least = budget(load), budget(at_once)
    known = load == at_once
    line = (
        f"{len(polled(bench, name))} request(s) read {signals} signal(s) every {said(load.poll_every_us)}; "
        f"utilisation {'' if known else 'at least '}{float(100 * at_once.polling):.3g} %"
    )
    figures = [
        (what, said(best_us), said(worst_us))
        for what, best_us, worst_us in (
            ("stimulus latency", least.latency_us, worst.latency_us),
            ("sample age", least.age_us, worst.age_us),
        )
        if worst_us
    ]
    if known:
        return "; ".join([line, *(f"worst {what} {most}" for what, _, most in figures)])
    line = "; ".join([line, *(f"worst {what} {best} to {most}" for what, best, most in figures)])
    return f"{line}, for answers at once to answers after the timeout of {spec.timeout:g} s: declare answers_within"


def _say_notes(notes: Iterable[Problem]) -> None:
    for note in notes:
        click.echo(f"  note: {note}")
