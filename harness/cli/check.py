"""`ventproof check`: everything that can be found wrong before anything is switched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.wiring import BenchFile
    from harness.profile.model import Profile
    from harness.session import Session


@click.command("check")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--bench", type=click.Path(path_type=Path), help="Also check that the profiles fit this bench.")
@click.option(
    "--use",
    multiple=True,
    metavar="NAME=BENCH_NAME",
    help="Take the bench's BENCH_NAME where profiles say NAME.",
)
def command(paths: tuple[Path, ...], bench: Path | None, use: tuple[str, ...]) -> int:
    """Check profiles and bench files (PATHS, files or folders).

    Every fault of every file is shown with its line and column. For a profile that is right: the shortest and the
    longest time it can take; for a bench file: whether its buses can carry the polling that it asks for.
    """
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from bench.errors import FileError  # noqa: PLC0415
    from harness.cli.options import profile_paths  # noqa: PLC0415
    from harness.session import Session, use_pairs  # noqa: PLC0415

    session = Session(bench=load_bench(bench), out=Path(), use=use_pairs(use)) if bench else None
    if session is not None:
        _say_bench(session.bench)
    problems: list[Problem] = []
    for path in profile_paths(paths):
        try:
            _check(path, session)
        except FileError as error:
            problems += error.problems
    if problems:
        raise FileError(problems)
    return 0


def _check(path: Path, session: Session | None) -> None:
    """Check one file of either kind, and say what is worth knowing of it."""
    from bench.document import kind_of  # noqa: PLC0415 - pydantic is slow to import
    from harness.profile.load import load_profile  # noqa: PLC0415

    if kind_of(path, ("profile", "bench")) == "bench":
        from bench.benchfile import load_bench  # noqa: PLC0415

        _say_bench(load_bench(path))
        return
    profile = load_profile(path)
    if session is not None:
        session.bind(profile)
    _say_profile(profile)


def _say_profile(profile: Loaded[Profile]) -> None:
    from harness.profile.duration import longest_s, shortest_s  # noqa: PLC0415 - pydantic is slow to import
    from harness.run.compile import seconds  # noqa: PLC0415

    shortest, longest = (seconds(round(s, 1)) for s in (shortest_s(profile.model), longest_s(profile.model)))
    click.echo(f"{profile.path}: right; takes {shortest} at least, {longest} at most")
    _say_notes(profile.notes)


def _say_bench(bench: Loaded[BenchFile]) -> None:
    from bench.registers import plan_reads  # noqa: PLC0415 - pydantic is slow to import
    from bench.serialline import read_duration_s  # noqa: PLC0415
    from bench.wiring import SerialBus  # noqa: PLC0415

    click.echo(f"{bench.path}: right")
    for name, spec in bench.model.buses.items():
        signals = {n: s for n, s in bench.model.signals.items() if s.bus == name}
        requests = plan_reads(signals, spec).requests
        line = f"  bus {name}: {len(requests)} request(s) read {len(signals)} signal(s) every {spec.poll_every:g} s"
        if isinstance(spec, SerialBus):
            on_wire_s = sum(read_duration_s(request, spec.baud) for request in requests)
            line += f"; they take {1e3 * on_wire_s:.1f} ms on the wire at {spec.baud} Bd, the unit's own time not counted"
            if on_wire_s > spec.poll_every:
                line += f": TOO SLOW, poll every {on_wire_s * 1.5:.2g} s or raise the baud rate"
        click.echo(line)
    _say_notes(bench.notes)


def _say_notes(notes: Iterable[Problem]) -> None:
    for note in notes:
        click.echo(f"  note: {note}")
