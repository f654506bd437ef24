"""`ventproof rack`: several units on benches of their own, tested at the same time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Any, Final, Self, final

import click

from ventproof.cli import main, options
from ventproof.cli.report import REPORTS, write_all
from ventproof.cli.run import session_of
from ventproof.cli.suite import ONLY, TAG, VALUES, Selection, load_suite, tell_given
from ventproof.jobs.executor import cores
from ventproof.log.run import ABORTED
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_BENCH, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.errors import DriverError, FileError, Problem, VentproofError
from ventproof_bench.base.text import harmless, number_of

if TYPE_CHECKING:
    from ventproof.log.signing import SigningKey
    from ventproof.profile.model import Profile
    from ventproof.rack.before import PlaceBefore
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
        suite: its profiles, in the order in which they are run.
        before: what stands of it, where a rack goes on.
    """

    plan: PlacePlan
    session: Session
    suite: Sequence[Loaded[Profile]]
    before: PlaceBefore | None = None

    @property
    def left(self) -> bool:
        """Whether something is left to run."""
        return self.before is None or self.before.code is None


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
@VALUES
@options.ANY_PATH
@options.WAIVERS
@options.SIGN
@options.HISTORY
@REPORTS
@click.option(
    "--resume",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Continue an interrupted rack: the folder of its logs. Each place goes on as `run --resume` does; a place "
    "whose runs all have a verdict is left alone.",
)
@options.SAVE_SETTLING
@options.CLEAR
def rack(
    file: Path,
    operator: str,
    out: Path,
    at_once: int | None,
    sign: Path | None,
    history: str | None,
    reports: tuple[Path, ...],
    clear: bool,
    **stated: Any,  # noqa: ANN401 - the options that `RackWanted.of` names
) -> int:
    """Test several units at the same time: each place of rack FILE is a `ventproof run` of its own.

    Nothing is switched until all files are correct, no two places share a port or host, and every bench answers. The
    units start one after the other. A failure at one place stops no other. Ctrl-C stops all places and makes their
    outputs safe. The logs are in one folder, with a folder for each place and a record that lists all logs. `--waivers`
    takes the place of the waivers that FILE names; `--sign` signs the record, too.

    \b
    Exit code: as of `run`, the worst of all places: 4, then 1, 2, 5, 0.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.cli.sign import signing_key  # noqa: PLC0415 - slow
    from ventproof.history.database import FILE  # noqa: PLC0415 - as above
    from ventproof.rack.process import call_up  # noqa: PLC0415 - as above
    from ventproof.runset.rack_file import load_rack  # noqa: PLC0415 - pydantic is slow to import

    loaded, wanted = load_rack(file), RackWanted.of(**stated)
    if wanted.resume is not None:
        out = options.only_resumed(wanted.resume).resolve().parent
    history = history or str(out / FILE)
    ready = ready_places(loaded, wanted, operator=operator, history=history)
    key = signing_key(sign, shared=True) if sign else None
    call_up()
    most = at_once or _carried(ready)
    _say(_planned(ready, most, asked=at_once is not None))
    for one in ready:
        if one.before is not None:
            click.echo(harmless(f"{one.plan.name}: {one.before.says}"), err=True)
    here = [one for one in ready if one.left]
    options.confirm_clear(*(one.session.bench for one in here), clear=clear)
    _probe(here)
    folder = wanted.resume or _new_folder(out, loaded.model.rack)
    said = [f"--history={history}", f"--operator={operator}", *([f"--sign={sign}"] if sign else [])]
    said += ["--of-rack", loaded.model.rack, str(len(ready)), _id_of(ready)]
    places = [_place(one, folder, wanted, ["run", "--quiet", "--confirm-clear", *said]) for one in ready]
    return _test(RackTest(loaded.model.rack, folder, key, operator, reports), places, most)


@final
@dataclass(frozen=True, slots=True)
class RackWanted:
    """What is wanted of every place.

    Attributes:
        selection: which profiles are run, with what values.
        repeat: how often each.
        seed: of virtual benches.
        waivers: that take the place of those of the rack file; None: those count.
        resume: the folder of the rack that goes on; None: it is a new one.
        save_settling: whether profiles with the same start state are run one after the other.
    """

    selection: Selection = field(default_factory=Selection)
    repeat: int = 1
    seed: int = 0
    waivers: Path | None = None
    resume: Path | None = None
    save_settling: bool = False

    @classmethod
    def of(
        cls,
        *,
        only: tuple[str, ...],
        tags: tuple[str, ...],
        values: tuple[str, ...],
        any_path: bool,
        **stated: Any,  # noqa: ANN401 - its other fields
    ) -> Self:
        """Return what the options of the command say."""
        return cls(Selection(only, tags, values, any_path), **stated)

    @property
    def words(self) -> list[str]:
        """It as the command line of `run` states it, but for what a plan says that goes on."""
        chosen = self.selection
        return [
            *(f"-k{text}" for text in chosen.only),
            *(f"--tag={tag}" for tag in chosen.tags),
            *(f"--set={value}" for value in chosen.values),
            *["--any-path"] * chosen.any_path,
            *["--save-settling"] * self.save_settling,
        ]


def ready_places(
    rack: Loaded[RackFile],
    wanted: RackWanted,
    *,
    operator: str = "",
    history: str | None = None,
) -> list[ReadyPlace]:
    """Check all files of all places, and return these.

    Args:
        rack: the rack file.
        wanted: what is wanted of each place.
        operator: who runs the tests.
        history: where runs are entered; None: beside their logs.

    Raises:
        FileError: something in one of them is wrong, or two places share what they must not; every fault found.
    """
    from ventproof.rack.before import recorded  # noqa: PLC0415 - slow
    from ventproof.rack.shared import shared_problems  # noqa: PLC0415
    from ventproof.runset.rack_file import plans_of  # noqa: PLC0415

    ready: list[ReadyPlace] = []
    problems: dict[Problem, None] = {}
    record: Mapping[str, RackedPlace] = {}
    if wanted.resume is not None:
        record = recorded(wanted.resume, rack.model.rack, rack.model.places)
    for plan in plans_of(rack):
        if wanted.waivers is not None:
            plan = replace(plan, waivers=wanted.waivers)  # noqa: PLW2901 - the same place
        try:
            session = _session(rack, plan, operator=operator, seed=wanted.seed, history=history)
            suite = load_suite(plan.profiles, session, wanted.selection)
            ready.append(_ready(plan, session, suite, wanted, record.get(plan.name)))
        except FileError as error:
            problems |= dict.fromkeys(error.problems)
    benches = {one.plan.name: one.session.bench for one in ready}
    problems |= dict.fromkeys(shared_problems(rack, benches))
    if problems:
        raise FileError(problems)
    tell_given({profile.digest: profile for one in ready for profile in one.suite}.values())
    return ready


def _ready(
    plan: PlacePlan,
    session: Session,
    suite: Sequence[Loaded[Profile]],
    wanted: RackWanted,
    record: RackedPlace | None,
) -> ReadyPlace:
    """Return a place with what is left to run there, in order.

    Raises:
        FileError: what goes on is not as it was.
    """
    from ventproof.profile.duration import saving_order  # noqa: PLC0415 - slow
    from ventproof.rack.before import place_before  # noqa: PLC0415 - as above
    from ventproof.session.resume import in_plan  # noqa: PLC0415 - as above

    if wanted.save_settling:
        suite = [suite[place] for place in saving_order([profile.model for profile in suite])]
    if wanted.resume is None:
        return ReadyPlace(plan, session, suite)
    before = place_before(wanted.resume / plan.name, record)
    if before.plan is not None:
        suite, _ = in_plan(before.plan, session, suite)
    return ReadyPlace(plan, session, suite, before)


def _session(
    rack: Loaded[RackFile], plan: PlacePlan, *, operator: str, seed: int, history: str | None
) -> Session:

    bench = options.bench_at(plan.bench)
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


def _id_of(ready: Sequence[ReadyPlace]) -> str:
    """Return by what the logs of a rack know each other: as those before that go on, or anew."""
    plans = [one.before.plan.plan for one in ready if one.before and one.before.plan]
    return next((plan.part.id for plan in plans if plan.part), token_hex(16))


def _place(ready: ReadyPlace, folder: Path, wanted: RackWanted, words: Sequence[str]) -> RackPlace:
    from ventproof.profile.duration import part_spans  # noqa: PLC0415
    from ventproof.profile.stimulus import Idle  # noqa: PLC0415
    from ventproof.rack.before import PlaceBefore  # noqa: PLC0415
    from ventproof.rack.follow import RackPlace  # noqa: PLC0415

    plan, own = ready.plan, folder / ready.plan.name
    stimuli = (one for profile in ready.suite for step in profile.model.steps for one in step.do)
    before = ready.before or PlaceBefore()
    where = [f"--out={own}", f"--repeat={wanted.repeat}", f"--seed={wanted.seed}"]
    if before.plan is not None:
        where = [f"--resume={own}"]
    return RackPlace(
        name=plan.name,
        unit=ready.session.unit,
        firmware=ready.session.firmware,
        bench=ready.session.bench.model.bench,
        virtual=ready.session.bench.model.virtual,
        folder=own,
        words=(*words, *where, *wanted.words, *plan.words),
        profiles=tuple(tuple(part_spans(profile.model)) for profile in ready.suite),
        repeats=before.plan.plan.repeats if before.plan else wanted.repeat,
        silence_s=_SILENCE_S + max((one.idle for one in stimuli if isinstance(one, Idle)), default=0.0),
        kept=before.outcomes,
        code=before.code,
        remark=before.remark,
    )


@final
@dataclass(frozen=True, slots=True)
class RackTest:
    """What a test of a rack leaves behind.

    Attributes:
        rack: its name.
        folder: of the logs and the record.
        key: signs the record; None: nothing is signed.
        operator: in whose name.
        reports: files to write of all that was run.
    """

    rack: str
    folder: Path
    key: SigningKey | None = None
    operator: str = ""
    reports: tuple[Path, ...] = ()


def _test(test: RackTest, places: Sequence[RackPlace], most: int) -> int:
    """Test all places, close the test with a record, show how it ended, and return the exit code.

    Raises:
        DriverError: it was stopped, and outputs may not be safe.
        KeyboardInterrupt: it was stopped.
    """
    import asyncio  # noqa: PLC0415 - only where something is tested

    from ventproof.rack.supervise import Rack, worst_code  # noqa: PLC0415
    from ventproof.terminal.console import new_console  # noqa: PLC0415
    from ventproof.terminal.live import show_rack  # noqa: PLC0415
    from ventproof_bench.base.interrupts import held  # noqa: PLC0415

    with held() as interruption:
        tested = Rack(places, _begin, at_once=most)
        with _shown(test.rack, tested) as tested.tell:
            asyncio.run(tested.run(lambda: interruption.came))
        ended = [_ended(one, test.folder) for one in tested.progress]
        written = _close(test, ended)
        show_rack(new_console(), tested.progress, str(test.folder))
        for one in tested.progress:
            _tell(one)
        if interruption.came:
            _require_safe(tested.progress)
        written = _report(test, ended) and written
    code = worst_code(one.code for one in ended)
    return EXIT_BENCH if code == EXIT_PASS and not written else code


def _close(test: RackTest, ended: Sequence[RackedPlace]) -> bool:
    """Write the record of a rack, signed where its logs are; whether that was done, and if not it is told."""
    from ventproof.log.names import signature_path  # noqa: PLC0415 - slow
    from ventproof.runset.rack_record import RACK, RackRecord, write_rack_record  # noqa: PLC0415

    path = test.folder / RACK
    try:
        # That of the record which the same rack left before it went on says nothing of this one.
        signature_path(path).unlink(missing_ok=True)
        record = RackRecord(test.rack, tuple(ended))
        write_rack_record(path, record, replaces=True)
        if test.key is not None:
            from ventproof.log.signing import fingerprint  # noqa: PLC0415 - slow, and only who signs needs it
            from ventproof.runset.signature import sign_closing  # noqa: PLC0415 - as above

            sign_closing(path, record.content, test.key, test.operator)
            _say(f"{path.name} is signed, key {fingerprint(test.key.public)}")
    except (OSError, VentproofError) as error:
        click.echo(f"RECORD OF THE RACK NOT WRITTEN: {error}", err=True)
        return False
    return True


def _report(test: RackTest, ended: Sequence[RackedPlace]) -> bool:
    """Write the reports of a rack; whether all were written."""
    from ventproof.log.names import log_at  # noqa: PLC0415 - slow
    from ventproof.runset.present import Choice  # noqa: PLC0415 - as above

    logs = [log_at(test.folder / log.log) for one in ended for log in one.logs]
    return write_all(test.reports if logs else (), logs, Choice.RECORDED, warns=True)


def _begin(place: RackPlace) -> ForkedPlace:
    from ventproof.rack.process import ForkedPlace  # noqa: PLC0415 - slow

    place.folder.mkdir(exist_ok=True)
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
    from ventproof.log.names import logs_in, plain_path  # noqa: PLC0415
    from ventproof.log.read import LogCheck, check_log  # noqa: PLC0415
    from ventproof.rack.before import last_attempts  # noqa: PLC0415
    from ventproof.runset.rack_record import RackedLog, RackedPlace  # noqa: PLC0415

    place, logs, checks = one.place, list[RackedLog](), list[LogCheck]()
    for path in logs_in(place.folder):
        try:
            check = check_log(path)
            name = plain_path(path).relative_to(folder).as_posix()
            logs.append(RackedLog(name, check.sha256, check.outcome))
            checks.append(check)
        except FileError as error:
            one.remark = one.remark or str(error)
    outcomes = [check.outcome for check in last_attempts(checks)]
    if one.code in _SHOWN_BY and (one.remark or not _shows(one.code, outcomes, place.runs)):
        shown = ", ".join(outcomes) or "none"
        said = f"its run ended with exit code {one.code}, and its logs of {place.runs} planned runs show: {shown}"
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
