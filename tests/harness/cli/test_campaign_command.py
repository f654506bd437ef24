"""`ventproof campaign`: every combination once, logs that stand by themselves, and a campaign taken up again."""

from __future__ import annotations

import shutil
import subprocess

import pytest
from lab_jobs import VENTPROOF

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.log.read import check_log, header_of, read_log

NIGHT = """
campaign: a short night
profiles: [rain.yaml]
benches: [{file: mock.yaml}]
units: [GH-7]
firmware: ["2.3", "2.4"]
faults: [none, ignores_rain]
repeats: 2
"""


def _written(folder):
    shutil.copy(next(SHIPPED.glob("**/rain-count.yaml")), folder / "rain.yaml")
    shutil.copy(SHIPPED_BENCH, folder / "mock.yaml")
    (folder / "night.yaml").write_text(NIGHT, encoding="utf-8")
    return folder


@pytest.fixture
def night(tmp_path):
    """A folder with a campaign of eight runs that did not begin."""
    return _written(tmp_path)


@pytest.fixture(scope="module")
def carried_out(tmp_path_factory):
    """A folder with the campaign carried out by two processes, and what the command said."""
    folder = _written(tmp_path_factory.mktemp("carried_out"))
    command = [*VENTPROOF, "campaign", "night.yaml", "--out", "out", "--jobs", "2"]
    return folder, subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


@pytest.fixture
def done(carried_out, night):
    """A folder of the test's own with the campaign carried out."""
    shutil.copytree(carried_out[0] / "out", night / "out")
    return night


def logs_of(folder):
    return sorted(folder.glob("*/*.jsonl"))


def test_every_combination_is_run_and_each_plan_is_whole(carried_out, ventproof):
    """Eight runs, in four plans, each with its manifest; `verify` finds nothing amiss, the history has all of them."""
    folder, command = carried_out
    assert "8 runs in 4 plans\nin virtual time: 8 runs, " in command.stderr
    assert (command.returncode, command.stdout) == (0, "8 runs: 8 pass\n")
    made = [header_of(read_log(log)) for log in logs_of(folder / "out")]
    digests = {one.bench.sha256 for one in made}
    assert len(digests) == 2
    assert {(one.firmware, one.bench.sha256, one.repeat, one.seed) for one in made} == {
        (firmware, digest, repeat, repeat - 1)
        for firmware in ("2.3", "2.4")
        for digest in digests
        for repeat in (1, 2)
    }
    assert {one.token for one in made} == {""}
    code, said, _ = ventproof("verify", folder / "out")
    assert (code, said.splitlines()[-1]) == (0, "8 files: 8 in order")
    assert History(place_of(str(folder / "out" / "history.sqlite"))).count() == 8


