"""A lab that loses workers and its scheduler: no job in virtual time is lost, and nobody waits for ever."""

from __future__ import annotations

import re
import signal
from _thread import interrupt_main
from pathlib import Path
from threading import Thread

import pytest
from lab_jobs import Lab, as_it_is, awaited, begin_with, hanging, killing, what_it_began_with

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.jobs.executor import WorkersLostError, in_order
from ventproof.lab import executor as lab_executor
from ventproof.lab.executor import LabExecutor, lab_workers
from ventproof.lab.identity import Identity, own_identity
from ventproof.lab.nodes import VIRTUAL
from ventproof.lab.security import lab_address
from ventproof.verdict.finding import EXIT_BENCH
from ventproof_bench.base.errors import BenchError, FileError
from ventproof_bench.benchcheck.load import load_bench

pytestmark = [pytest.mark.wire, pytest.mark.lasting]  # the engine keeps its threads


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A scheduler and three workers."""
    with Lab(tmp_path_factory.mktemp("lab")) as lab:
        lab.held = lab.workers(count=3)
        yield lab


def reached(lab):
    address = lab_address(lab.address, "--scheduler", None)
    return LabExecutor(address, answers_within_s=2.0)


def test_jobs_whose_workers_are_killed_are_done_by_others(lab, tmp_path, monkeypatch):
    """One worker is killed while it works, another while it holds a result: all twenty results come, in order."""
    jobs = [*range(8), tmp_path / "running", *range(8), tmp_path / "holding", *range(2)]
    noted = []
    monkeypatch.setattr(lab_executor, "_GONE_AFTER_S", 0.0)
    with reached(lab) as workers:
        workers.noted = noted.append
        workers.require({}, virtual=True)
        assert list(in_order(workers, killing, jobs)) == [str(job) for job in jobs]
    assert re.match(r"worker tcp://127\.0\.0\.1:\d+ is gone; \d workers? for runs in virtual time$", noted[0])
    assert all(job.exists() for job in jobs if isinstance(job, Path))


def test_workers_that_are_missed_for_a_moment_are_not_told_as_gone(lab, monkeypatch):
    """A client that lost its scheduler and found it again knows of none at first; one that stays away is told once."""
    noted = []
    workers = reached(lab)
    workers.noted = noted.append
    for here in (["a", "b"], [], ["a"], ["a", "b", "c"]):
        workers._note_changes({VIRTUAL: here})
    assert noted == ["worker c joined; 3 workers for runs in virtual time"]
    monkeypatch.setattr(lab_executor, "_GONE_AFTER_S", 0.0)
    for _ in range(2):
        workers._note_changes({VIRTUAL: ["a", "c"]})
    assert noted[1:] == ["worker b is gone; 2 workers for runs in virtual time"]


def test_each_command_finds_the_workers_as_it_had_them_begin(lab):
    """Two commands share the workers job by job: neither gets what the other began with."""
    address = lab_address(lab.address, "--scheduler", None)
    begun = {"begin": begin_with, "arguments": ("one",)}, {"begin": begin_with, "arguments": ("other",)}
    with lab_workers(address, **begun[0]) as one, lab_workers(address, **begun[1]) as other:
        for _ in range(3):
            assert list(in_order(one, what_it_began_with, range(4))) == ["one"] * 4
            assert list(in_order(other, what_it_began_with, range(4))) == ["other"] * 4


def test_a_job_that_ends_every_worker_ends_the_command(lab, monkeypatch):
    """A command that has nothing to put in the place of its result says so."""
    monkeypatch.setattr(LabExecutor, "_fetched", _lost)
    with lab_workers(lab_address(lab.address, "--scheduler", None), begin=str) as workers:
        results = workers.finished(as_it_is, [1])
        with pytest.raises(WorkersLostError, match="a job is lost: 3 workers were lost with it"):
            next(results)


def _lost(*_):
    raise lab_executor._LostError(1)


def test_a_worker_that_runs_something_else_is_refused_before_the_first_job(lab, monkeypatch):
    """Each part that differs is named with both versions; a worker that comes later is refused with its first job."""
    here = Identity({**own_identity().parts, "pymodbus": "9.9.9", "source": "f" * 64})
    monkeypatch.setattr("ventproof.lab.identity.own_identity", lambda: here)
    monkeypatch.setattr(lab_executor, "own_identity", lambda: here)
    theirs = own_identity().parts
    with reached(lab) as workers:
        with pytest.raises(FileError) as refused:
            workers.require({}, virtual=True)
        assert f"pymodbus {theirs['pymodbus']}, here 9.9.9" in str(refused.value)
        assert f"source {theirs['source'][:12]}, here ffffffffffff" in str(refused.value)
        assert "install the same ventproof" in str(refused.value)
        with pytest.raises(FileError, match=r"pymodbus .*, here 9\.9\.9"):
            list(workers.finished(as_it_is, [1]))


def test_a_bench_that_no_worker_holds_is_an_error_before_the_first_job(lab, monkeypatch):
    """It says what to start, and where."""
    monkeypatch.setattr(lab_executor, "_WORKER_WITHIN_S", 0.0)
    with (
        reached(lab) as workers,
        pytest.raises(FileError, match=r"no worker does bench 'rack-3'; start one: .*--bench"),
    ):
        workers.require({"rack-3": "0" * 64}, virtual=True)


def test_a_job_on_a_bench_that_does_not_stop_is_told_of(lab, tmp_path, monkeypatch):
    """Ctrl-C says at once what is waited for; a bench that does not answer is no job that was never begun."""
    monkeypatch.setattr(lab_executor, "_STOPS_WITHIN_S", 0.5)
    bench, mark, said = SHIPPED_BENCH.with_name("mock-rtu.yaml"), tmp_path / "begun", []
    lab.workers("--bench", bench, "--state", tmp_path, "--confirm-clear")
    Thread(target=lambda: (awaited(mark.exists), interrupt_main())).start()
    with reached(lab) as workers:
        workers.bench_of = lambda _: load_bench(bench).model.bench
        workers.lost = lambda _, why: why
        with pytest.raises(KeyboardInterrupt):
            next(workers.finished(hanging, [mark]))
        ((number, why),) = workers.stopped(said.append)
    mark.unlink()
    assert number == 0
    assert "and no worker said how it ended: look at the bench; --resume asks for its log" in why
    assert [line.partition(" makes ")[0] for line in said] == [f"stopping: bench {workers.bench_of(0)!r}"]


def test_a_scheduler_that_is_lost_ends_the_campaign(lab):
    """What was finished stands; the rest is an error that names the scheduler, for client and workers, and no wait."""
    with reached(lab) as workers:
        results = workers.finished(as_it_is, range(1000))
        next(results)
        lab.scheduler.kill()
        with pytest.raises(WorkersLostError, match=f"the scheduler at {lab.address} is gone"):
            list(results)
    with pytest.raises(BenchError, match=f"no scheduler answers at {lab.address}"):
        reached(lab).__enter__()
    left = [worker for worker in lab.held if worker.wait(30) != -signal.SIGKILL]
    assert {worker.returncode for worker in left} == {EXIT_BENCH}
    assert left[0].stdout.read() == f"the scheduler at {lab.address} is gone\n"
