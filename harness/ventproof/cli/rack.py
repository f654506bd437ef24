"""`ventproof rack`: several units on benches of their own, tested at the same time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

import click

from ventproof.cli import main, options
from ventproof.cli.run import session_of
from ventproof.cli.suite import ONLY, TAG, Selection, load_suite
from ventproof.jobs.executor import cores
from ventproof.log.run import ABORTED
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_BENCH, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.errors import DriverError, FileError, Problem
from ventproof_bench.base.text import harmless, number_of

if TYPE_CHECKING:
    from ventproof.profile.model import Profile
    from ventproof.rack.follow import PlaceProgress, RackPlace
    from ventproof.rack.process import ForkedPlace
    from ventproof.rack.supervise import Rack
    from ventproof.runset.rack_file import PlacePlan, RackFile
    from ventproof.runset.rack_record import RackedPlace
    from ventproof.session.session import Session
    from ventproof_bench.yamlfile.load import Loaded


_SILENCE_S: Final = 180.0
"""Nothing in a run is silent for longer, the pauses of its profiles apart: a bench has a minute to come back."""


@final
@dataclass(frozen=True, slots=True)
class ReadyPlace:
    """A place whose files are right.

    Attributes:
        plan: as the rack file has it.
        session: what stays the same for all its runs.
        suite: its profiles.
    """

    plan: PlacePlan
    session: Session
    suite: Sequence[Loaded[Profile]]


@click.command("rack")
@click.argument("file", type=click.Path(path_type=Path))
@options.OPERATOR
@options.folder("--out", "records", "Folder in which the rack gets a folder for its logs.")
@click.option(
    "--at-once",
    type=click.IntRange(1),
    metavar="N",
    help="Test at most N units at the same time.  [default: 4 a processor core, 1 where all benches are virtual]",
)
@click.option(
    "--repeat",
    type=click.IntRange(1),
    default=1,
    metavar="N",
    show_default=True,
    help="Run each profile N times.",
)
@options.seed(options.VIRTUAL)
@ONLY
@TAG
@options.ANY_PATH
@options.HISTORY
@options.CLEAR
def rack(
    file: Path,
    operator: str,
    out: Path,
    at_once: int | None,
    repeat: int,
    seed: int,
    only: tuple[str, ...],
    tags: tuple[str, ...],
    any_path: bool,
    history: str | None,
    clear: bool,
) -> int:
    """Test several units at the same time: each place of rack FILE is a `ventproof run` of its own.

    Nothing is switched until all files are correct, no two places share a port or host, and every bench answers. The
    units start one after the other. A failure at one place stops no other. Ctrl-C stops all places and makes their
    outputs safe. The logs are in one folder, with a folder for each place and a record that lists all logs.

    \b
    Exit code: as of `run`, the worst of all places: 4, then 1, 2, 5, 0.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.history.database import FILE  # noqa: PLC0415
    from ventproof.rack.process import call_up  # noqa: PLC0415
    from ventproof.runset.rack_file import load_rack  # noqa: PLC0415 - pydantic is slow to import

    loaded = load_rack(file)
    history = history or str(out / FILE)
    stated = [f"--history={history}", f"--repeat={repeat}", f"--seed={seed}", f"--operator={operator}"]
    chosen = [*(f"-k{text}" for text in only), *(f"--tag={tag}" for tag in tags), *["--any-path"] * any_path]
    ready = ready_places(
        loaded, Selection(only, tags, (), any_path), operator=operator, seed=seed, history=history
    )
    call_up()
    most = at_once or _carried(ready)
    _say(_planned(ready, most, asked=at_once is not None))
    options.confirm_clear(*(one.session.bench for one in ready), clear=clear)
    _probe(ready)
    folder = _new_folder(out, loaded.model.rack)
    words = ["run", "--quiet", "--confirm-clear", *stated, *chosen]
    places = [_place(one, folder, repeat, words) for one in ready]
    return _test(loaded.model.rack, places, folder, most)


def ready_places(
    rack: Loaded[RackFile],
    selection: Selection,
    *,
    operator: str = "",
    seed: int = 0,
    history: str | None = None,
) -> list[ReadyPlace]:
    """Check all files of all places, and return these.

    Args:
        rack: the rack file.
        selection: which profiles are run at each place.
        operator: who runs the tests.
        seed: of virtual benches.
        history: where runs are entered; None: beside their logs.

    Raises:
        FileError: something in one of them is wrong, or two places share what they must not; every fault found.
    """
    from ventproof.rack.shared import shared_problems  # noqa: PLC0415
    from ventproof.runset.rack_file import plans_of  # noqa: PLC0415

    ready: list[ReadyPlace] = []
    problems: dict[Problem, None] = {}
    for plan in plans_of(rack):
        try:
            session = _session(rack, plan, operator=operator, seed=seed, history=history)
            ready.append(ReadyPlace(plan, session, load_suite(plan.profiles, session, selection)))
        except FileError as error:
            problems |= dict.fromkeys(error.problems)
    benches = {one.plan.name: one.session.bench for one in ready}
    problems |= dict.fromkeys(shared_problems(rack, benches))
    if problems:
        raise FileError(problems)
    return ready


