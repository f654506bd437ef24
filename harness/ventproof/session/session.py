"""Runs profiles on a bench and leaves their logs behind; the commands and the pytest plugin share it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from platform import python_version
from typing import TYPE_CHECKING, Final, final

from ventproof.case.case import Case, case_of
from ventproof.case.decidable import checked
from ventproof.case.findings import findings_of
from ventproof.log.encode import PollText, fields_of
from ventproof.log.events import (
    FORMAT,
    Event,
    EvidenceEnd,
    FindingMade,
    Header,
    PinnedCheck,
    PinnedText,
    PollSeen,
    RunBegin,
    RunEnd,
    StepBegin,
    StepEnd,
)
from ventproof.log.gaps import BusGaps, GapCounter
from ventproof.log.left import LeftCounter
from ventproof.log.plan import Plan, PlannedClaim, PlannedProfile, PlannedRun, PlanPart
from ventproof.log.settings import OF_SETTINGS, SettingTold, settings_of
from ventproof.log.write import RecordLog, new_log
from ventproof.papers.misspelt import WaivableProfile, misspelt
from ventproof.papers.waivers import pinned_paper
from ventproof.profile.bind import Bound, bind
from ventproof.profile.check_responses import named_responses
from ventproof.profile.check_traffic import train_problems
from ventproof.profile.model import Profile
from ventproof.rejudge.standing import attempt, with_evidence
from ventproof.run.ending import left_lines, telling_left
from ventproof.run.engine import Engine, Outcome, Recorder
from ventproof.run.limits import limit_problems
from ventproof.run.played_people import peopled
from ventproof.run.prompts import Desk
from ventproof.run.view import CarefulView, View
from ventproof.table.model import OverrideTable
from ventproof.verdict.text import titled
from ventproof_bench.base.clock import local_now, utc_now
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.base.errors import FileError, Problem, RecordError, VentproofError
from ventproof_bench.base.interrupts import held, unless_interrupted
from ventproof_bench.base.text import stated
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.yamlfile.load import Loaded

if TYPE_CHECKING:
    from ventproof.history.enter import Keeper
    from ventproof.log.run import RunRecord
    from ventproof.log.signing import SigningKey
    from ventproof.papers.acceptance import Acceptance
    from ventproof.papers.waivers import Waivers
    from ventproof.verdict.finding import Finding


_LONGEST_NAME: Final = 60
_SYNC_AFTER: Final = (RunBegin, StepBegin, StepEnd, RunEnd)


@final
@dataclass(frozen=True, slots=True)
class RunResult:
    """One finished run: its log, and what stands in it.

    Attributes:
        profile: the profile's name, with its decision rule where that is not the guarded one.
        log: path of the log.
        digest: digest of the log's last line.
        outcome: verdict, or why there is none.
        findings: of its responses, as the log holds them, in order.
        settings: what became of the unit's settings.
        gaps: how often its buses brought no evidence.
        left: how its outputs were left: one line where all is well, else a line for each that is not.
    """

    profile: str
    log: Path
    digest: str
    outcome: Outcome
    findings: tuple[Finding, ...]
    settings: tuple[SettingTold, ...] = ()
    gaps: tuple[BusGaps, ...] = ()
    left: tuple[str, ...] = ()


@final
class _Told:
    """What a run tells: it goes to the log and to whoever watches, and what its result holds is kept."""

    def __init__(self, log: RecordLog, view: View, use: Mapping[str, str], case: Case, *, real: bool) -> None:
        self.left = LeftCounter(use)
        self.findings: list[Finding] = []
        self.of_settings: list[Event] = []
        self.gaps = GapCounter()
        self._last_s = 0.0
        self._log = log
        self._view = view
        self._case = case
        self._real = real
        self._polls = PollText()

    def shown(self) -> tuple[Finding, ...]:
        """Return what is told of the responses of the run, which was aborted."""

        def ended() -> tuple[Finding, ...]:
            self._case.feed(EvidenceEnd(self._last_s, aborted=True))
            return findings_of(self._case)

        again, _ = attempt(ended)
        return with_evidence(self.findings, again or (), whole=False)

    def take(self, event: Event) -> None:
        """Take the next event.

        Raises:
            RecordError: the log does not take it.
        """
        if not isinstance(event, RunEnd):  # outputs are as they are, whether or not the log takes it
            self.left.feed(event)
        if isinstance(event, PollSeen):
            self._log.write_text(event.name, event.t_s, self._polls.of(event))
        else:
            self._log.write(event.name, event.t_s, fields_of(event))
        if isinstance(event, RunEnd):
            self.left.feed(event)
        self._last_s = max(self._last_s, event.t_s)
        self.gaps.feed(event)
        if self._real and isinstance(
            event, _SYNC_AFTER
        ):  # a virtual run is over, and its log synced, in a moment
            self._log.sync_beside()
        if isinstance(event, FindingMade):
            self.findings.append(event.finding)
        elif isinstance(event, OF_SETTINGS):
            self.of_settings.append(event)
        self._view.event(event)


def _unfollowed(_: Path) -> None:
    """Nobody looks on."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What stays the same for all runs of one command.

    Attributes:
        bench: the bench file.
        out: folder for the logs.
        unit: serial number of the unit under test, as the operator states it.
        firmware: its firmware version, likewise.
        operator: who runs the test.
        seed: for everything that is random on a virtual bench.
        use: bench names to take where the profile says another: `{"rain": "rain_spare"}`.
        selfcheck: the self-check of the bench that stands behind the runs, as `session.selfcheck.pinned` gives it; None
            where nobody made one.
        table: the override table that the unit is held to; the record has it as an annex. None: it has none.
        acceptance: the data of the acceptance test that the runs belong to; None: they belong to none.
        waivers: the deviations that were accepted before; None: there are none.
        signing: the key that signs every log when its run is over, an aborted one's too, in the operator's name;
            None: no log is signed.
        keeper: enters every log into a history when its run is over, however it ended; None: no history is kept.
        ledger: where the operations of relays are added up; None: nowhere.
        follow: is given the path of every log that was just created, for who looks on.
        desks: where people see prompts and answer them.
        token: of the job of a campaign that the run is, where it moves something real.
        part: of what its plans are a part; None: they stand alone.
    """

    bench: Loaded[BenchFile]
    out: Path
    unit: str = ""
    firmware: str = ""
    operator: str = ""
    seed: int = 0
    use: Mapping[str, str] = field(default_factory=dict)
    selfcheck: PinnedCheck | None = None
    table: Loaded[OverrideTable] | None = None
    acceptance: Acceptance | None = None
    waivers: Waivers | None = None
    signing: SigningKey | None = None
    keeper: Keeper | None = None
    ledger: Path | None = None
    follow: Callable[[Path], None] = _unfollowed
    desks: Sequence[Desk] = ()
    token: str = ""
    part: PlanPart | None = None

    def __post_init__(self) -> None:
        """Refuse what could not stand in a record.

        Raises:
            FileError: unit, firmware or operator is not one line of printable characters.
        """
        for text, option in (
            (self.unit, "--unit"),
            (self.firmware, "--firmware"),
            (self.operator, "--operator"),
        ):
            stated(text, option)

    def misspelt(self, suite: Iterable[Loaded[Profile]]) -> Iterator[Problem]:
        """Yield names in the waivers that no profile has; those that are left out of a run count, too."""
        if self.waivers is None:
            return
        profiles = [
            WaivableProfile(
                one.profile,
                ["start", "always", *(step.step for step in one.steps)],
                named_responses(one),
                [name for asked in one.required.values() for name in asked.requirements],
            )
            for one in (loaded.model for loaded in suite)
        ]
        yield from misspelt(self.waivers, profiles)

    def bind(self, profile: Loaded[Profile]) -> Bound:
        """Tie a profile to the bench, to run it or to say what is wrong; what runs all the same is noted there.

        Raises:
            FileError: the bench lacks something that the profile needs, a bus cannot carry its pulses, or no unit
                could pass something there.
        """
        bound = self._tied(profile)
        if bound.undecidable:
            raise FileError(bound.undecidable)
        return bound

    def _tied(self, profile: Loaded[Profile], warnings: Sequence[Problem] | None = None) -> Bound:
        bound = bind(profile, self.bench, self.use)
        bound = checked(bound) if warnings is None else replace(bound, warnings=tuple(warnings))
        problems = [*train_problems(bound), *limit_problems(bound)]
        if problems:
            raise FileError(problems)
        return bound

    def plan(
        self, suite: Sequence[Loaded[Profile]], repeats: int = 1, claim: PlannedClaim | None = None
    ) -> Plan:
        """Return the plan to run profiles.

        Args:
            suite: the profiles, in order.
            repeats: how often each; every repeat has its own seed.
            claim: what the repeats are to prove; None: nothing.
        """
        return Plan(
            profiles=tuple(PlannedProfile(one.model.profile, one.digest) for one in suite),
            bench_sha256=self.bench.digest,
            started=None if self.bench.model.virtual else utc_now().isoformat(timespec="milliseconds"),
            unit=self.unit,
            firmware=self.firmware,
            repeats=repeats,
            seed=self.seed,
            claim=claim,
            part=self.part,
        )

    def run(
        self,
        profile: Loaded[Profile],
        view: View,
        place: PlannedRun | None = None,
        *,
        opened: Callable[[RecordLog], None] = lambda _: None,
        warnings: Sequence[Problem] | None = None,
    ) -> RunResult:
        """Run one profile and write its log.

        Args:
            profile: the profile.
            view: what watches the run.
            place: of this run in a plan; None: it is a plan of its own.
            opened: is given the log before anything is written to it.
            warnings: those of `bind`, where it was called for the profile already.

        Raises:
            FileError: profile and bench do not fit, or the log cannot be created; nothing was switched.
            KeyboardInterrupt: the operator broke it off; outputs are safe and the log is closed as aborted.
            RecordError: the log cannot be written, was changed meanwhile, or its signature cannot be written.
        """
        if self.bench.model.people and not (self.bench.model.virtual or self.desks):
            raise nobody_here(self.bench.model)
        bound = self._tied(profile, warnings)
        place = place or PlannedRun(self.plan([profile]), 1)
        real = not self.bench.model.virtual
        case, screen = case_of(bound, in_batches=not real), CarefulView(view)
        title = titled(profile.model.profile, profile.model.decision)
        unless_interrupted()
        with held(), self._log(profile) as log:
            opened(log)
            told = _Told(log, screen, bound.outputs, case, real=real)

            async def main() -> Outcome:
                engine = self._engine(bound, case, told.take, place.seed)
                return await engine.run(self.header(profile, place))

            screen.begin(title, case)
            try:
                with telling_left(self.bench.model, told.left, log.path, told.shown):
                    outcome = run_loop(main(), virtual=not real)
                    log.close()  # here, where what goes wrong with it is told with how the outputs were left
            finally:
                screen.end()
            left = left_lines(self.bench.model, told.left)
            settings, gaps = settings_of(told.of_settings, bound.outputs), told.gaps.found
            found = tuple(told.findings) if outcome.verdict else told.shown()
            return RunResult(title, log.path, log.digest, outcome, found, settings, gaps, left)

    def _engine(self, bound: Bound, case: Case, record: Recorder, seed: int) -> Engine:
        """Return what runs a profile on a rig of the bench."""
        rig, prompts = peopled(self.bench.model, seed=seed, desks=self.desks, ledger=self.ledger)
        return Engine(
            bound.profile.model,
            rig,
            case,
            record=record,
            prompts=prompts,
            output_names=bound.outputs,
            vent_names=bound.vents,
            notes=self._notes(bound),
        )

    def _notes(self, bound: Bound) -> list[str]:
        """Return what the record says of a profile on this bench; files by name, wherever they lay."""
        path, name = self.bench.path, Path(self.bench.path).name
        notes = (*bound.notes, *bound.undecidable, *bound.warnings)
        named = [str(replace(note, file=Path(note.file).name)) for note in notes]
        return [note.replace(path, name) for note in named]

    @contextmanager
    def _log(self, profile: Loaded[Profile]) -> Iterator[RecordLog]:
        """Give a new log to write; when it is closed it is signed and entered, however its run ended."""
        log = new_log(self.out, slug(profile.model.profile))
        self.follow(log.path)
        try:
            try:
                with log:
                    yield log
            except BaseException:
                with suppress(VentproofError):  # what went wrong first is what is told
                    self._sign(log.path, log.digest)
                raise
            self._sign(log.path, log.digest)
        finally:
            if self.keeper is not None and log.lines:
                self.keeper.enter(log.path)

    def keep(self, log: Path, digest: str, record: RunRecord | None) -> None:
        """Sign the log of a run that was made elsewhere and lies here now, and enter it soon; `settle` must follow.

        Args:
            log: the log.
            digest: of its last line.
            record: its run; None where no history is kept.

        Raises:
            RecordError: its signature cannot be written.
        """
        try:
            self._sign(log, digest)
        finally:
            if self.keeper is not None and record is not None:
                self.keeper.enter_soon(log, record)

    def settle(self) -> None:
        """Enter the logs that wait for that."""
        if self.keeper is not None:
            self.keeper.settle()

    def _sign(self, log: Path, digest: str) -> None:
        if self.signing is not None:
            from ventproof.log.signing import sign_log  # noqa: PLC0415 - slow, and only who signs needs it

            try:
                sign_log(log, self.signing, self.operator, digest=digest)
            except FileError as error:  # the run is over: it is no argument that is wrong any more
                raise RecordError(str(error)) from error

    def _annex(self) -> PinnedText | None:
        table = self.table
        return table and PinnedText(table.model.table, table.digest, table.text)

    def header(self, profile: Loaded[Profile], place: PlannedRun) -> Header:
        """Return what the first line of the log pins."""
        virtual = self.bench.model.virtual
        return Header(
            format=FORMAT,
            clock="virtual" if virtual else "wall",
            decision=profile.model.decision,
            started=None if virtual else local_now().isoformat(timespec="seconds"),
            unit=self.unit,
            firmware=self.firmware,
            operator=self.operator,
            repeat=place.repeat,
            seed=place.seed,
            place=place,
            token=self.token,
            use=dict(self.use),
            selfcheck=self.selfcheck,
            table=self._annex(),
            acceptance=pinned_paper(self.acceptance),
            waivers=pinned_paper(self.waivers),
            profile=PinnedText(
                profile.model.profile,
                profile.digest,
                profile.text,
                dict(profile.attached),
                dict(profile.given),
                profile.file_digest,
            ),
            bench=PinnedText(self.bench.model.bench, self.bench.digest, self.bench.text),
            versions={
                "ventproof": version("ventproof"),
                "python": python_version(),
                "pymodbus": version("pymodbus"),
                "pyserial": version("pyserial"),
            },
        )


def nobody_here(bench: BenchFile) -> FileError:
    """Return that a bench asks people and has nowhere to ask them."""
    reason = f"this bench asks people ({', '.join(bench.people)}), and no one is here to answer"
    return FileError([Problem("--bench", None, None, reason, "run it in a terminal")])


def use_pairs(pairs: Iterable[str]) -> dict[str, str]:
    """Read `NAME=BENCH_NAME` options.

    Raises:
        FileError: one of them is no such pair.
    """
    split = [(pair, *pair.partition("=")) for pair in pairs]
    names = [name for _, name, _, _ in split]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise FileError(
            [
                Problem("--map", None, None, f"{name!r} is mapped twice", "give each name once")
                for name in twice
            ]
        )
    wrong = [pair for pair, name, _, bench_name in split if not (name and bench_name)]
    if wrong:
        raise FileError(
            [
                Problem("--map", None, None, f"{pair!r} is not a pair", "write rain=rain_spare")
                for pair in wrong
            ]
        )
    return {name: bench_name for _, name, _, bench_name in split}


def slug(name: str) -> str:
    """Return a profile's name as a file name: `Rain begins!` becomes `rain-begins`; a long one ends with a word."""
    words = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
    short = words[:_LONGEST_NAME]
    if short != words and words[_LONGEST_NAME] != "-":
        short = short.rpartition("-")[0] or short
    return short.rstrip("-") or "profile"
