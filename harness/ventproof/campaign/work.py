"""What is done with a job where it is done: in virtual time at once, on real outputs in a process of its own."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final, final

from ventproof.campaign.fence import Fence, Passed
from ventproof.lab.seat import own_seat
from ventproof.log.read import header_of, read_log
from ventproof.log.run import RunRecord
from ventproof.rejudge.again import run_told
from ventproof.run.view import SilentView
from ventproof_bench.base.errors import FileError, VentproofError

if TYPE_CHECKING:
    from ventproof.campaign.planned import CampaignJob
    from ventproof.lab.seat import SeatBench


KILLED_AFTER_S: Final = 10.0
"""A run that was told to end has so long to make its outputs safe; then the line process does."""

_LOOK_EVERY_S: Final = 0.5


@final
@dataclass(frozen=True, slots=True)
class ReadLog:
    """What a log says, read where it was made, since that takes longer than all that is done with it elsewhere.

    Attributes:
        sha256: of the file.
        outcome: the verdict that it closed with, or `aborted`.
        token: of the job that made it, as it states it.
        record: its run.
    """

    sha256: str
    outcome: str
    token: str
    record: RunRecord


@final
@dataclass(frozen=True, slots=True)
class JobLeft:
    """What a job left.

    Attributes:
        log: the bytes of its log; empty where it left none.
        why: why there is no log, or none that can be read.
        spent: whether the token of a real run is spent, so that asking again brings no log.
        read: what its log says; None where there is none, or none that can be read.
    """

    log: bytes = b""
    why: str = ""
    spent: bool = False
    read: ReadLog | None = None


@final
@dataclass(frozen=True, slots=True)
class Errand:
    """What a process that makes one real run is told.

    Attributes:
        job: the run.
        bench: the bench as its worker holds it.
        answer: the file in which it says what is left.
    """

    job: CampaignJob
    bench: SeatBench
    answer: Path


def work_on(job: CampaignJob) -> JobLeft:
    """Make the run of a job and return what it left; trouble of the run never raises."""
    return _real(job) if job.real_bench else _virtual(job)


def _virtual(job: CampaignJob) -> JobLeft:
    with TemporaryDirectory(prefix="ventproof-job-") as name:
        folder, why = Path(name), ""
        try:
            job.session(folder).run(job.profile, SilentView(), job.place)
        except VentproofError as error:
            why = str(error)
        logs = list(folder.glob("*.jsonl"))
        return left_in(logs[0]) if logs else JobLeft(why=why)


def _real(job: CampaignJob) -> JobLeft:
    bench = own_seat().benches.get(job.real_bench)
    if bench is None or bench.digest != job.bench.digest:
        return JobLeft(
            why=f"nothing was switched: this worker does not hold bench {job.real_bench!r} as planned"
        )
    try:
        made = made_apart(job, bench, lambda: own_seat().why_stop)
    except VentproofError as error:
        return JobLeft(why=str(error))
    return left_in(made.log) if made.log else JobLeft(why=made.why, spent=True)


def left_in(log: Path) -> JobLeft:
    """Return what a job left in a log."""
    content = log.read_bytes()
    try:
        state = read_log(log)
        record = run_told(state)
    except FileError as error:
        return JobLeft(content, error.problems[0].reason)
    if state.broken_at is not None:
        return JobLeft(content, f"line {state.broken_at}: {state.reason}")
    return JobLeft(content, read=ReadLog(state.sha256, state.outcome, header_of(state).token, record))


def made_apart(job: CampaignJob, bench: SeatBench, why_stop: Callable[[], str]) -> Passed:
    """Make a real run in a process of its own, with its own main thread and signals; it ends with this one.

    Args:
        job: the run.
        bench: the bench as its worker holds it.
        why_stop: says why it must end; asked twice a second, empty while it may go on.
    """
    stopped = ""
    with TemporaryDirectory(prefix="ventproof-job-") as folder:
        errand = Errand(job, bench, Path(folder) / "answer")
        with subprocess.Popen(
            [sys.executable, "-m", "ventproof.campaign.child"],
            stdin=subprocess.PIPE,  # stays open while this process lives
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        ) as child:
            assert child.stdin is not None, "it is a pipe"
            with suppress(BrokenPipeError):
                child.stdin.write(pickle.dumps(errand))
                child.stdin.flush()
            while not _ended(child, _LOOK_EVERY_S):
                if stopped := why_stop():
                    _end(child)
        return _answered(errand, stopped)


def _end(child: subprocess.Popen[bytes]) -> None:
    """Tell a run to end, and let it make its outputs safe."""
    child.terminate()
    if not _ended(child, KILLED_AFTER_S):
        child.kill()
        child.wait()


def _ended(child: subprocess.Popen[bytes], within_s: float) -> bool:
    try:
        child.wait(within_s)
    except subprocess.TimeoutExpired:
        return False
    return True


def _answered(errand: Errand, stopped: str) -> Passed:
    """Return what the process says; of one that says nothing, what stands at the fence."""
    with suppress(FileNotFoundError, ValueError):
        said = json.loads(errand.answer.read_text())
        return Passed(Path(said["log"]) if said["log"] else None, said["why"], said["lost"])
    why = stopped or "its process was killed from outside"
    with Fence(errand.bench.state).locked():
        left = Fence(errand.bench.state).left(errand.job.token)
    return left or Passed(None, f"nothing was switched: {why}")
