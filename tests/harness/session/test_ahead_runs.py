"""Runs made by other processes are those that one process makes, and what they do not make is made here."""

from __future__ import annotations

import pickle
import signal
from dataclasses import replace
from functools import partial

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.enter import keeper_of
from ventproof.history.store import History
from ventproof.jobs.executor import WorkersLostError
from ventproof.log.signing import make_key
from ventproof.profile.load import load_profile
from ventproof.rejudge.batch import each
from ventproof.run.view import SilentView
from ventproof.runset.manifest import read_manifest
from ventproof.session import ahead
from ventproof.session.planned import PlannedRuns
from ventproof.session.repeats import RepeatPlan
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench

REPEATS = 8


@pytest.fixture(autouse=True)
def two_cores(monkeypatch):
    """Let there be two cores."""
    monkeypatch.setattr(ahead, "cores", lambda: 2)


@pytest.fixture(scope="module")
def suite():
    """One profile that takes a moment."""
    return [load_profile(shipped_path("rain-count"))]


@pytest.fixture
def session_in():
    """Give sessions of the mock unit by the folder of their logs."""
    bench = load_bench(SHIPPED_BENCH)
    return lambda folder: Session(bench=bench, out=folder, operator="Anna Falk", seed=3)


def repeated(session, suite, *, shared=True):
    """Return the repeats of a suite's first profile, with its manifest."""
    runs = PlannedRuns(session, suite, RepeatPlan(REPEATS))
    if shared:
        with runs.shared():
            series = runs.repeat(0, SilentView())
    else:
        series = runs.repeat(0, SilentView())
    runs.close()
    return series


def contents(folder):
    """Return what a folder holds, by name."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_shared_runs_leave_what_one_process_leaves(tmp_path, session_in, suite):
    """Logs and manifest are the same to the byte, and so is what is told; each run is signed, and in the history."""
    key = make_key(tmp_path / "anna.key", tmp_path / "anna.pub")
    one, many = tmp_path / "one", tmp_path / "many"
    alone = repeated(session_in(one), suite, shared=False)
    history = History(place_of(str(tmp_path / "history.sqlite")), create=True)
    keeper = keeper_of(history.place.shown, many)
    together = repeated(replace(session_in(many), signing=key, keeper=keeper), suite)
    left = contents(many)
    signed = {name for name in left if name.endswith(".sig")}
    assert {name: left[name] for name in left.keys() - signed} == contents(one)
    assert signed == {f"{name}.sig" for name in contents(one)}
    assert together.sentences == alone.sentences
    assert [(r.log.name, r.digest, r.findings) for r in together.results] == [
        (r.log.name, r.digest, r.findings) for r in alone.results
    ]
    assert not keeper.warning
    assert sorted(entry.record.digest for entry in history.entries()) == sorted(
        r.digest for r in alone.results
    )


def test_what_other_processes_do_not_make_is_made_here(tmp_path, session_in, suite, monkeypatch):
    """A run whose log cannot be written there is handed back, and then the processes are lost: nothing of it shows."""
    full = tmp_path / "full"
    full.touch()

    def unlucky(work, jobs):
        yield work(jobs[0])
        there = pickle.dumps(replace(pickle.loads(work.args[0]), out=full))
        yield partial(work.func, there, **work.keywords)(jobs[1])
        yield work(jobs[2])
        raise WorkersLostError("killed")

    repeated(session_in(tmp_path / "one"), suite, shared=False)
    monkeypatch.setattr(ahead, "each", unlucky)
    repeated(session_in(tmp_path / "many"), suite)
    assert contents(tmp_path / "many") == contents(tmp_path / "one")


def test_an_interruption_keeps_the_runs_that_came(tmp_path, session_in, suite, monkeypatch):
    """Ctrl-C while the third run is awaited: two logs and a manifest that says that six runs were not made."""

    def interrupted(work, jobs):
        yield from each(work, jobs[:2])
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(ahead, "each", interrupted)
    runs = PlannedRuns(session_in(tmp_path), suite, RepeatPlan(REPEATS))
    with pytest.raises(KeyboardInterrupt), runs.shared():
        runs.repeat(0, SilentView())
    runs.close("interrupted")
    manifest = read_manifest(runs.manifest)
    assert [bool(left.log) for left in manifest.left] == [True] * 2 + [False] * (REPEATS - 2)
    assert manifest.broken_off == "interrupted"
    assert runs.not_run == REPEATS - 2


def test_few_runs_and_what_somebody_follows_stay_in_this_process(session_in, tmp_path, monkeypatch):
    """Other processes are started for eight runs of a mock that nobody looks at, where there is a second core."""
    session = session_in(tmp_path)
    assert ahead.pays(session, REPEATS)
    assert not ahead.pays(session, REPEATS - 1)
    assert not ahead.pays(replace(session, desks=(object(),)), REPEATS)
    real = session.bench.model.model_copy(update={"mock": None, "buses": {}})
    assert not ahead.pays(replace(session, bench=replace(session.bench, model=real)), REPEATS)
    monkeypatch.setattr(ahead, "cores", lambda: 1)
    assert not ahead.pays(session, REPEATS)


def test_other_processes_make_ready_only_for_what_they_will_do(session_in, tmp_path, monkeypatch):
    """They load the runs' modules for eight runs, and nothing for seven."""
    called = []
    monkeypatch.setattr(ahead.batch, "call_up", lambda *words: called.append(words))
    for runs in (REPEATS - 1, REPEATS):
        ahead.call_up(session_in(tmp_path), runs)
    assert called == [(REPEATS, "ventproof.session.planned")]
