"""`ventproof rack`: several units on benches of their own, tested at the same time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, final

import click

from ventproof.cli import main, options
from ventproof.cli.report import REPORTS, write_all
from ventproof.cli.run import session_of
from ventproof.cli.suite import ONLY, TAG, VALUES, Selection, load_suite, tell_given, tell_misspelt
from ventproof.verdict.finding import EXIT_BENCH, EXIT_PASS
from ventproof_bench.base.errors import DriverError, FileError, Problem, VentproofError
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    from ventproof.log.plan import PlanPart
    from ventproof.log.signing import SigningKey
    from ventproof.profile.model import Profile
    from ventproof.rack.follow import PlaceProgress, RackPlace
    from ventproof.rack.process import ForkedPlace
    from ventproof.rack.ready import ReadyPlace
    from ventproof.rack.supervise import Rack
    from ventproof.runset.rack_file import PlacePlan, RackFile
    from ventproof.runset.rack_record import RackedPlace
    from ventproof.session.session import Session
    from ventproof_bench.yamlfile.load import Loaded


_SILENCE_S: Final = 180.0
"""Nothing in a run is silent for longer, the pauses of its profiles apart: a bench has a minute to come back."""


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
    from ventproof.history.database import FILE  # noqa: PLC0415 - slow
    from ventproof.log.plan import PlanPart  # noqa: PLC0415 - as above
    from ventproof.rack.process import call_up  # noqa: PLC0415 - as above
    from ventproof.rack.ready import at_once_here, id_of, new_folder, planned_said  # noqa: PLC0415 - as above
    from ventproof.runset.rack_file import load_rack  # noqa: PLC0415 - pydantic is slow to import

    loaded, wanted = load_rack(file), RackWanted.of(**stated)
    if wanted.resume is not None:
        out = options.only_resumed(wanted.resume).resolve().parent
    history = history or str(out / FILE)
    ready = ready_places(loaded, wanted, operator=operator, history=history)
    key = _key_of(sign, wanted.resume, ready)
    call_up()
    most = at_once or at_once_here(ready)
    _say(planned_said(ready, most, asked=at_once is not None))
    for one in ready:
        if one.before is not None:
            click.echo(harmless(f"{one.plan.name}: {one.before.says}"), err=True)
    here = [one for one in ready if one.left]
    options.confirm_clear(*(one.session.bench for one in here), clear=clear)
    doing = f"ventproof rack {file}"
    _probe(here, doing)
    folder = wanted.resume or new_folder(out, loaded.model.rack)
    said = [f"--history={history}", f"--operator={operator}", *([f"--sign={sign}"] if sign else [])]
    places = [_place(one, folder, wanted, ["run", "--quiet", "--confirm-clear", *said]) for one in ready]
    part = PlanPart("rack", loaded.model.rack, len(ready), id_of(ready))
    test = RackTest(part, doing, folder, key, operator, reports)
    return _test(test, ready, places, most)


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
    known = _KnownProfiles()
    problems: dict[Problem, None] = {}
    record: Mapping[str, RackedPlace] = {}
    if wanted.resume is not None:
        record = recorded(wanted.resume, rack.model.rack, rack.model.places)
    for plan in plans_of(rack):
        if wanted.waivers is not None:
            plan = replace(plan, waivers=wanted.waivers)  # noqa: PLW2901 - the same place
        try:
            session = _session(rack, plan, operator=operator, seed=wanted.seed, history=history)
            suite = load_suite(plan.profiles, session, wanted.selection, known.take)
            ready.append(_ready(rack, plan, session, suite, wanted, record.get(plan.name)))
        except FileError as error:
            problems |= dict.fromkeys(error.problems)
    benches = {one.plan.name: one.session.bench for one in ready}
    problems |= dict.fromkeys(shared_problems(rack, benches))
    if problems:
        raise FileError(problems)
    known.tell_misspelt()
    tell_given({profile.digest: profile for one in ready for profile in one.suite}.values())
    return ready


@final
class _KnownProfiles:
    """The profiles of all places that have the same waivers, by the digest of these."""

    def __init__(self) -> None:
        self._suites: dict[str, tuple[Session, dict[str, Loaded[Profile]]]] = {}

    def take(self, session: Session, suite: Sequence[Loaded[Profile]]) -> None:
        """Take the profiles of a place."""
        if session.waivers is not None:
            _, profiles = self._suites.setdefault(session.waivers.digest, (session, {}))
            profiles |= {profile.digest: profile for profile in suite}

    def tell_misspelt(self) -> None:
        """Say which names in waivers no profile of any place has."""
        for session, profiles in self._suites.values():
            tell_misspelt(session, profiles.values())


def _ready(
    rack: Loaded[RackFile],
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
    from ventproof.rack.ready import ReadyPlace  # noqa: PLC0415 - as above
    from ventproof.session.resume import in_plan  # noqa: PLC0415 - as above

    if wanted.save_settling:
        suite = [suite[place] for place in saving_order([profile.model for profile in suite])]
    if wanted.resume is None:
        return ReadyPlace(plan, session, suite)
    before = place_before(wanted.resume / plan.name, record)
    if before.plan is not None:

        def stated(key: str, reason: str, hint: str) -> Problem:
            said = f"place {plan.name}: {key}: {reason}"
            return rack.problem(("places", plan.name, key), said, hint)

        suite, _ = in_plan(before.plan, session, suite, stated)
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


def _key_of(sign: Path | None, folder: Path | None, ready: Sequence[ReadyPlace]) -> SigningKey | None:
    """Return what signs a rack; None: nothing does.

    Args:
        sign: the file of the key.
        folder: of the rack that goes on.
        ready: its places.

    Raises:
        FileError: it holds no key; or there is none, what stands is signed, and something is left to run.
    """
    from ventproof.cli.sign import signing_key  # noqa: PLC0415 - slow
    from ventproof.runset.rack_record import RACK  # noqa: PLC0415 - slow
    from ventproof.runset.signature import require_unsigned  # noqa: PLC0415 - as above

    if sign is not None:
        return signing_key(sign, shared=True)
    stand = [kept.path for one in ready if one.before and one.before.plan for kept in one.before.plan.stand]
    if folder is not None and any(one.left for one in ready):
        require_unsigned([folder / RACK, *stand])
    return None


def _probe(ready: Sequence[ReadyPlace], doing: str) -> None:
    """Look whether every bench is there, and nobody else's.

    Raises:
        FileError: one is not; all that is missing.
    """
    from ventproof.session.onward import probed, reserved  # noqa: PLC0415

    problems: list[Problem] = []
    for one in ready:
        try:
            with reserved(one.session.bench, doing):  # its run reserves it again
                probed(one.session.bench)
        except FileError as error:
            problems += error.problems
    if problems:
        raise FileError(problems)


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
        part: what the plan of each place is a part of.
        doing: the command.
        folder: of the logs and the record.
        key: signs the record; None: nothing is signed.
        operator: in whose name.
        reports: files to write of all that was run.
    """

    part: PlanPart
    doing: str
    folder: Path
    key: SigningKey | None = None
    operator: str = ""
    reports: tuple[Path, ...] = ()


