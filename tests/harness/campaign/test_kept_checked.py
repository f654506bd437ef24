"""What comes back from a worker: the log of the job that was asked for, unchanged, or nothing at all."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from functools import cache

import pytest

from ventproof.campaign.carry_out import CampaignRuns
from ventproof.campaign.planned import groups_of, variants_of
from ventproof.campaign.work import JobLeft, left_in, work_on
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.history.enter import keeper_of
from ventproof.jobs.executor import WorkersLostError
from ventproof.profile.load import load_profile
from ventproof.runset.campaign import read_campaign
from ventproof.runset.campaign_record import CAMPAIGN, read_campaign_record
from ventproof.runset.manifest import read_manifest
from ventproof.verdict.finding import EXIT_BENCH
from ventproof_bench.benchcheck.load import load_bench

PROFILE = next(SHIPPED.glob("**/rain-count.yaml"))


@cache
def groups(bench=SHIPPED_BENCH, text="campaign: night\nrepeats: 3\n"):
    campaign, benches = read_campaign("night.yaml", text), [load_bench(bench)]
    variants = variants_of(campaign, benches, lambda one, _: one)
    return groups_of(campaign, benches, [[load_profile(PROFILE)]], variants)


@pytest.fixture(scope="module")
def left():
    """What the first run of a campaign leaves, and the second."""
    (group,) = groups()
    return [work_on(group.job(0, run, "tester")) for run in (1, 2)]


@pytest.fixture
def runs(tmp_path):
    """A campaign of three runs that did not begin, in virtual time."""
    return CampaignRuns("night", tmp_path, groups(), "tester", keeper_of(None, tmp_path), resume=False)


def _torn(log):
    return log[: len(log) // 2]


def _changed(log):
    return log.replace(b'"values":{', b'"values": {', 1)


def _unread(log):
    return log[10:]


@pytest.fixture
def made_of(tmp_path_factory):
    """Return what a job left whose log was spoilt where it was made."""

    def made(log):
        path = tmp_path_factory.mktemp("made") / "log.jsonl"
        path.write_bytes(log)
        return left_in(path)

    return made


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda one, made_of: made_of(_changed(one.log)), r"line \d+: "),
        (lambda one, made_of: made_of(_unread(one.log)), "not a ventproof log"),
        (lambda one, _: replace(one, log=_changed(one.log)), "it was changed since it was made"),
        (lambda one, _: replace(one, log=_torn(one.log)), "it was changed since it was made"),
        (lambda *_: JobLeft(why="the worker says why"), "the worker says why"),
    ],
)
def test_a_log_that_is_not_that_of_its_job_is_not_kept(runs, left, made_of, spoil, why):
    """Its run has no verdict, the folder no file."""
    assert re.search(why, runs.kept.take(runs.jobs[0], spoil(left[0], made_of)))
    assert runs.kept.take(runs.jobs[0], left[1]).endswith("it has another plan or run")
    assert runs.kept.logs == []
    assert runs.code == EXIT_BENCH


def test_a_verdict_that_its_findings_do_not_bear_out_is_not_kept(runs, left):
    """However its log ends: no campaign passes by it, and no waiver accepts it."""
    read = left[0].read
    doubted = replace(read.record, verdict="aborted", reason="none of its findings says so")
    said = runs.kept.take(runs.jobs[0], replace(left[0], read=replace(read, record=doubted)))
    assert said == "the log that came is not believed: none of its findings says so"


def test_a_verdict_that_the_log_does_not_end_with_is_not_kept(runs, left):
    """Whatever the worker says of it: a log that died, too, is none that passed."""
    read, record = left[0].read, replace(left[0].read.record, verdict="fail")
    said = runs.kept.take(runs.jobs[0], replace(left[0], read=replace(read, outcome="fail", record=record)))
    assert said == "the log that came is not believed: it does not end with fail, as was said"
    torn = left[0].log.rpartition(b"\n{")[0] + b"\n"
    died = replace(read, sha256=hashlib.sha256(torn).hexdigest())
    said = runs.kept.take(runs.jobs[0], replace(left[0], log=torn, read=died))
    assert said == "the log that came is not believed: it does not end with pass, as was said"


def test_a_log_with_another_token_is_not_kept(runs, left):
    """A run that moved something real is that of its own token, and of no other."""
    asked = replace(runs.jobs[0], token="1" * 32)
    assert runs.kept.take(asked, left[0]) == "the log that came is not believed: it has another token"
    assert runs.kept.take(asked, work_on(asked)) == ""


def test_a_log_without_an_end_counts_as_aborted(runs, left, made_of):
    """It is kept, since it tells what was done; it is no verdict."""
    assert runs.kept.take(runs.jobs[0], made_of(_torn(left[0].log))) == ""
    assert runs.kept.outcome((0, 1)) == "aborted"
    assert runs.code == EXIT_BENCH


class _Workers:
    """Do the first job, and are gone; or are interrupted there."""

    def __init__(self, error, *, stopped=()):
        self._error, self._stopped = error, stopped

    def finished(self, work, jobs):
        yield 0, work(jobs[0])
        raise self._error

    def stopped(self, said):
        said("stopping: bench 'stand'")
        yield from self._stopped


def test_workers_that_are_lost_leave_what_they_finished(runs, tmp_path):
    """It is kept, and a manifest says what was not run, and why."""
    workers = _Workers(WorkersLostError("all are gone"))
    assert runs.carry_out(workers, lambda *_: None, lambda _: None) == "all are gone"
    (manifest,) = map(read_manifest, tmp_path.glob("*/*.manifest.json"))
    assert [one.outcome for one in manifest.left] == ["pass", "not run", "not run"]
    assert manifest.broken_off == "all are gone"


def test_a_stopped_campaign_keeps_what_its_runs_leave_on_their_way_out(runs, left, tmp_path):
    """Ctrl-C is passed on only when the logs of runs that were stopped are here; what is waited for is said."""
    workers, said = _Workers(KeyboardInterrupt(), stopped=[(1, left[1])]), []
    with pytest.raises(KeyboardInterrupt):
        runs.carry_out(workers, lambda *_: None, said.append)
    assert said == ["stopping: bench 'stand'"]
    (manifest,) = map(read_manifest, tmp_path.glob("*/*.manifest.json"))
    assert [one.outcome for one in manifest.left] == ["pass", "pass", "not run"]


REAL = SHIPPED_BENCH.with_name("mock-rtu.yaml")


class _Nobody:
    """Does nothing, and is there."""

    def finished(self, *_):
        yield from ()


def _begun(folder, *, resume):
    runs = CampaignRuns("night", folder, groups(REAL), "tester", None, resume=resume)
    runs.carry_out(_Nobody(), lambda *_: None, lambda _: None)
    return runs


def test_a_real_run_keeps_its_token_until_it_is_spent(tmp_path):
    """Asked again after the client was killed, the fence knows the job; after a loss only a person asks anew."""
    first = _begun(tmp_path, resume=False)
    tokens = [job.token for job in first.jobs]
    assert len(set(tokens)) == 3
    assert [job.token for job in _begun(tmp_path, resume=True).jobs] == tokens
    first._take(0, JobLeft(why="the worker was lost three times"))
    first._take(1, JobLeft(why="it is lost at the fence", spent=True))
    again = [job.token for job in _begun(tmp_path, resume=True).jobs]
    assert [one == other for one, other in zip(tokens, again, strict=True)] == [True, False, True]
    assert read_campaign_record(tmp_path / CAMPAIGN).spent == ()