def _session(
    rack: Loaded[RackFile], plan: PlacePlan, *, operator: str, seed: int, history: str | None
) -> Session:
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - slow

    bench = load_bench(plan.bench)
    if bench.model.people and not bench.model.virtual:
        reason = f"bench {plan.bench} asks people ({', '.join(bench.model.people)}), and a rack cannot ask"
        hint = "use `ventproof run` for it, in a terminal of its own"
        raise FileError([rack.problem(("places", plan.name), reason, hint, at_key=True)])
    return session_of(
        bench,
        None,
        page=False,
        unit=plan.unit,
        firmware=plan.firmware,
        operator=operator,
        out=Path(),
        seed=seed,
        use=plan.use,
        selfcheck=plan.selfcheck,
        table=plan.table,
        acceptance=plan.acceptance,
        waivers=plan.waivers,
        sign=None,
        history=history,
    )


def _carried(ready: Sequence[ReadyPlace]) -> int:
    """Return how many places this computer can carry at once."""
    from ventproof.rack.supervise import AT_ONCE_A_CORE  # noqa: PLC0415

    return cores() if all(one.session.bench.model.virtual for one in ready) else AT_ONCE_A_CORE * cores()


def _planned(ready: Sequence[ReadyPlace], most: int, *, asked: bool) -> str:
    """Return how many places there are, how many are tested at once, and why no more."""
    if len(ready) <= most:
        return f"{number_of(len(ready), 'place')}, all at the same time"
    why = "--at-once" if asked else f"{number_of(cores(), 'processor core')}; see --at-once"
    return f"{len(ready)} places, at most {most} at the same time ({why})"


def _probe(ready: Sequence[ReadyPlace]) -> None:
    """Look whether every bench is there, and nobody else's.

    Raises:
        FileError: one is not; all that is missing.
    """
    from ventproof.session.onward import probed, reserved  # noqa: PLC0415

    problems: list[Problem] = []
    for one in ready:
        try:
            with reserved(one.session.bench, "ventproof rack"):  # its run reserves it again
                probed(one.session.bench)
        except FileError as error:
            problems += error.problems
    if problems:
        raise FileError(problems)


def _new_folder(out: Path, name: str) -> Path:
    """Make a folder for the logs of a rack that no other has, however many begin at once."""
    from ventproof.session.session import slug  # noqa: PLC0415

    try:
        out.mkdir(parents=True, exist_ok=True)
        folder, number = out / slug(name), 1
        while not _made(folder):
            number += 1
            folder = out / f"{slug(name)}-{number}"
    except OSError as error:
        raise FileError([Problem(str(out), None, None, f"cannot make a folder: {error.strerror}")]) from error
    return folder


def _made(folder: Path) -> bool:
    """Make a folder; whether there was none."""
    try:
        folder.mkdir()
    except FileExistsError:
        return False
    return True


def _place(ready: ReadyPlace, folder: Path, repeat: int, words: Sequence[str]) -> RackPlace:
    from ventproof.profile.duration import part_spans  # noqa: PLC0415
    from ventproof.profile.stimulus import Idle  # noqa: PLC0415
    from ventproof.rack.follow import RackPlace  # noqa: PLC0415

    plan, own = ready.plan, folder / ready.plan.name
    stimuli = (one for profile in ready.suite for step in profile.model.steps for one in step.do)
    return RackPlace(
        name=plan.name,
        unit=ready.session.unit,
        firmware=ready.session.firmware,
        bench=ready.session.bench.model.bench,
        virtual=ready.session.bench.model.virtual,
        folder=own,
        words=(*words, f"--out={own}", *plan.words),
        profiles=tuple(tuple(part_spans(profile.model)) for profile in ready.suite),
        repeats=repeat,
        silence_s=_SILENCE_S + max((one.idle for one in stimuli if isinstance(one, Idle)), default=0.0),
    )


def _test(name: str, places: Sequence[RackPlace], folder: Path, most: int) -> int:
    """Test all places, close the test with a record, show how it ended, and return the exit code.

    Raises:
        DriverError: it was stopped, and outputs may not be safe.
        KeyboardInterrupt: it was stopped.
    """
    import asyncio  # noqa: PLC0415 - only where something is tested

    from ventproof.rack.supervise import Rack, worst_code  # noqa: PLC0415
    from ventproof.runset.rack_record import RACK, RackRecord, write_rack_record  # noqa: PLC0415
    from ventproof.terminal.console import new_console  # noqa: PLC0415
    from ventproof.terminal.live import show_rack  # noqa: PLC0415
    from ventproof_bench.base.interrupts import held  # noqa: PLC0415

    with held() as interruption:
        tested = Rack(places, _begin, at_once=most)
        with _shown(name, tested) as tested.tell:
            asyncio.run(tested.run(lambda: interruption.came))
        ended = [_ended(one, folder) for one in tested.progress]
        written = True
        try:
            write_rack_record(folder / RACK, RackRecord(name, tuple(ended)))
        except FileError as error:
            click.echo(f"RECORD OF THE RACK NOT WRITTEN: {error}", err=True)
            written = False
        show_rack(new_console(), tested.progress, str(folder))
        for one in tested.progress:
            _tell(one)
        if interruption.came:
            _require_safe(tested.progress)
    code = worst_code(one.code for one in ended)
    return EXIT_BENCH if code == EXIT_PASS and not written else code