def _test(test: RackTest, ready: Sequence[ReadyPlace], places: Sequence[RackPlace], most: int) -> int:
    """Test all places, close the test with a record, show how it ended, and return the exit code.

    Raises:
        DriverError: it was stopped, and outputs may not be safe.
        KeyboardInterrupt: it was stopped.
    """
    import asyncio  # noqa: PLC0415 - only where something is tested

    from ventproof.rack.closing import of_waivers, place_ended  # noqa: PLC0415
    from ventproof.rack.supervise import Rack, worst_code  # noqa: PLC0415
    from ventproof.terminal.console import new_console  # noqa: PLC0415
    from ventproof.terminal.live import show_rack  # noqa: PLC0415
    from ventproof_bench.base.interrupts import held  # noqa: PLC0415

    with held() as interruption:
        tested = Rack(places, partial(_begin, test), at_once=most)
        with _shown(test.part.name, tested) as tested.tell:
            asyncio.run(tested.run(lambda: interruption.came))
        ended = [place_ended(one, test.folder) for one in tested.progress]
        written = _close(test, ended)
        show_rack(new_console(), tested.progress, str(test.folder))
        for one in tested.progress:
            _tell(one)
        if interruption.came:
            _require_safe(tested.progress)
        else:
            for line in of_waivers(test.folder, ready, ended):
                options.tell_once(f"warning: {line}")
        written = _report(test, ended) and written
        if interruption.came:
            raise KeyboardInterrupt(f"interrupted; to go on: {test.doing} --resume {test.folder}")
    code = worst_code(one.code for one in ended)
    return EXIT_BENCH if code == EXIT_PASS and not written else code


