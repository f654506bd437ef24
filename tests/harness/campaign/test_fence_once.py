"""The fence: a planned job begins once, whatever asks again; what may have moved something is never begun anew."""

from __future__ import annotations

import multiprocessing

import pytest

from ventproof.campaign import fence as fence_module
from ventproof.campaign.fence import Fence
from ventproof.log.encode import fields_of
from ventproof.log.events import FORMAT, Header, RunBegin, RunEnd
from ventproof.log.write import RecordLog
from ventproof_bench.base.errors import BenchError

TOKEN = "7" * 32


class _Bench:
    """Counts how often it is driven."""

    def __init__(self, folder):
        self.fence, self.driven, self._folder = Fence(folder / "state"), 0, folder

    def runs(self, *, closed=True, raises=None):
        """Return what makes a run."""

        def run(begun):
            with RecordLog(self._folder / f"{self.driven}.jsonl") as log:
                begun(log.path)
                log.write(
                    RunBegin.name,
                    0.0,
                    fields_of(RunBegin(0.0, Header(format=FORMAT, versions={"ventproof": "0.4.0"}))),
                )
                self.driven += 1
                if closed:
                    log.write(RunEnd.name, 1.0, {"verdict": None, "aborted": "stopped", "abort": "bench"})
            if raises:
                raise raises

        return run


@pytest.fixture
def bench(tmp_path):
    """A bench that was never driven."""
    return _Bench(tmp_path)


@pytest.mark.parametrize("raises", [None, BenchError("the bus was lost")])
def test_a_job_that_ended_returns_its_log_and_drives_nothing(bench, raises):
    """However often it is asked for, and by whichever process; an aborted run is an end, too."""
    with bench.fence.locked():
        first = bench.fence.passed(TOKEN, bench.runs(raises=raises))
        again = bench.fence.passed(TOKEN, bench.runs())
    assert bench.driven == 1
    assert first.log == again.log == Fence(first.log.parent / "state").left(TOKEN).log
    assert not first.lost
    assert bench.fence.out_of_use == ""


def test_a_job_whose_log_has_no_end_is_lost_and_puts_the_bench_out_of_use(bench):
    """Neither it nor any other job is begun before a person reopens the bench; then it is still lost itself."""
    with bench.fence.locked():
        lost = bench.fence.passed(TOKEN, bench.runs(closed=False))
        assert lost.lost
        assert lost.log is None
        assert "outputs may have moved" in lost.why
        other = bench.fence.passed("8" * 32, bench.runs())
        assert other.why.startswith("the bench is out of use: ")
        assert bench.driven == 1
        bench.fence.reopen()
        assert bench.fence.passed(TOKEN, bench.runs()).lost
        assert bench.driven == 1
        bench.fence.reopen()
        assert bench.fence.passed("8" * 32, bench.runs()).log
    assert bench.driven == 2


def test_a_process_killed_before_its_log_began_is_lost_as_well(bench, tmp_path):
    """Only what is known to have switched nothing is no loss."""
    (tmp_path / "state" / f"{TOKEN}.begun").touch()
    assert bench.fence.left(TOKEN).lost
    assert "it left no log" in bench.fence.out_of_use


def test_a_run_that_is_stopped_before_its_log_switched_nothing(bench):
    """The bench stays in use, and the same job is not begun again."""

    def stopped(_):
        raise KeyboardInterrupt

    with bench.fence.locked():
        with pytest.raises(KeyboardInterrupt):
            bench.fence.passed(TOKEN, stopped)
        left = bench.fence.passed(TOKEN, bench.runs())
    assert (left.log, left.lost) == (None, False)
    assert left.why == "nothing was switched: it was stopped before its log began"
    assert bench.driven == 0
    assert bench.fence.out_of_use == ""


def _hold(folder, ready, end):
    with Fence(folder).locked():
        ready.set()
        end.wait()


def test_one_process_holds_a_bench_and_another_says_so(bench, tmp_path, monkeypatch):
    """Who comes second waits as long as a run takes to end, and then switches nothing."""
    monkeypatch.setattr(fence_module, "LOCKED_WITHIN_S", 0.0)
    context = multiprocessing.get_context("fork")
    ready, end = context.Event(), context.Event()
    holder = context.Process(target=_hold, args=(tmp_path / "state", ready, end))
    holder.start()
    try:
        assert ready.wait(10)
        with (
            pytest.raises(BenchError, match="another job runs on the bench"),
            bench.fence.locked(),
        ):
            pass
    finally:
        end.set()
        holder.join(10)
    with bench.fence.locked():
        assert bench.fence.passed(TOKEN, bench.runs()).log


def test_three_aborted_runs_in_a_row_are_counted_and_a_finished_one_ends_the_row(bench):
    """What ends a suite of one command ends it over jobs of their own processes, too."""
    counts = [bench.fence.counted(aborted=aborted) for aborted in (True, True, False, True, True, True)]
    assert counts == [1, 2, 0, 1, 2, 3]
    bench.fence.reopen()
    assert bench.fence.counted(aborted=True) == 1
