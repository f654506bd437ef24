"""Many logs, shared out."""

from __future__ import annotations

import gc
import os
from collections import Counter
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.forkserver import ensure_running, set_forkserver_preload
from typing import TYPE_CHECKING, Final, TypeVar, final

from ventproof.case.findings import findings_of
from ventproof.jobs.executor import cores, in_order, own_processes
from ventproof.log.gaps import BusGaps
from ventproof.log.names import has_signature
from ventproof.log.read import read_log
from ventproof.log.run import ABORTED, RunRecord, results_of, with_last_readings
from ventproof.log.signing import whats_wrong
from ventproof.rejudge.again import follow, run_told
from ventproof.rejudge.standing import (
    BELIEVED,
    OF_SETS,
    STANDINGS,
    attempt,
    is_whole,
    standing_of,
    with_evidence,
)
from ventproof.runset.completeness import WHOLE, PresentLog, SetCheck
from ventproof.runset.present import Choice, checked_set, present_log
from ventproof.verdict.naming import NamedRun, files_apart, names_apart
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from ventproof.log.read import LogState


WORST_FIRST: Final = ("aborted", "fail", "inconclusive", "pass")
"""How runs can end; of several runs together the first of these that occurs is said."""


@final
@dataclass(frozen=True, slots=True)
class Logged:
    """One run, and the log that tells of it.

    Attributes:
        log: the log, named as the user named it.
        run: the run.
        judged: one of `STANDINGS`, where the evidence was judged again.
        here: what a set of logs is counted by; None where no log was read.
        gaps: how often its buses brought no evidence; empty too where only a history tells of the run.
    """

    log: str
    run: RunRecord
    judged: str = ""
    here: PresentLog | None = None
    gaps: tuple[BusGaps, ...] = ()

    @property
    def standing(self) -> str:
        """How it stands: judged again where that was done, otherwise as the log says."""
        return self.judged or self.run.verdict

    def named(self, log: str) -> NamedRun:
        """Return what it is called by, its log being called `log`."""
        run, faults = self.run, ", ".join(fault.text for fault in self.run.faults or ())
        known = {"unit": run.unit, "firmware": run.firmware, "bench": run.bench, "faults": faults}
        return NamedRun(run.profile, known, run.repeat, run.seed, log)


def _name_of(log: str) -> str:
    return os.path.basename(log)  # noqa: PTH119 - of a name that is shown, not of a path that is opened


@final
@dataclass(frozen=True, slots=True)
class Lost:
    """A file that is no log, and why: what it held, nobody can say."""

    log: str
    reason: str

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return _name_of(self.log)

    @classmethod
    def of(cls, path: Path, problems: Sequence[Problem]) -> Lost:
        """Return a file with what was found wrong with it."""
        said = (f"line {p.line}: {p.reason}" if p.line else p.reason for p in problems)
        return cls(str(path), "; ".join(said))


@final
@dataclass(frozen=True, slots=True)
class Batch:
    """Runs to be told of together, at least one.

    Attributes:
        runs: the runs.
        whole: whether they are all that was planned, and nothing else.
        lost: files among the logs that are none.
    """

    runs: tuple[Logged, ...]
    whole: SetCheck = WHOLE
    lost: tuple[Lost, ...] = ()

    @property
    def verdict(self) -> str:
        """How they ended together: the worst that occurs, and aborted when not all are here or can be told of."""
        found = {logged.run.verdict for logged in self._counting}
        missing = self.whole.standing or self.lost
        return ABORTED if missing else next(word for word in WORST_FIRST if word in found)

    @property
    def standing(self) -> str:
        """How they stand together, as the first page of a report says it."""
        return worst_of((logged.standing for logged in self._counting), self.whole, self.lost)

    @property
    def _counting(self) -> Sequence[Logged]:
        """The runs but those that were aborted and made again."""
        return [one for one in self.runs if one.run.digest not in self.whole.superseded]

    @property
    def counted(self) -> str:
        """What is not here and how many stand how: `1 of 34 planned runs is not here; 33 runs: 33 pass`."""
        counts = Counter(logged.standing for logged in self.runs)
        said = ", ".join(f"{counts[word]} {word}" for word in STANDINGS if counts[word])
        left = f"; {number_of(len(self.lost), 'unreadable file')}" if self.lost else ""
        before = f"{self.whole.short}; " if self.whole.short else ""
        return f"{before}{number_of(len(self.runs), 'run')}: {said}{left}"

    @property
    def names(self) -> list[str]:
        """What each of the runs is called among them."""
        logs = files_apart([logged.log for logged in self.runs])
        return names_apart([one.named(log) for one, log in zip(self.runs, logs, strict=True)])

    @property
    def alarms(self) -> list[str]:
        """What a reader must not miss: what is not here, files that are no logs, and logs that are not believed."""
        lost = [f"{one.log}: {one.reason}" for one in self.lost]
        doubted = [f"{one.log}: {one.run.reason}" for one in self.runs if one.standing not in BELIEVED]
        return [*self.whole.says, *lost, *doubted]


def worst_of(standings: Iterable[str], whole: SetCheck, lost: Sequence[Lost]) -> str:
    """Return how runs stand together: as the one that says most, and never as a pass when something is missing."""
    found = {*standings, *(["unreadable"] if lost else []), whole.standing}
    return next(word for word in OF_SETS if word in found)


