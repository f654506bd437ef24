"""Runs in virtual time that other processes of this computer make beforehand, for the one that planned them.

A run in virtual time is the same wherever it is made. So only a run with a verdict is handed over: whatever else
becomes of one is found, and told, by the process that planned it, which makes it again.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final, final

from ventproof.jobs.executor import WorkersLostError, cores
from ventproof.log.names import free_path
from ventproof.log.read import read_log
from ventproof.log.run import RunRecord, results_of
from ventproof.rejudge import batch
from ventproof.rejudge.batch import each
from ventproof.run.view import SilentView
from ventproof_bench.base.files import create_file

if TYPE_CHECKING:
    from ventproof.log.plan import PlannedRun
    from ventproof.log.write import RecordLog
    from ventproof.profile.model import Profile
    from ventproof.session.session import RunResult, Session
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.load import Loaded

    Job = tuple[Loaded[Profile], PlannedRun]
    _CheckedJob = tuple[Loaded[Profile], PlannedRun, Sequence[Problem]]


_FEWEST: Final = 8
"""Runs of a second each, at most, are made sooner by one process than the others are ready."""


@final
@dataclass(frozen=True, slots=True)
class MadeRun:
    """A run with a verdict.

    Attributes:
        result: as the session gives it; its log lies where it was made.
        sha256: of the whole log.
        record: as a history takes it; None where none is kept.
    """

    result: RunResult
    sha256: str
    record: RunRecord | None

    def named(self, folder: Path, stem: str) -> Path | None:
        """Move the log into a folder, under the first name that is free; return it; None where it cannot be written."""
        made = self.result.log
        try:
            folder.mkdir(parents=True, exist_ok=True)
            log = free_path(folder, stem)
            create_file(log, made.read_bytes())
            made.unlink()
        except OSError:
            return None
        return log


@final
class RunsAhead:
    """What other processes make of some runs, asked for in their order.

    Args:
        made: a run for each; None where none came about.
    """

    def __init__(self, made: Iterable[MadeRun | None] = ()) -> None:
        self._made = iter(made)

    def next(self) -> MadeRun | None:
        """Return the next run, as soon as it is made; None: make it here."""
        with suppress(WorkersLostError):
            return next(self._made, None)
        return None


def pays(session: Session, runs: int) -> bool:
    """Return whether runs may be made elsewhere, nothing real being driven and nobody looking on, and gain by it."""
    return session.bench.model.virtual and not session.desks and runs >= _FEWEST and cores() > 1


def call_up(session: Session, runs: int) -> None:
    """Let the other processes load what they need while this one still checks what to run.

    Args:
        session: of the runs.
        runs: how many there will be, as far as is known.
    """
    if pays(session, runs):
        batch.call_up(runs, "ventproof.session.planned")


@contextmanager
def ahead(session: Session, jobs: Sequence[Job]) -> Iterator[RunsAhead]:
    """Give the runs of a session as other processes make them; they end with this.

    Args:
        session: of a virtual bench.
        jobs: each run's profile, and its place in the plan.
    """
    with TemporaryDirectory(prefix="ventproof-runs-") as folder:
        apart = replace(session, out=Path(folder), keeper=None, signing=None)
        work = partial(_made, pickle.dumps(apart), recorded=session.keeper is not None)
        checked = [(profile, place, session.bind(profile).warnings) for profile, place in jobs]
        with closing(each(work, checked)) as made:
            yield RunsAhead(made)


_unpacked = lru_cache(maxsize=1)(pickle.loads)


def _made(packed: bytes, job: _CheckedJob, *, recorded: bool) -> MadeRun | None:
    session: Session = _unpacked(packed)
    profile, place, warnings = job
    logs: list[RecordLog] = []
    try:
        result = session.run(profile, SilentView(), place, opened=logs.append, warnings=warnings)
        record = results_of(read_log(result.log)) if recorded else None
    except Exception:  # noqa: BLE001 - it is told where the run is made again
        return None
    return MadeRun(result, logs[0].sha256, record) if result.outcome.verdict else None