def _close(test: RackTest, ended: Sequence[RackedPlace]) -> bool:
    """Write the record of a rack, signed where its logs are; whether that was done, and if not it is told."""
    from ventproof.log.signing import fingerprint  # noqa: PLC0415 - slow
    from ventproof.rack.closing import close_rack  # noqa: PLC0415 - as above
    from ventproof.runset.rack_record import RACK, RackRecord  # noqa: PLC0415 - as above

    try:
        close_rack(test.folder, RackRecord(test.part.name, tuple(ended)), test.key, test.operator)
    except (OSError, VentproofError) as error:
        click.echo(harmless(f"RECORD OF THE RACK NOT WRITTEN: {error}"), err=True)
        return False
    if test.key is not None:
        _say(f"{RACK} is signed, key {fingerprint(test.key.public)}")
    return True


def _report(test: RackTest, ended: Sequence[RackedPlace]) -> bool:
    """Write the reports of a rack; whether all were written."""
    from ventproof.log.names import log_at  # noqa: PLC0415 - slow
    from ventproof.runset.present import Choice  # noqa: PLC0415 - as above

    logs = [log_at(test.folder / log.log) for one in ended for log in one.logs]
    return write_all(test.reports if logs else (), logs, Choice.RECORDED)


def _begin(test: RackTest, place: RackPlace) -> ForkedPlace:
    from ventproof.rack.process import ForkedPlace  # noqa: PLC0415 - slow

    place.folder.mkdir(exist_ok=True)
    return ForkedPlace(
        place, partial(main, options.RackCaller(f"{test.doing}, place {place.name}", test.part))
    )


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


def _tell(one: PlaceProgress) -> None:
    """Print what befell a place and what its run said: of one that passed its remarks, of each other all."""
    from ventproof.rack.process import SAID, WARNED, lines_in  # noqa: PLC0415
    from ventproof.terminal.console import new_console, say, tell_left  # noqa: PLC0415

    console = new_console()
    lines = [one.remark] if one.remark else []
    lines += [f"{path} ends without its last line: this run counts as aborted" for path in one.cut]
    for name in (WARNED,) if one.code == EXIT_PASS else (WARNED, SAID):
        lines += lines_in(one.place.folder / name)
    if lines:
        unit = f", unit {one.place.unit}" if one.place.unit else ""
        say(console, f"\n{one.place.name}{unit}:")
    for line in lines:
        say(console, line, indent=2)
    if _in_doubt(one):
        tell_left(console, (), "its run did not confirm that they are", one.place.name)


def _in_doubt(one: PlaceProgress) -> bool:
    """Return whether nothing says that real outputs are safe."""
    from ventproof.rack.follow import UNKNOWN  # noqa: PLC0415

    return one.outputs == UNKNOWN and not one.place.virtual


def _require_safe(progress: Sequence[PlaceProgress]) -> None:
    """Raise where a place was stopped and nothing says that its outputs are safe."""
    if unsafe := [one.place.name for one in progress if _in_doubt(one)]:
        raise DriverError(f"stopped; the outputs of {', '.join(unsafe)} may not be in their safe state")
