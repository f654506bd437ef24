"""Options that several commands share, and the steps around every run."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, final

import click
from click.core import ParameterSource

from ventproof.cli import HISTORY_VARIABLE
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS, code_of
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import shipped_folder
from ventproof_bench.base.text import CAUTIONS, harmless

if TYPE_CHECKING:
    from ventproof.log.plan import PlanPart
    from ventproof.papers.waivers import Waivers
    from ventproof.profile.model import Profile
    from ventproof.run.prompts import Desk
    from ventproof.run.view import View
    from ventproof.runset.present import Choice
    from ventproof.session.repeats import RepeatSeries
    from ventproof.session.waived import WaivedRuns
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


@final
@dataclass(frozen=True, slots=True)
class RackCaller:
    """What called a `run` that is that of a place.

    Attributes:
        doing: the command of the rack, and the place.
        part: of what its plan is a part.
    """

    doing: str
    part: PlanPart


L = TypeVar("L", bound="Loaded[Any]")
Option = Callable[[Callable[..., Any]], Callable[..., Any]]

SHIPPED: Final = shipped_folder("ventproof", "profiles", checkout="../../profiles") / "weather"
"""The suite that ships with ventproof, for its mock unit."""

SHIPPED_BENCH: Final = shipped_folder("ventproof_bench", "files", checkout="../files") / "mock.yaml"
"""The bench that ships with ventproof: the mock unit inside the process."""

SHIPPED_TABLE: Final = SHIPPED_BENCH.with_name("mock-overrides.yaml")
"""What the mock unit of the shipped bench owes."""

CAUTION: Final = " ".join(CAUTIONS[:3])
PLAYED_CAUTION: Final = (
    "This bench plays vents ({}): no drive may be connected in their place, since feedback that is not its own would "
    "move it past its end."
)

BENCH: Final = click.option("--bench", required=True, type=click.Path(path_type=Path), help="The bench file.")
UNIT: Final = click.option("--unit", default="", help="Serial number of the unit under test.")
FIRMWARE: Final = click.option("--firmware", default="", help="Its firmware version.")
OPERATOR: Final = click.option("--operator", default="", help="Who runs the test.")
USE: Final = click.option(
    "--map",
    "use",
    multiple=True,
    metavar="NAME=BENCH_NAME",
    help="Use BENCH_NAME of the bench where profiles use NAME.",
)
WAIVERS: Final = click.option(
    "--waivers",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Known fails that are accepted: they are shown as accepted deviations, never as passes. `ventproof explain "
    "waivers` shows such a file.",
)
SIGN: Final = click.option(
    "--sign",
    type=click.Path(path_type=Path),
    metavar="KEYFILE",
    help="Sign every log with this private key, in the operator's name; `ventproof key` makes one.",
)
SAVE_SETTLING: Final = click.option(
    "--save-settling",
    is_flag=True,
    help="Run profiles with the same start state one after the other, so that the unit settles less often. No verdict "
    "depends on the order.",
)
ANY_PATH: Final = click.option(
    "--any-path", is_flag=True, help="Let profiles name files (`series:`) outside their own folders."
)
HISTORY: Final = click.option(
    "--history",
    envvar=HISTORY_VARIABLE,
    show_envvar=True,
    metavar="FILE|URL|none",
    help="Enter every run here when it ends: an SQLite file, or postgresql://user@host/database.  "
    "[default: history.sqlite in the folder for the logs]",
)
CLEAR: Final = click.option(
    "--confirm-clear",
    "clear",
    is_flag=True,
    help="Confirm that vents and drives are clear of people and guarded; do not ask.",
)
VIRTUAL: Final = "Seed for random values on a virtual bench."


def folder(name: str, default: str, about: str) -> Option:
    """Return an option that names a folder to write into."""
    kind = click.Path(path_type=Path, file_okay=False)
    return click.option(name, default=Path(default), type=kind, help=about, show_default=True)


def seed(about: str) -> Option:
    """Return the option for the seed of whatever is random."""
    return click.option("--seed", default=0, type=int, help=about, show_default=True)


def faults(about: str) -> Option:
    """Return the option that gives the mock unit faults, as `with_faults` reads them."""
    return click.option("--fault", "faults", multiple=True, metavar="NAME[=SEVERITY]", help=about)


def span_s(name: str, text: str) -> float:
    """Return a span of time given with an option, in seconds.

    Raises:
        FileError: it is none, or not longer than zero.
    """
    from ventproof_bench.base.quantities import Dimension, parse_as  # noqa: PLC0415 - small, with its callers

    try:
        value_s = parse_as(text, Dimension.TIME)
    except ValueError as error:
        raise FileError([Problem(name, None, None, str(error))]) from None
    if not value_s > 0:
        raise FileError(
            [Problem(name, None, None, f"{text!r} is not longer than zero", "write a span, such as 2 s")]
        )
    return value_s


def profile_paths(paths: Sequence[Path]) -> list[Path]:
    """Return the profile files named by files and folders, in order.

    Raises:
        FileError: a path does not exist, or a folder holds no profile.
    """
    return _files_below(paths, "YAML", lambda folder: sorted(folder.glob("**/*.y*ml")))


def log_paths(paths: Sequence[Path], *, bundles: bool = False) -> list[Path]:
    """Return the logs named by files, folders and bundles, in order; one that is named twice counts once.

    Args:
        paths: what was named.
        bundles: whether bundles will do; they are unpacked, until the command ends.

    Raises:
        FileError: a path does not exist, a folder holds no log, or a bundle will not do, or is not whole and unchanged.
    """
    found: dict[Path, Path] = {}
    from ventproof.log.names import PLAIN, logs_in  # noqa: PLC0415 - slow

    named = [_unpacked(path, wanted=bundles) for path in paths]
    for path in _files_below(named, PLAIN, lambda folder: logs_in(folder, below=True)):
        found.setdefault(path.resolve(), path)
    return list(found.values())


def choice_of(paths: Sequence[Path]) -> Choice:
    """Return how logs were chosen that `log_paths` returned."""
    from ventproof.log.names import logs_in  # noqa: PLC0415 - slow
    from ventproof.runset.bundle import LOGS  # noqa: PLC0415 - as above
    from ventproof.runset.present import Choice  # noqa: PLC0415 - with the slow imports of the callers

    bundles = _unpacked_bundles()
    folders = [bundles[path] / LOGS if path in bundles else path for path in paths]
    folders = [folder for folder in folders if folder.is_dir()]
    if any(log.parent != folder for folder in folders for log in logs_in(folder, below=True)):
        return Choice.RECORDED
    return Choice.FOLDER if folders else Choice.NAMED


_UNPACKED: Final = "ventproof.unpacked"


def _unpacked(path: Path, *, wanted: bool) -> Path:
    """Return a folder with what a bundle holds; any other path as it is."""
    from tempfile import TemporaryDirectory  # noqa: PLC0415 - slow

    from ventproof.runset.bundle import is_bundle, unpack  # noqa: PLC0415 - with the slow imports of the callers

    if not path.is_file() or not is_bundle(path):
        return path
    if not wanted:
        raise FileError(
            [Problem(str(path), None, None, "this is a bundle", "unpack it, and name its folder")]
        )
    context = click.get_current_context()
    above = Path(context.with_resource(TemporaryDirectory(prefix="ventproof-")))
    folder = above / path.name
    folder.mkdir()
    unpack(path, folder)
    context.meta.setdefault(_UNPACKED, {})[path] = folder
    return folder


def _unpacked_bundles() -> Mapping[Path, Path]:
    """Return the folders of the bundles that this command unpacked, by their files."""
    context = click.get_current_context(silent=True)
    return context.meta.get(_UNPACKED, {}) if context else {}


def as_named(text: str) -> str:
    """Return what is said of logs with those of bundles named as they are there: `handover.zip/logs/rain.jsonl`."""
    for folder in _unpacked_bundles().values():
        text = text.replace(f"{folder.parent}{os.sep}", "")
    return text


def _files_below(paths: Sequence[Path], what: str, inside_of: Callable[[Path], list[Path]]) -> list[Path]:
    found: list[Path] = []
    problems: list[Problem] = []
    for path in paths:
        inside = inside_of(path) if path.is_dir() else [path]
        if not inside or not path.exists():
            problems.append(_nothing_there(path, what))
        found.extend(inside)
    if problems:
        raise FileError(problems)
    return found


def _nothing_there(path: Path, what: str) -> Problem:
    if path.is_dir():
        return Problem(
            str(path), None, None, f"holds no {what} file", f"name another folder, or {what} files"
        )
    beside = {file.stem: file for file in path.parent.iterdir()} if path.parent.is_dir() else {}
    near = get_close_matches(path.stem, beside, n=1)  # endings are alike everywhere
    hint = f"did you mean {str(beside[near[0]])!r}?" if near else "check the path"
    return Problem(str(path), None, None, "does not exist", hint)


def of_rack() -> RackCaller | None:
    """Return what called this command, where that is a rack."""
    context = click.get_current_context(silent=True)
    return context.find_object(RackCaller) if context else None


def aside(line: str) -> None:
    """Say something beside what the command is asked for."""
    click.echo(harmless(line), err=True)


_TOLD: Final = "ventproof.told"


def tell_once(line: str) -> None:
    """Say what follows from files and options alone, once a command; what a rack says, none of its places does."""
    context = click.get_current_context(silent=True)
    told: set[str] = context.meta.setdefault(_TOLD, set()) if context else set()
    if line not in told and of_rack() is None:
        told.add(line)
        aside(line)


def warned(loaded: L) -> L:
    """Warn of the names of an older version in a file; returns the file."""
    for note in loaded.renamed:
        tell_once(f"warning: {note}")
    return loaded


def bench_at(path: Path | str) -> Loaded[BenchFile]:
    """Load a bench file, and warn of old names in it.

    Raises:
        FileError: something in it is wrong.
    """
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - pydantic is slow to import

    return warned(load_bench(path))


def waivers_of(path: Path | None) -> Waivers | None:
    """Return the waivers that a command was given.

    Raises:
        FileError: something in the file is wrong.
    """
    from ventproof.papers.waivers import load_waivers  # noqa: PLC0415 - pydantic is slow to import

    return load_waivers(path) if path else None


def operated(bench: Loaded[BenchFile]) -> dict[str, int]:
    """Return how often each relay of a bench has operated, as the ledger says that its runs write unless told else."""
    from ventproof_bench.outputs.wear import operations_in  # noqa: PLC0415 - slow

    return {} if bench.model.virtual else operations_in(ledger(Path("records")))


def ledger(folder: Path) -> Path:
    """Return where a command without `--history` adds up operations of relays; `folder` is for its logs."""
    from ventproof.history.enter import ledger_beside  # noqa: PLC0415 - slow

    return ledger_beside(os.environ.get(HISTORY_VARIABLE), folder)


def confirm_clear(*benches: Loaded[BenchFile], clear: bool) -> None:
    """Ask once whether vents and drives are clear, before anything real is driven; several benches are all named.

    Raises:
        FileError: the operator said no, or nobody could be asked and `--confirm-clear` was not given.
    """
    real = [bench for bench in benches if not bench.model.virtual]
    if not real or clear:
        return
    click.echo(CAUTION, err=True)
    for bench in real:
        if len(benches) > 1:
            click.echo(harmless(f"  {bench.path}: {bench.model.bench}"), err=True)
        if played := [name for name, vent in bench.model.vents.items() if vent.plays is not None]:
            click.echo(PLAYED_CAUTION.format(", ".join(played)), err=True)
    who = "these benches drive" if len(real) > 1 else "this bench drives"
    if not sys.stdin.isatty():
        raise FileError(
            [
                Problem(
                    "--confirm-clear",
                    None,
                    None,
                    f"{who} real outputs and no one is here to confirm that vents and drives are clear",
                    "give --confirm-clear once that is so",
                )
            ]
        )
    of_all = f" of these {len(real)} benches" if len(real) > 1 else ""
    if not click.confirm(f"Are all vents and drives{of_all} clear of people, and guarded?", err=True):
        raise FileError([Problem("--confirm-clear", None, None, "not confirmed: nothing was switched")])


def reserve(bench: Loaded[BenchFile]) -> None:
    """Keep all other commands of this computer off a bench with real outputs until this one ends.

    Raises:
        FileError: another has it.
    """
    from ventproof.session.onward import reserved  # noqa: PLC0415 - slow

    context, rack = click.get_current_context(), of_rack()
    context.with_resource(reserved(bench, rack.doing if rack else context.command_path))


def desks_for(bench: Loaded[BenchFile], *, page: bool = False) -> tuple[Desk, ...]:
    """Return where the people of a bench see prompts: this terminal; nowhere, where nobody is asked.

    Args:
        bench: the bench.
        page: whether they also see them on a page, so that no terminal will do.

    Raises:
        FileError: there is nobody to ask.
    """
    if not bench.model.people or bench.model.virtual:
        return ()
    from ventproof.session.session import nobody_here  # noqa: PLC0415 - slow

    if not sys.stdin.isatty():
        if page:
            return ()
        raise nobody_here(bench.model)
    from ventproof.terminal.desk import TerminalDesk  # noqa: PLC0415 - only where somebody is asked

    return (TerminalDesk(lambda line: click.echo(harmless(line))),)


def code_of_series(done: Sequence[RepeatSeries]) -> int:
    """Return the exit code for repeated runs: as for single ones, and inconclusive when a claim is not decided."""
    code = code_of(r.outcome.verdict for series in done for r in series.results)
    return EXIT_INCONCLUSIVE if code == EXIT_PASS and _undecided(done) else code


def tell_waived(its: WaivedRuns) -> None:
    """Say which fails waivers accept, and what is to be said of the waivers themselves, by all runs that have them."""
    for line in its.lines:
        click.echo(harmless(line))
    for line in its.warnings():
        tell_once(f"warning: {line}")


def code_of_waived(done: Sequence[RepeatSeries], ended: Sequence[str]) -> int:
    """Return the exit code for repeated runs with waivers, which change that of fails alone.

    Args:
        done: the runs.
        ended: how each ended with its waivers: `fail`, `inconclusive`, `accepted deviation` or `pass`.
    """
    code = code_of_series(done)
    if code != EXIT_FAIL or "fail" in ended:
        return code
    return EXIT_INCONCLUSIVE if "inconclusive" in ended or _undecided(done) else EXIT_ACCEPTED


def _undecided(done: Sequence[RepeatSeries]) -> bool:
    return any(series.claim == "undecided" for series in done)


def _say(line: str) -> None:
    """Print a line; a reader that went away changes nothing of the run."""
    with suppress(BrokenPipeError):
        click.echo(harmless(line))


def view_for(
    bench: Loaded[BenchFile], suite: Sequence[Loaded[Profile]], repeats: int, *, quiet: bool = False
) -> View:
    """Return the live screen on a terminal, plain lines elsewhere, and nothing when quiet or in virtual time.

    How long all of it takes as planned is said first.
    """
    from ventproof.profile.duration import in_all, part_spans  # noqa: PLC0415
    from ventproof.run.view import SilentView  # noqa: PLC0415
    from ventproof.terminal.follow import planned_said  # noqa: PLC0415
    from ventproof.terminal.lines import LinesView  # noqa: PLC0415
    from ventproof.terminal.live import LiveView  # noqa: PLC0415 - only where runs happen

    if bench.model.virtual or quiet:
        return SilentView()
    spans = [in_all(part_spans(profile.model)) for profile in suite]
    _say(planned_said(spans, repeats))
    if not sys.stdout.isatty() or bench.model.people:  # prompts and a screen would draw over each other
        return LinesView(_say, spans)
    from ventproof.terminal.console import new_console  # noqa: PLC0415 - only on a terminal

    return LiveView(new_console(), spans)


def only_resumed(path: Path) -> Path:
    """Return what is resumed, unless options say otherwise what its plan says.

    Raises:
        FileError: they do.
    """
    context = click.get_current_context()
    given = [
        Problem(
            f"--{name.replace('_', '-')}", None, None, "the plan that is resumed says this", "leave it out"
        )
        for name in ("repeat", "success_ratio", "seed", "out")
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE
    ]
    if given:
        raise FileError(given)
    return path


def with_faults(bench: Loaded[BenchFile], pairs: Sequence[str]) -> Loaded[BenchFile]:
    """Return a bench whose mock unit also has the faults of `NAME` or `NAME=SEVERITY` options.

    Raises:
        FileError: the bench has no mock, a fault is unknown, or a severity is no positive number.
    """
    from ventproof_bench.benchcheck.load import with_faults as with_named_faults  # noqa: PLC0415 - kept with its slow callers
    from ventproof_bench.mock.faults.catalogue import check_names  # noqa: PLC0415

    if not pairs:
        return bench
    if bench.model.mock is None:
        raise FileError(
            [Problem("--fault", None, None, f"{bench.path} has no mock unit to be given a fault")]
        )
    faults = dict(bench.model.mock.faults)
    for pair in pairs:
        name, _, severity = pair.partition("=")
        try:
            faults[name] = float(severity or 1)
        except ValueError:
            raise FileError(
                [Problem("--fault", None, None, f"{severity!r} is not a severity", f"write {name}=2")]
            ) from None
    try:
        check_names(faults, bench.model.mock.parts)
    except ValueError as error:
        raise FileError([Problem("--fault", None, None, str(error))]) from None
    return with_named_faults(bench, faults)