def test_a_campaign_goes_on_where_it_was_broken_off(done, ventproof):
    """Runs with a verdict stay byte for byte; a missing one is made, one that was cut off is made again and listed."""
    first, second, third, *_ = logs_of(done / "out")
    whole = {log: log.read_bytes() for log in logs_of(done / "out")}
    second.write_bytes(whole[second][: len(whole[second]) // 2])
    third.unlink()
    for manifest in (done / "out").glob("*/*.manifest.json"):
        manifest.unlink()
    assert ventproof("campaign", "night.yaml", "--out", "out")[0] == 3
    code, said, told = ventproof("campaign", "night.yaml", "--out", "out", "--resume", "--jobs", 1)
    assert (code, said) == (0, "8 runs: 8 pass\n")
    assert "8 runs in 4 plans; 6 stand, 2 to be made" in told
    assert first.read_bytes() == whole[first]
    assert third.read_bytes() == whole[third]
    again = second.with_name(f"{second.stem}-2.jsonl")
    assert check_log(again).outcome == "pass"
    assert [one.log for one in check_log(again).place.earlier] == [second.name]
    said = ventproof("verify", "out")[1]
    assert f"{second.name} of run 2 of 2" in said
    assert "was aborted, and the run made again" in said


def test_a_campaign_that_changed_does_not_go_on(done, ventproof):
    """A plan keeps what it began with; the message says what to do instead."""
    changed = NIGHT.replace("repeats: 2", "repeats: 3")
    (done / "night.yaml").write_text(changed, encoding="utf-8")
    code, _, told = ventproof("campaign", "night.yaml", "--out", "out", "--resume")
    assert code == 3
    assert "campaign 'a short night' is not as it was" in told
    assert ventproof("campaign", "night.yaml", "--out", "other", "--resume")[0] == 3
    assert "another --out" in ventproof("campaign", "night.yaml", "--out", "out")[2]


def test_a_log_that_was_changed_is_not_taken_for_a_run(done, ventproof):
    """Going on stops at it, with its line."""
    log = logs_of(done / "out")[0]
    log.write_bytes(log.read_bytes().replace(b'"event":"step_begin"', b'"event":"step_begin" ', 1))
    code, _, told = ventproof("campaign", "night.yaml", "--out", "out", "--resume")
    assert code == 3
    assert told.startswith(f"{log.relative_to(done)}:")
    assert "the log was changed" in told


def test_a_campaign_names_no_files_outside_its_folder(night, ventproof):
    """As a profile does with its series; --any-path lets it."""
    (night / "below").mkdir()
    text = NIGHT.replace("rain.yaml", "../rain.yaml").replace("mock.yaml", "../mock.yaml")
    (night / "below" / "night.yaml").write_text(text, encoding="utf-8")
    code, _, told = ventproof("campaign", "below/night.yaml", "--out", "out")
    assert code == 3
    assert "below/night.yaml:3:12: '../rain.yaml' is outside the folder of the campaign file" in told
    assert "below/night.yaml:4:18: '../mock.yaml' is outside" in told
    assert ventproof("check", "below/night.yaml")[0] == 3
    code, said, _ = ventproof("check", "below/night.yaml", "--any-path")
    assert (code, said.partition(";")[0]) == (0, "below/night.yaml: valid")


def test_an_unknown_fault_is_told_where_it_stands(night, ventproof):
    """The line and the column are those of the campaign file."""
    (night / "night.yaml").write_text(NIGHT.replace("ignores_rain", "ignores_hail"), encoding="utf-8")
    code, _, told = ventproof("campaign", "night.yaml", "--out", "out")
    assert code == 3
    assert told.startswith("night.yaml:7:16: ")


def test_all_that_is_wrong_with_a_campaign_is_told_at_once(night, ventproof):
    """Files that are not there where they are named, an unknown fault, and what is wrong in a profile."""
    (night / "late.yaml").write_text(
        (night / "rain.yaml").read_text(encoding="utf-8").replace("expect:", "expct:", 1), encoding="utf-8"
    )
    wrong = NIGHT.replace("[rain.yaml]", "[rian.yaml, late.yaml]").replace("ignores_rain", "ignores_hail")
    (night / "night.yaml").write_text(wrong, encoding="utf-8")
    for command in ("check", "campaign"):
        code, _, told = ventproof(command, "night.yaml")
        lines = told.splitlines()
        assert code == 3
        assert lines[0] == "night.yaml:3:12: 'rian.yaml' does not exist; did you mean 'rain.yaml'?"
        assert lines[1].startswith("night.yaml:7:16: ")
        assert any(line.startswith("late.yaml:") for line in lines[2:])
    (night / "night.yaml").write_text(wrong.replace("mock.yaml", "mok.yaml"), encoding="utf-8")
    told = ventproof("check", "night.yaml")[2].splitlines()
    assert told[0].startswith("night.yaml:3:12: ")
    assert told[1] == "night.yaml:4:18: 'mok.yaml' does not exist; did you mean 'mock.yaml'?"
    assert any(line.startswith("late.yaml:") for line in told[2:])
    (night / "night.yaml").write_text(NIGHT.replace("mock.yaml", "nght.yaml"), encoding="utf-8")
    (night / "night.yaml").rename(night / "nb.yaml")
    told = ventproof("check", "nb.yaml")[2].splitlines()
    assert told[0] == "nb.yaml:4:18: 'nght.yaml' does not exist; check the path", "alike by its ending alone"
    (night / "night.yaml").write_text(NIGHT, encoding="utf-8")
    code, said, _ = ventproof("check", "night.yaml")
    assert (code, said) == (0, "night.yaml: valid; `ventproof campaign night.yaml` makes 8 runs in 4 plans\n")


def test_a_campaign_begins_once_somebody_is_there_to_make_its_runs(night, ventproof):
    """Without a scheduler nothing is noted, and the campaign begins without --resume when there is one."""
    code, _, told = ventproof("campaign", "night.yaml", "--out", "out", "--scheduler", "127.0.0.1:1")
    assert code == 4
    assert told.splitlines()[-1].startswith("no scheduler answers at 127.0.0.1:1: ")
    assert [path.name for path in (night / "out").iterdir()] == [".lock"]


def test_a_bench_has_profiles_of_its_own(night, ventproof):
    """In place of those of the campaign, which may fit the others alone."""
    shutil.copytree(SHIPPED.parent / "by-hand", night / "by-hand")
    shutil.copy(SHIPPED_BENCH.with_name("by-hand-mock.yaml"), night / "people.yaml")
    people = '{file: people.yaml, profiles: [by-hand], units: [GH-8], firmware: ["2.4"]}'
    text = NIGHT.replace("[{file: mock.yaml}]", f"[{{file: mock.yaml}}, {people}]")
    (night / "night.yaml").write_text(text, encoding="utf-8")
    assert "makes 24 runs in 6 plans" in ventproof("check", "night.yaml")[1]
    (night / "night.yaml").write_text(text.replace("[by-hand]", "[by-hnd]"), encoding="utf-8")
    told = ventproof("check", "night.yaml")[2]
    assert told == "night.yaml:4:61: 'by-hnd' does not exist; did you mean 'by-hand'?\n"


def test_runs_that_fail_are_named_with_their_logs(night, ventproof):
    """The exit code is that of `run`."""
    text = NIGHT.replace("[none, ignores_rain]", "[counts_twice]").replace("repeats: 2", "repeats: 1")
    (night / "night.yaml").write_text(text, encoding="utf-8")
    code, said, _ = ventproof("campaign", "night.yaml", "--out", "out", "--jobs", 1)
    first = logs_of(night / "out")[0].relative_to(night)
    assert code == 1
    assert said.startswith(
        "fail: unit GH-7, firmware 2.3, fault counts_twice: every closure of the rain contact"
    )
    assert f"({first})" in said
    assert said.endswith("2 runs: 2 fail\n")


def test_real_outputs_need_a_worker(night, ventproof):
    """Nothing is switched from here, and the message says what to start."""
    shutil.copy(SHIPPED_BENCH.with_name("mock-rtu.yaml"), night / "mock.yaml")
    (night / "night.yaml").write_text(NIGHT.replace('["2.3", "2.4"]', '["2.4"]'), encoding="utf-8")
    code, _, told = ventproof("campaign", "night.yaml", "--out", "out")
    assert code == 3
    assert "drives real outputs, and no worker holds it; start `ventproof worker`" in told


def test_a_real_bench_has_one_unit_and_one_firmware(night, ventproof):
    """Nobody rewires it between two runs."""
    shutil.copy(SHIPPED_BENCH.with_name("mock-rtu.yaml"), night / "mock.yaml")
    code, _, told = ventproof("campaign", "night.yaml", "--out", "out")
    assert code == 3
    assert told.startswith("night.yaml:4:18: ")
    assert "2 firmware versions are given for it; name under this bench the one that is wired to it" in told