def _begin(place: RackPlace) -> ForkedPlace:
    from ventproof.rack.process import ForkedPlace  # noqa: PLC0415 - slow

    place.folder.mkdir()
    return ForkedPlace(place, main)


@contextmanager
def _shown(name: str, tested: Rack) -> Iterator[Callable[[], None]]:
    """Give what shows how far a rack is: a table on a terminal, lines elsewhere; its own trouble stops no test."""
    from ventproof.terminal.console import new_console  # noqa: PLC0415
    from ventproof.terminal.lines import RackLines  # noqa: PLC0415
    from ventproof.terminal.live import RackTable  # noqa: PLC0415

    if not sys.stdout.isatty():
        yield _careful(RackLines(_say, tested))
        return
    with RackTable(new_console(), name, tested) as table:
        yield _careful(table)


def _careful(show: Callable[[], None]) -> Callable[[], None]:
    broken = False

    def tell() -> None:
        nonlocal broken
        try:
            if not broken:
                show()
        except Exception:  # noqa: BLE001 - whatever ails the screen, the tests come first
            broken = True

    return tell


def _say(line: str) -> None:
    click.echo(harmless(line))


def _ended(one: PlaceProgress, folder: Path) -> RackedPlace:
    """Return how a place ended; an exit code that its logs do not show is no verdict."""
    from ventproof.log.read import check_log  # noqa: PLC0415
    from ventproof.runset.rack_record import RackedLog, RackedPlace  # noqa: PLC0415

    place, logs = one.place, list[RackedLog]()
    for path in sorted(place.folder.glob("*.jsonl")):
        try:
            check = check_log(path)
            logs.append(RackedLog(path.relative_to(folder).as_posix(), check.sha256, check.outcome))
        except FileError as error:
            one.remark = one.remark or str(error)
    if one.code in _SHOWN_BY and (
        one.remark or not _shows(one.code, [log.outcome for log in logs], place.runs)
    ):
        outcomes = ", ".join(log.outcome for log in logs) or "none"
        said = f"its run ended with exit code {one.code}, and its logs of {place.runs} planned runs show: {outcomes}"
        one.remark = one.remark or said
        one.code = EXIT_BENCH
    return RackedPlace(
        place=place.name,
        unit=place.unit,
        firmware=place.firmware,
        planned=place.runs,
        code=one.code,
        remark=one.remark,
        logs=tuple(logs),
    )


_SHOWN_BY: Final = {
    EXIT_PASS: {"pass"},
    EXIT_FAIL: {"fail"},
    EXIT_INCONCLUSIVE: {"inconclusive"},
    EXIT_ACCEPTED: {"fail"},
}
"""Exit codes that are verdicts, each with what must be among the outcomes."""


def _shows(code: int, outcomes: Sequence[str], planned: int) -> bool:
    """Return whether an exit code is what outcomes of runs show."""
    every = len(outcomes) == planned and ABORTED not in outcomes
    return every and _SHOWN_BY[code] <= set(outcomes) and (code != EXIT_PASS or set(outcomes) == {"pass"})


def _tell(one: PlaceProgress) -> None:
    """Print what the run of a place said: of one that passed the warnings, of each other all."""
    from ventproof.rack.process import SAID, WARNED  # noqa: PLC0415
    from ventproof.terminal.console import new_console, tell_left  # noqa: PLC0415

    said, warned = (_read(one.place.folder / name) for name in (SAID, WARNED))
    passed = one.code == EXIT_PASS
    lines = [line for line in warned if not passed or line.startswith("warning:")]
    lines += [] if passed else said
    if one.remark:
        lines.insert(0, one.remark)
    if lines:
        unit = f", unit {one.place.unit}" if one.place.unit else ""
        click.echo(harmless(f"\n{one.place.name}{unit}:"))
    for line in lines:
        click.echo(harmless(f"  {line}"))
    if _in_doubt(one):
        tell_left(new_console(), (), "its run did not confirm that they are", one.place.name)


def _in_doubt(one: PlaceProgress) -> bool:
    """Return whether nothing says that real outputs are safe."""
    from ventproof.rack.follow import UNKNOWN  # noqa: PLC0415

    return one.outputs == UNKNOWN and not one.place.virtual


def _read(path: Path) -> list[str]:
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return []
    return [line.rstrip() for line in text.splitlines() if line.strip()]


def _require_safe(progress: Sequence[PlaceProgress]) -> None:
    """Raise where a place was stopped and nothing says that its outputs are safe."""
    if unsafe := [one.place.name for one in progress if _in_doubt(one)]:
        raise DriverError(f"stopped; the outputs of {', '.join(unsafe)} may not be in their safe state")
