"""Whole campaigns in a lab: a worker killed amid its run, a bench whose worker is killed, Ctrl-C; no run is lost."""

from __future__ import annotations

import shutil
import signal
import subprocess

import pytest
from fast_house import LONG_RAIN, served_house
from lab_jobs import VENTPROOF, Lab, awaited

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.log.read import check_log, header_of, read_log

pytestmark = [pytest.mark.wire, pytest.mark.lasting]  # the lab outlives each of its tests

NIGHT = """
campaign: a short night
profiles: [rain.yaml]
benches: [{file: mock.yaml}]
firmware: ["2.3", "2.4"]
repeats: 6
"""
REAL = """
campaign: a night on a bench
profiles: [long.yaml]
benches: [{file: stand/bench-rtu.yaml}]
units: [GH-7]
repeats: 2
"""


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A scheduler and three workers in virtual time; each test of them kills one."""
    with Lab(tmp_path_factory.mktemp("lab")) as lab:
        lab.virtual = lab.workers(count=3)
        yield lab


def campaign(folder, lab, *more):
    command = [*VENTPROOF, "campaign", "night.yaml", "--out", "out", "--scheduler", lab.address, *more]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def logs_of(folder):
    return sorted(folder.glob("out/*/*.jsonl"))


def test_a_worker_killed_amid_its_run_costs_no_run(lab, where, tmp_path):
    """All twelve runs are in the history, on SQLite and PostgreSQL, and each plan is whole."""
    shutil.copy(next(SHIPPED.glob("**/rain-count.yaml")), tmp_path / "rain.yaml")
    shutil.copy(SHIPPED_BENCH, tmp_path / "mock.yaml")
    (tmp_path / "night.yaml").write_text(NIGHT, encoding="utf-8")
    with campaign(tmp_path, lab, "--history", where) as command:
        awaited(lambda: logs_of(tmp_path))
        lab.virtual.pop().kill()
        said, told = command.communicate(timeout=120)
    assert (command.returncode, said) == (0, "12 runs: 12 pass\n"), told
    assert History(place_of(where)).count() == 12
    assert (
        subprocess.run(
            [*VENTPROOF, "verify", "out"], cwd=tmp_path, capture_output=True, check=False
        ).returncode
        == 0
    )


def test_a_challenge_finds_in_a_lab_what_it_finds_here(lab, tmp_path):
    """The same faults, by the same profiles, with the same smallest severity, and the same words on the screen."""
    rain = next(SHIPPED.glob("**/rain-count.yaml"))
    faults = ("--fault", "counts_twice", "--fault", "slow_debounce")
    asked = ["challenge", rain, *faults, "--severities", "--json"]
    said = {}
    for file, who in (("here.json", ["--jobs", "1"]), ("lab.json", ["--scheduler", lab.address])):
        words = [*VENTPROOF, *map(str, (*asked, file, *who))]
        ended = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
        said[file] = (ended.returncode, ended.stdout, (tmp_path / file).read_text(encoding="utf-8"))
    assert said["lab.json"] == said["here.json"]
    assert '"smallest_severity": 1' not in said["lab.json"][2]
    assert '"found": "caught"' in said["lab.json"][2]


def test_an_exploration_finds_in_a_lab_what_it_finds_here(lab, tmp_path):
    """The same words on the screen, the same profile and the same log, from one process and from several workers."""
    table = SHIPPED_BENCH.with_name("mock-overrides.yaml")
    asked = ["explore", table, "--bench", SHIPPED_BENCH, "--fault", "misses_side_vent", "--seed", "8"]
    left = []
    for name, who in (("here", ["--jobs", "1"]), ("lab", ["--scheduler", lab.address])):
        folder = tmp_path / name
        folder.mkdir()
        words = [*VENTPROOF, *map(str, (*asked, "--time-limit", "10 min", *who))]
        ended = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        kept = {path.relative_to(folder): path.read_text(encoding="utf-8") for path in files}
        left.append((ended.returncode, ended.stdout, kept))
    assert left[0] == left[1]
    assert left[0][0] == 1
    assert len(left[0][2]) == 2


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    """A folder with a small fast house, served in a process of its own, and a campaign on it."""
    folder = tmp_path_factory.mktemp("real")
    (folder / "stand").mkdir()
    (folder / "long.yaml").write_text(LONG_RAIN, encoding="utf-8")
    (folder / "night.yaml").write_text(REAL, encoding="utf-8")
    with served_house(folder / "stand"):
        yield folder


def test_a_real_run_whose_worker_is_killed_is_not_begun_again(lab, stand):
    """The new worker returns its log, closed with the outputs safe; Ctrl-C ends the next run in order, and is kept."""
    bench = (
        "--bench",
        stand / "stand" / "bench-rtu.yaml",
        "--state",
        stand / "state",
        "--out",
        stand / "there",
    )
    (worker,) = lab.workers(*bench, "--confirm-clear")
    with campaign(stand, lab) as command:
        awaited(lambda: _driven(stand, 1))
        worker.kill()
        lab.workers(*bench, "--confirm-clear")
        awaited(lambda: _driven(stand, 2))
        command.send_signal(signal.SIGINT)
        said, told = command.communicate(timeout=120)
    assert command.returncode == 130, told
    assert "2 runs: 2 aborted" in said
    assert "stopping: bench 'Osmerley house 3" in told
    assert "Traceback" not in told
    kept = logs_of(stand)
    assert [check_log(log).closed for log in kept] == [True, True]
    assert len({header_of(read_log(log)).token for log in kept}) == 2
    assert sorted(log.read_bytes() for log in kept) == sorted(
        log.read_bytes() for log in (stand / "there").glob("*.jsonl")
    )


def _driven(stand, count):
    logs = list((stand / "there").glob("*.jsonl"))
    return len(logs) == count and all(b'"event":"stimulus"' in log.read_bytes() for log in logs)
