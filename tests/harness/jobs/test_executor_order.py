"""Jobs: results come in the order of the jobs, whoever does them; a lost process is told, not waited for."""

import os

import pytest

from ventproof.jobs.executor import WorkersLostError, in_order, own_processes


class _Backwards:
    """Does the last job first."""

    def finished(self, work, jobs):
        for number in reversed(range(len(jobs))):
            yield number, work(jobs[number])


class _Forwards:
    """Does one job after the other, and tells of what was asked for so far."""

    def __init__(self):
        self.begun = 0

    def finished(self, work, jobs):
        for number, job in enumerate(jobs):
            self.begun += 1
            yield number, work(job)


def test_results_come_in_the_order_of_the_jobs():
    """The last job is done first, and its result comes last; each that is done is told."""
    told = []
    made = list(in_order(_Backwards(), str, range(5), lambda *count: told.append(count)))
    assert made == list("01234")
    assert told == [(done, 5) for done in range(1, 6)]


def test_a_result_is_given_as_soon_as_those_before_it_are_done():
    """Nobody waits for jobs that come later."""
    doer = _Forwards()
    assert next(in_order(doer, str, range(5))) == "0"
    assert doer.begun == 1


@pytest.mark.parametrize("method", ["spawn", "forkserver"])
def test_processes_of_this_computer_do_the_jobs_and_lose_none(method):
    """Two processes return the length of twenty words, in order."""
    words = ["x" * n for n in range(20)]
    with own_processes(2, method=method, begin=str) as processes:
        assert list(in_order(processes, len, words)) == list(range(20))


def test_a_process_killed_from_outside_is_an_error_in_one_line():
    """The command learns that its process is gone, and does not wait for it for ever."""
    with (
        own_processes(1, begin=str) as processes,
        pytest.raises(WorkersLostError, match="killed from outside"),
    ):
        list(in_order(processes, os._exit, range(3)))