def read_runs(paths: Sequence[Path]) -> tuple[Logged, ...]:
    """Read the runs of at least one log; logs of self-checks hold none and are passed over.

    A log beside which a signature lies that does not fit gives no verdict.

    Raises:
        FileError: a file is no log, or none of them holds a run.
    """
    runs: list[Logged] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            state = read_log(path)
            if not state.is_check:
                run = _believed(run_told(state, str(path)), path)
                here = present_log(path, state)
                runs.append(Logged(str(path), run, here=here, gaps=state.told.gaps))
        except FileError as error:
            problems.extend(error.problems)
    if not problems and not runs:
        problems = [
            Problem(str(paths[0]), None, None, "holds no run of a profile", "name logs of `ventproof run`")
        ]
    if problems:
        raise FileError(problems)
    return tuple(runs)


def _believed(run: RunRecord, path: Path) -> RunRecord:
    """Return a run, without its verdict where the signature beside its log is wrong."""
    if not has_signature(path):
        return run
    wrong = whats_wrong(path)
    return replace(run, verdict=ABORTED, reason=wrong) if wrong else run


_OBJECTS: Final = 50_000
"""Evidence is many small objects without cycles; looking for some after every few hundred takes a sixth of the time."""

_FEW: Final = 4
"""So many logs are worked on in this process: starting others would take longer."""

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def call_up(jobs: int, module: str) -> None:
    """Let the other processes load a module while this one still does, where `each` will need them.

    Args:
        jobs: how many jobs there will be.
        module: the one with the work in it.
    """
    if jobs > _FEW and cores() > 1:
        set_forkserver_preload([module])
        ensure_running()


Told = Callable[[int, int], None]
"""Is given how many logs are done, and of how many."""


def counted(done: Iterable[_Done], of: int, told: Told) -> Iterator[_Done]:
    """Yield what was made of each log, and tell how many were."""
    for number, one in enumerate(done, start=1):
        told(number, of)
        yield one


def each(work: Callable[[_Job], _Done], jobs: Sequence[_Job]) -> Generator[_Done, None, None]:
    """Yield what `work` makes of each job, in order; jobs and results must be fit to be sent between processes."""
    workers = min(cores(), len(jobs))
    if len(jobs) <= _FEW or workers == 1:
        yield from map(work, jobs)
        return
    with own_processes(
        workers, method="forkserver", begin=gc.set_threshold, arguments=(_OBJECTS,)
    ) as processes:
        yield from in_order(processes, partial(_tidily, work), jobs)


def _tidily(work: Callable[[_Job], _Done], job: _Job) -> _Done:
    """Work on a job and leave nothing of it behind; what lives on is never looked through again."""
    done = work(job)
    gc.collect()
    gc.freeze()
    return done


def judged_batch(paths: Sequence[Path], choice: Choice = Choice.NAMED, told: Told = lambda *_: None) -> Batch:
    """Read the runs of some logs and judge each again; logs of self-checks hold none and are passed over.

    A log that is the same to the byte as another is told of once. A run whose log is not borne out by its own evidence,
    or by the signature beside it, has no verdict. A file that is no log stands among the lost ones.

    Args:
        paths: the logs.
        choice: how they came to be looked at together.
        told: is given how far it is.

    Raises:
        FileError: none of the files holds a run.
    """
    done = list(counted(each(_judged, paths), len(paths), told))
    runs = tuple(one for one in done if isinstance(one, Logged))
    if not runs:
        problems = [problem for one in done if isinstance(one, tuple) for problem in one]
        hint = "name logs of `ventproof run`"
        raise FileError(problems or [Problem(str(paths[0]), None, None, "no log of a run was named", hint)])
    lost = (Lost.of(path, one) for path, one in zip(paths, done, strict=True) if isinstance(one, tuple))
    whole = checked_set([one.here for one in runs if one.here], choice)
    return Batch(tuple(_unique(runs)), whole, tuple(lost))


def _unique(runs: Iterable[Logged]) -> Iterable[Logged]:
    """Leave out copies; a log that goes on, broken, after another's last line, is another log."""
    kept: dict[tuple[str, str, str], Logged] = {}
    for one in runs:
        kept.setdefault((one.run.digest, one.judged, one.run.reason), one)
    return kept.values()


def _judged(path: Path) -> Logged | tuple[Problem, ...] | None:
    """Return the run of a log, None for a self-check, or what is wrong: a `FileError` passes between no processes."""
    try:
        state = read_log(path)
        if state.is_check:
            return None
        return believed(path, state)
    except FileError as error:
        return error.problems


def believed(path: Path, state: LogState) -> Logged:
    """Return a log's run as far as its evidence, judged again, and the signature beside it bear it out.

    Args:
        path: the log.
        state: what reading it showed; of a run, not of a self-check.

    Raises:
        FileError: it is no log of a run.
    """
    record, here, gaps = results_of(state, str(path)), present_log(path, state), state.told.gaps
    case, trouble = attempt(lambda: follow(state)[1])
    again = findings_of(case) if case else ()
    standing = standing_of(state, case, again, trouble)
    told = with_evidence(record.findings, again, whole=is_whole(state))
    record = replace(record, findings=with_last_readings(state, told))
    if wrong := whats_wrong(path):
        return Logged(str(path), replace(record, verdict=ABORTED, reason=wrong), "broken", here, gaps)
    if standing.word not in BELIEVED and standing.word != "broken":
        record = replace(record, verdict=ABORTED, reason=standing.alarm)
    return Logged(str(path), record, standing.word, here, gaps)
