"""Profile against mock; workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import blake2b
from typing import TYPE_CHECKING, Literal, TypeVar, final

from ventproof.case.case import Case, case_of
from ventproof.case.findings import finding_of
from ventproof.jobs.executor import Executor, Told, Workforce, in_order
from ventproof.log.events import GapSeen, Header, PollSeen
from ventproof.profile.bind import Bound, bind
from ventproof.run.engine import Engine, Outcome
from ventproof.run.played_people import peopled
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.drivers.people import TOLD
from ventproof_bench.outputs.vents import PLAYED

if TYPE_CHECKING:
    from ventproof.log.events import Event
    from ventproof.profile.model import Profile
    from ventproof_bench.base.evidence import Poll
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.mock.unit import MockUnit
    from ventproof_bench.yamlfile.load import Loaded


@final
@dataclass(frozen=True, slots=True)
class UnitDigests:
    """What a unit did during a run, as digests that are equal for equal courses.

    Attributes:
        truth: where every vent truly was.
        shown: every register that was polled, and every gap.
        watched: the readings of signals while a response of the profile was watching them, and the gaps meanwhile.
    """

    truth: str
    shown: str
    watched: str


@final
@dataclass(frozen=True, slots=True)
class Trial:
    """How a profile ended.

    Attributes:
        verdict: None when the bench broke the run off.
        why: what did not pass first, or why there is no verdict; empty for a pass.
        course: what the unit did.
        polls: how much was read, a measure of what the trial costs.
        touched: what of the unit was moved.
    """

    verdict: Verdict | None
    why: str
    course: UnitDigests
    polls: int
    touched: frozenset[str] = frozenset()

    @property
    def failed(self) -> bool:
        """Whether the profile found the unit faulty; trouble with the bus and open questions are no finding."""
        return self.verdict is Verdict.FAIL

    @property
    def passed(self) -> bool:
        """Whether the profile holds the unit for healthy."""
        return self.verdict is Verdict.PASS


T = TypeVar("T")

Missed = Literal[
    "never stimulated",
    "made no difference",
    "stimulated, not observed",
    "observed, within tolerance",
    "inconclusive",
]
"""Why a wrong unit is not caught: no profile moves anything that brings it out; it did all that a right one does; it
did otherwise where no response looked; a response looked on and passed all the same; none could decide."""


def missed_of(pairs: Sequence[tuple[Trial, Trial]]) -> Missed:
    """Return why no profile caught a unit, from how each ended against it and against the healthy one."""
    if not pairs:
        return "never stimulated"
    if not all(trial.passed for trial, _ in pairs):
        return "inconclusive"
    if any(trial.course.watched != good.course.watched for trial, good in pairs):
        return "observed, within tolerance"
    if any(trial.course != good.course for trial, good in pairs):
        return "stimulated, not observed"
    return "made no difference"


def attempt(profile: Loaded[Profile], bench: Loaded[BenchFile], *, seed: int) -> Trial:
    """Run a profile on a virtual bench.

    Args:
        profile: the profile.
        bench: a bench with a mock unit inside this process.
        seed: for what is random on the bench.

    Raises:
        FileError: the bench lacks what the profile needs.
        KeyboardInterrupt: the operator broke it off.
    """
    bound = bind(profile, bench, {})
    case = case_of(bound, in_batches=True)
    notes = _Notes(bound, case)
    outcome, unit = run_unrecorded(bound, case, bench.model, seed=seed, record=notes.take)
    truth = blake2b(digest_size=16)
    for vent in bench.model.mock.vents if bench.model.mock else ():
        if vent not in unit.outside or unit.outside[vent].own is not None:
            truth.update(
                repr(unit.truth(vent)[:-1]).encode()
            )  # the last is where it stood when the run ended
    course = UnitDigests(truth.hexdigest(), notes.shown.hexdigest(), notes.watched.hexdigest())
    why = outcome.aborted or _first_trouble(case)
    return Trial(outcome.verdict, why, course, notes.polls, frozenset(unit.touched.names))


def run_unrecorded(
    bound: Bound, case: Case, bench: BenchFile, *, seed: int, record: Callable[[Event], None]
) -> tuple[Outcome, MockUnit]:
    """Run a profile on a virtual bench, as a session does, without a log.

    Args:
        bound: the profile, tied to the bench.
        case: follows it.
        bench: a bench with a mock unit inside this process.
        seed: for what is random on the bench.
        record: takes every event.

    Raises:
        KeyboardInterrupt: the operator broke it off.
    """

    async def main() -> tuple[Outcome, MockUnit]:
        rig, prompts = peopled(bench, seed=seed)
        assert rig.mock is not None, "a virtual bench has one"
        engine = Engine(
            bound.profile.model,
            rig,
            case,
            record=record,
            prompts=prompts,
            output_names=bound.outputs,
            vent_names=bound.vents,
        )
        return await engine.run(Header()), rig.mock

    return run_loop(main(), virtual=True)


class _Notes:
    """Digests what the unit shows."""

    def __init__(self, bound: Bound, case: Case) -> None:
        self.shown = blake2b(digest_size=16)
        self.watched = blake2b(digest_size=16)
        self.polls = 0
        self._watching = [(result, bound.signals[name]) for result in case.results for name in result.signals]
        self._last: Mapping[str, float] | None = None
        self._last_watched: Sequence[str] = ()
        self._said, self._said_watched = b"", b""

    def take(self, event: Event) -> None:
        """Take an event of the run."""
        if isinstance(event, GapSeen):
            self.shown.update(repr(event.gap).encode())
            if self._watched():
                self.watched.update(repr(event.gap).encode())
        elif isinstance(event, PollSeen):
            poll, watched = event.poll, self._watched()
            self.polls += 1
            # A poller that reads the same words again hands on the same mapping.
            if poll.values is not self._last or watched != self._last_watched:
                self._last, self._last_watched = poll.values, watched
                self._say(poll)
            self.shown.update(self._said)
            self.watched.update(self._said_watched)

    def _say(self, poll: Poll) -> None:
        # A vent that the bench plays is where what the unit shows of its drive has moved it.
        seen_of = dict(poll.values) if poll.table in {PLAYED, TOLD} else {}
        self._said = repr((poll.address, poll.words, seen_of)).encode()
        seen = sorted({(name, poll.values[name]) for name in self._last_watched if name in poll.values})
        self._said_watched = repr(seen).encode() if seen else b""

    def _watched(self) -> list[str]:
        """Return the signals that a response is watching: one that has begun and is not decided."""
        watches = [(result.watch, name) for result, name in self._watching]
        return [name for watch, name in watches if watch is not None and watch.ruling is None]


def _first_trouble(case: Case) -> str:
    """Return the first response that failed or, where none did, that stayed open."""
    findings = [finding_of(result) for result in case.results if result.ruling is not None]
    for verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE):
        for finding in findings:
            if finding.verdict is verdict and not finding.skipped:
                return f"{finding.step_name}: {finding.signal} {finding.demand}"
    return ""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Suite:
    """What is challenged.

    Attributes:
        profiles: the suite.
        bench: a bench with a mock unit inside this process.
        seed: for what is random on the bench.
    """

    profiles: tuple[Loaded[Profile], ...]
    bench: Loaded[BenchFile]
    seed: int = 0


@contextmanager
def suite_workers(suite: Suite, workforce: Workforce) -> Iterator[SuiteWorkers]:
    """Give the processes, each of which has the suite.

    Args:
        suite: what every process is given.
        workforce: whose processes they are.
    """
    with workforce(begin=_take, arguments=(suite,)) as processes:
        yield SuiteWorkers(processes)


@final
@dataclass(frozen=True, slots=True)
class SuiteWorkers:
    """Processes that all have one suite."""

    _processes: Executor

    def each(self, tasks: Sequence[Callable[[], T]], told: Told) -> Iterator[T]:
        """Yield what each task returns, in the order of the tasks."""
        return in_order(self._processes, _done, tasks, told)


def _done(task: Callable[[], T]) -> T:
    return task()


_suite: Suite


def _take(suite: Suite) -> None:
    global _suite  # noqa: PLW0603 - a process of the pool has one suite for all its life
    _suite = suite


def own_suite() -> Suite:
    """Return the suite of this process, which is one of `suite_workers`."""
    return _suite
