"""Jobs on a real bench: a process each, begun once, ended when nobody wants it any more, outputs safe."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest
from fast_house import LONG_RAIN, served_house

from ventproof.campaign.fence import Fence
from ventproof.campaign.planned import CampaignJob
from ventproof.campaign.work import made_apart
from ventproof.lab.seat import SeatBench
from ventproof.log.plan import PlannedRun
from ventproof.log.read import check_log, header_of, read_log
from ventproof.profile.load import read_profile
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.outputs.wear import operations_in

pytestmark = pytest.mark.wire

RAIN = """
profile: rain is noticed
needs:
  outputs: {rain: contact}
  signals: {rain_override: flag}
start:
  set: {rain: open}
  until: [{signal: rain_override, equals: off, within: 4 s}]
steps:
  - step: rain begins
    do: [close: rain]
    expect: [{signal: rain_override, equals: on, within: 1500 ms}]
"""


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """A small fast house in a process of its own, as a bench."""
    folder = tmp_path_factory.mktemp("stand")
    with served_house(folder):
        yield load_bench(folder / "bench-rtu.yaml")


@pytest.fixture
def held(loaded, tmp_path):
    """The bench as a worker holds it."""
    return SeatBench(loaded.digest, tmp_path / "state", tmp_path / "logs", tmp_path / "ledger.sqlite")


def job_of(bench, token, text=RAIN):
    profile = read_profile("profile.yaml", text)
    plan = Session(bench=bench, out=None, unit="GH-7", firmware="2.4").plan([profile])
    return CampaignJob(0, PlannedRun(plan, 1), profile, bench, "tester", token * 32)


def _log_begun(held):
    logs = list(held.out.glob("*.jsonl"))
    return logs and b'"event":"stimulus"' in logs[0].read_bytes() and logs[0]


def test_a_job_runs_once_however_often_it_is_asked_for(loaded, held):
    """Its log names its token; asked for again it returns the same log, and no relay operates."""
    first = made_apart(job_of(loaded, "1"), held, str)
    assert check_log(first.log).outcome == "pass", first
    assert header_of(read_log(first.log)).token == "1" * 32
    written, operated = first.log.read_bytes(), operations_in(held.ledger)
    again = made_apart(job_of(loaded, "1"), held, str)
    assert again == first
    assert again.log.read_bytes() == written
    assert operations_in(held.ledger) == operated
    assert len(list(held.out.glob("*.jsonl"))) == 1


def test_a_run_ends_in_order_when_nobody_wants_it_any_more(loaded, held):
    """The log is closed as aborted, and the bench stays in use."""
    job = job_of(loaded, "2", LONG_RAIN)
    left = made_apart(job, held, lambda: "the campaign was stopped" if _log_begun(held) else "")
    assert check_log(left.log).closed
    assert check_log(left.log).outcome == "aborted"
    assert Fence(held.state).out_of_use == ""


def test_a_run_that_is_killed_is_lost_and_never_begun_again(loaded, held):
    """It has no log to be judged by; the bench is out of use for the next job as well."""
    job, killed = job_of(loaded, "3", LONG_RAIN), threading.Event()

    def why_stop():
        if _log_begun(held) and not killed.is_set():
            killed.set()
            for pid in _children():
                os.kill(pid, signal.SIGKILL)
        return ""

    left = made_apart(job, held, why_stop)
    assert left.lost
    assert left.log is None
    assert made_apart(job, held, str).lost
    assert made_apart(job_of(loaded, "4"), held, str).why.startswith("the bench is out of use: ")
    assert len(list(held.out.glob("*.jsonl"))) == 1


def _children():
    """Return the processes that this one started to make runs."""
    listed = "".join(path.read_text(encoding="ascii") for path in Path("/proc/self/task").glob("*/children"))
    return [
        pid
        for pid in map(int, listed.split())
        if b"campaign.child" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
