"""A bench belongs to one command of a computer at a time: by hand, of a rack, or of a lab."""

from __future__ import annotations

import os
import pickle
import re
from pathlib import Path

import pytest

from ventproof.campaign import child
from ventproof.campaign.planned import CampaignJob
from ventproof.campaign.work import Errand
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.lab.seat import SeatBench
from ventproof.log.plan import PlannedRun
from ventproof.profile.load import load_profile
from ventproof.session.onward import reserved
from ventproof.session.session import Session
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench

RAIN = next(SHIPPED.glob("**/rain-count.yaml"))
TABLE = """
table: a roof vent
opened_by: {house_temperature: 30 °C}
vents:
  roof: {signal: roof_vent, open: 92 %, starts_within: 600 ms, full_travel: [29 s, 31 s], tolerance: 1 %}
overrides:
  rain:
    flag: rain_override
    when: [{contact: rain, debounce: 50 ms}]
    entry_delay: 2 s
    release_delay: 30 s
    positions: {roof: 8 %}
precedence: [rain]
"""


@pytest.fixture
def bench(tmp_path):
    """A bench on wires of its own, at which nothing answers."""
    text = SHIPPED_BENCH.with_name("mock-rtu.yaml").read_text(encoding="utf-8")
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace("/tmp/ventproof/", f"{tmp_path}/"), encoding="utf-8")
    (tmp_path / "frames").symlink_to(tmp_path / "terminal-7")
    return load_bench(path)


def test_who_comes_second_is_told_who_was_first_and_where_the_port_stands(bench):
    """The process, since when, and what it does; once that is over, the bench is free."""
    with reserved(bench, "ventproof run"), pytest.raises(FileError) as refused, reserved(bench, "another"):
        pass
    (problem,) = refused.value.problems
    assert bench.text.splitlines()[problem.line - 1].strip().startswith("port: ")
    said = bench.text.splitlines()[problem.line - 1].split()[1]
    holder = rf"another command on this computer holds {said}, process {os.getpid()}, begun \d\d:\d\d, ventproof run"
    assert re.fullmatch(f"{holder}; let it finish, or stop it", problem.reason)
    with reserved(bench, "another"):
        pass


def test_one_port_in_common_is_enough(bench, tmp_path):
    """Another bench file with the same adapter is refused, and lets go of what it already held."""
    other = tmp_path / "other.yaml"
    other.write_text(bench.text.replace(f"{tmp_path}/unit", f"{tmp_path}/elsewhere"), encoding="utf-8")
    with reserved(bench, "ventproof run"), pytest.raises(FileError), reserved(load_bench(other), "another"):
        pass
    alone = tmp_path / "alone.yaml"
    alone.write_text(
        bench.text.replace(f"{tmp_path}/frames", f"{tmp_path}/its-own").replace("15026", "15027"),
        encoding="utf-8",
    )
    with reserved(load_bench(other), "ventproof run"), reserved(load_bench(alone), "another"):
        pass


def test_the_mock_in_process_is_everybodys():
    """Nothing of it can be taken."""
    bench = load_bench(SHIPPED_BENCH)
    with reserved(bench, "ventproof run"), reserved(bench, "another"):
        pass


@pytest.mark.parametrize("words", [f"run {RAIN}", "selfcheck", "switch rain", "explore table.yaml"])
def test_commands_that_drive_refuse_a_bench_in_use(bench, ventproof, tmp_path, words):
    """Before anybody is asked anything, with exit code 3."""
    (tmp_path / "table.yaml").write_text(TABLE, encoding="utf-8")
    with reserved(bench, "campaign run 3 of 7, 'rain'"):
        code, _, said = ventproof(*words.split(), "--bench", bench.path)
    assert code == 3
    last = said.splitlines()[-1]
    assert f", process {os.getpid()}, begun " in last
    assert ", campaign run 3 of 7, 'rain'; let it finish, or stop it" in last


def test_a_rack_refuses_a_place_in_use(bench, ventproof, tmp_path):
    """No place begins."""
    (tmp_path / "rack.yaml").write_text(
        f"rack: one\nprofiles: [{RAIN}]\nplaces: {{a: {{bench: bench.yaml}}}}\n", encoding="utf-8"
    )
    with reserved(bench, "ventproof selfcheck"):
        code, _, said = ventproof("rack", "rack.yaml", "--any-path", "--confirm-clear")
    assert code == 3, said
    assert "ventproof selfcheck; let it finish" in said
    assert not list(Path("records").glob("*"))


def test_a_lab_job_switches_nothing_while_somebody_uses_the_bench_by_hand(bench, tmp_path, monkeypatch):
    """Its token is not used up, and the bench stays in use."""
    monkeypatch.setattr(child, "LOCKED_WITHIN_S", 0.0)
    profile = load_profile(RAIN)
    plan = Session(bench=bench, out=tmp_path).plan([profile])
    job = CampaignJob(0, PlannedRun(plan, 1), profile, bench, "tester", "7" * 32)
    seat = SeatBench(bench.digest, tmp_path / "state", tmp_path / "logs", tmp_path / "ledger.sqlite")
    errand = pickle.loads(pickle.dumps(Errand(job, seat, tmp_path / "answer")))
    with reserved(bench, "ventproof run"), pytest.raises(FileError, match="ventproof run; let it finish"):
        child._made(errand)
    assert [path.name for path in (tmp_path / "state").iterdir()] == ["lock"]
    assert not (tmp_path / "logs").exists()
