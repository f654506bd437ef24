"""The command line: exit codes, one clear message for every error, and nothing switched before all is right."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys

import click
import pytest
from shipped_profiles import shipped_path

from ventproof.cli import ventproof
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.reference.words import words

COUNT = shipped_path("rain-count")
RAIN = shipped_path("rain-closes-holds-releases")


@pytest.fixture
def few_shipped(monkeypatch, tmp_path):
    """Three profiles stand for the shipped suite; tests/harness/run runs all of it."""
    folder = tmp_path / "shipped"
    folder.mkdir()
    for path in (COUNT, RAIN, shipped_path("rain-contact-bounce-ignored")):
        shutil.copy(path, folder)
    monkeypatch.setattr("ventproof.cli.options.SHIPPED", folder)


@pytest.mark.usefixtures("few_shipped")
def test_the_demo_passes_and_shows_verdicts_times_and_logs(ventproof, tmp_path):
    """From nothing to a table of verdicts, exit code 0, with the logs where it says."""
    code, out, _ = ventproof("demo")
    assert code == 0
    assert "3 runs: 3 pass" in out
    logs = sorted((tmp_path / "records" / "demo").glob("*.jsonl"))
    assert len(logs) == 3
    assert "logs in records/demo" in out
    assert "rain closes, holds and releases the vents" in out


def test_a_second_run_overwrites_nothing(ventproof, tmp_path):
    """The log of an earlier run of the same profile stays as it is; the second is quiet and shows how it ended."""
    ventproof("run", COUNT, "--bench", SHIPPED_BENCH)
    (first,) = (tmp_path / "records").glob("*.jsonl")
    content = first.read_bytes()
    _, out, err = ventproof("run", COUNT, "--bench", SHIPPED_BENCH, "--quiet")
    assert (out.count("┏"), "5 of 5" in out, "rain_count counts" in out, err) == (1, True, False, "")
    assert first.read_bytes() == content
    assert len(list((tmp_path / "records").glob("*.jsonl"))) == 2


@pytest.mark.usefixtures("few_shipped")
def test_a_fault_makes_the_demo_fail(ventproof):
    """Exit code 1 as soon as something failed; what runs have in common that failed is named once, with its value."""
    code, out, _ = ventproof("demo", "--fault", "ignores_rain")  # as quiet as `run --quiet`
    assert code == 1
    assert "report.html: fail: Unit MOCK-1, firmware mock, ignores_rain." in out
    failed = [line for line in out.splitlines() if line.startswith("fail: ")]
    assert "fail: rain_override did not come on in time (1 of 3 runs)" in failed
    assert len({line.split()[1] for line in failed}) == len(failed)
    assert re.search(r": still off at \d\.\d\d s after the stimulus; required on within 3 s\b", out), out
    assert out.count("┏") == 1


def test_a_run_on_a_faulty_mock_fails_and_says_so_on_record(ventproof, tmp_path):
    """The fault stands in the log; a bench without a mock has none to be given."""
    code, out, _ = ventproof("run", COUNT, "--bench", SHIPPED_BENCH, "--fault", "counts_twice=2")
    assert code == 1
    assert "1 run: 1 fail" in out
    ventproof("report", "records", "-o", "report.html")
    assert "The mock unit was given faults: counts_twice=2." in (tmp_path / "report.html").read_text("utf-8")
    without = SHIPPED_BENCH.with_name("by-hand.yaml")
    code, _, err = ventproof("run", COUNT, "--bench", without, "--fault", "counts_twice")
    assert (code, err) == (3, f"--fault: {without} has no mock unit to be given a fault\n")


def test_an_unknown_fault_is_named_with_the_nearest(ventproof):
    """A misspelt fault is an argument error."""
    code, _, err = ventproof("demo", "--fault", "ignore_rain")
    assert (code, err) == (
        3,
        "--fault: 'ignore_rain' is not a fault of the mock unit; did you mean 'ignores_rain'?\n",
    )


def test_run_inconclusive_and_aborted_have_codes_of_their_own(ventproof, tmp_path):
    """2 when nothing failed but something is undecided, 4 when a run was aborted; three in a row end the suite."""
    deaf = tmp_path / "deaf.yaml"
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    deaf.write_text(text.replace("timeout: 500 ms", "timeout: 1 ms"))
    assert ventproof("run", COUNT, "--bench", deaf)[0] == 2
    code, out, _ = ventproof("run", RAIN, *[COUNT] * 5, "--bench", deaf)
    assert (code, "6 runs: 1 aborted, 5 inconclusive\n" in out) == (4, True)
    code, out, _ = ventproof("run", *[RAIN] * 3, *[COUNT] * 5, "--bench", deaf, "--out", tmp_path / "worse")
    assert (code, "5 of 8 planned runs not run\n" in out) == (4, True)
    assert "\naborted: 3 runs in a row were aborted, the last one because " in out
    assert out.endswith("not run: every closure of the rain contact is counted\nnot run: 2 more\n")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["run"], "PROFILES is missing; write `ventproof run [OPTIONS] PROFILES...`\n"),
        (
            ["run", "nowhere.yaml", "--bench", str(SHIPPED_BENCH)],
            "nowhere.yaml: does not exist; check the path\n",
        ),
        (
            ["run", str(COUNT.with_name("rain-cuont.yaml")), "--bench", str(SHIPPED_BENCH)],
            f"did you mean '{COUNT}'?\n",
        ),
        (["run", str(COUNT)], "--bench is missing (the bench file); see `ventproof run --help`\n"),
        (
            ["run", str(COUNT), "--bench", "nowhere.yaml"],
            "nowhere.yaml: there is no such file; check the path\n",
        ),
        (
            ["run", str(COUNT), "--bench", str(SHIPPED_BENCH), "--out", str(COUNT)],
            f"--out: '{COUNT}' is a file; name a folder\n",
        ),
        (["run", "--repeat", "0"], "--repeat: 0 is out of range; write a whole number of at least 1\n"),
        (
            ["run", "--repeat", "1.5"],
            "--repeat: '1.5' is not a whole number; write a whole number of at least 1\n",
        ),
        (
            ["run", "--success-ratio", "99,5"],
            "--success-ratio: '99,5' is not a number; write a number above 0 and below 100\n",
        ),
        (["run", "--unit"], "--unit: its value is missing; write `--unit VALUE`\n"),
        (["run", "--confirm-clear=yes"], "--confirm-clear: takes no value; write `--confirm-clear`\n"),
        (["run", "--benhc", "x"], "--benhc: there is no such option; did you mean '--bench'?\n"),
        (["demo", "more"], "more: more than the command takes; write `ventproof demo [OPTIONS]`\n"),
        (["chekc", str(COUNT)], "chekc: there is no such command; did you mean 'check'?\n"),
        (["frobnicate"], "frobnicate: there is no such command; see `ventproof --help`\n"),
        (
            ["demo", "--fault", "unheard-of"],
            "not a fault of the mock unit; `ventproof explain faults` lists them\n",
        ),
        (["check", "log.jsonl"], "log.jsonl: does not exist"),
        (
            ["check", str(COUNT), "--map", "a=b"],
            "--map: maps names to those of a bench; give `--bench FILE` with it",
        ),
        (
            ["check", str(COUNT), "--bench", str(SHIPPED_BENCH), "--map", "rian=rain"],
            "--map: no profile needs 'rian'; did you mean 'rain'?\n",
        ),
        (["judge", str(SHIPPED)], f"{SHIPPED}: this is a folder; name a log, a file that ends in .jsonl\n"),
        (
            ["mock", "--out", "/proc/nowhere"],
            "--out: '/proc/nowhere' cannot be used: No such file or directory; name",
        ),
        (["check", str(SHIPPED.parent / "README.md")], "README.md:"),
        (["verify", "nowhere.jsonl"], "nowhere.jsonl: does not exist"),
        (
            ["schema"],
            "KIND is missing; write profile, bench, table, acceptance, waivers, rack, results, comparison or trend\n",
        ),
        (
            ["schema", "recipe"],
            "KIND: 'recipe' is not one of the words for this; write profile, bench, table,",
        ),
        (["run", str(COUNT), "--bench", str(SHIPPED_BENCH), "--map", "rain"], "--map: 'rain' is not a pair"),
    ],
)
def test_a_wrong_argument_is_exit_code_3_and_one_message(words, message, ventproof, tmp_path):
    """Every slip on the command line says what is wrong, without a traceback, and writes no log."""
    code, out, err = ventproof(*words)
    assert code == 3
    assert message in err
    assert "Traceback" not in out + err
    assert not (tmp_path / "records").exists()


def test_every_fault_of_every_file_is_shown_before_anything_runs(ventproof, tmp_path):
    """Two wrong profiles give both their messages at once, and the right one is not run."""
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(COUNT.read_text(encoding="utf-8").replace("times: 25", "tims: 25"))
    other = tmp_path / "other.yaml"
    other.write_text(RAIN.read_text(encoding="utf-8").replace("within: 32 s", "within: 32 %"))
    code, _, err = ventproof("run", wrong, other, COUNT, "--bench", SHIPPED_BENCH)
    assert code == 3
    line = next(
        n for n, line in enumerate(wrong.read_text(encoding="utf-8").splitlines(), 1) if "tims" in line
    )
    assert f"{wrong}:{line}:23: the key 'tims' is unknown here; did you mean 'times'?" in err
    assert f"{other}:" in err
    assert "expected a time, found '32 %', a percent" in err
    assert not (tmp_path / "records").exists()


def test_check_tells_how_long_profiles_take_and_what_buses_carry(ventproof):
    """`check` gives the shortest and longest time, the reads that the bus must carry, and what it makes of them."""
    code, out, _ = ventproof("check", RAIN, SHIPPED_BENCH.parent / "mock-rtu.yaml", "--bench", SHIPPED_BENCH)
    assert code == 0
    assert f"{RAIN}: valid; takes 72 s at least, 4 min at most" in out
    assert re.search(
        r"bus unit: \d+ signals in 1 request every 100 ms; utilisation 1\d\.\d %; "
        r"worst stimulus latency 3\d\.\d ms; worst sample age 13\d\.\d ms",
        out,
    )


def test_verify_tells_whole_aborted_and_changed_logs_apart(ventproof, tmp_path):
    """An intact log is 0; a cut or changed one is 4, with the line."""
    ventproof("run", COUNT, "--bench", SHIPPED_BENCH)
    log = next((tmp_path / "records").glob("*.jsonl"))
    assert ventproof("verify", log)[0] == 0
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:-1]))
    code, out, _ = ventproof("verify", log)
    assert code == 4
    assert "intact" in out
    assert "aborted" in out
    log.write_bytes(b"".join(lines[:3] + lines[4:]))
    code, out, _ = ventproof("verify", log)
    assert code == 4
    assert f"{log}:4: broken:" in out


def test_judge_decides_a_log_again(ventproof, tmp_path):
    """`judge` gives the run's verdict again from the log alone, and says what an edited profile changes."""
    ventproof("run", RAIN, "--bench", SHIPPED_BENCH)
    log = next((tmp_path / "records").glob("*.jsonl"))
    code, out, _ = ventproof("judge", log)
    assert code == 0
    assert "nothing changed" in out
    edited = tmp_path / "edited.yaml"
    edited.write_text(RAIN.read_text(encoding="utf-8").replace("within: 32 s", "within: 20 s"))
    code, out, _ = ventproof("judge", log, "--profile", edited)
    assert code == 1
    assert "pass → fail" in out


def test_judge_draws_figures_and_leaves_other_files_alone(ventproof, tmp_path):
    """`--figures` writes one figure of the run and one of each response; a strange file of that name is refused."""
    ventproof("run", COUNT, "--bench", SHIPPED_BENCH)
    log = next((tmp_path / "records").glob("*.jsonl"))
    code, out, _ = ventproof("judge", log, "--figures", "drawn")
    assert code == 0
    assert "6 figures in drawn" in out
    names = [
        "0-0-rain_override-equals",
        "0-1-rain_count-unchanged",
        "1-0-rain_count-counts",
        "1-1-rain_override-unchanged",
        "2-0-rain_count-counts",
        "run",
    ]
    assert sorted(path.name for path in (tmp_path / "drawn").iterdir()) == [f"{name}.svg" for name in names]
    (tmp_path / "drawn" / "run.svg").write_text("mine", encoding="utf-8")
    code, _, err = ventproof("judge", log, "--figures", "drawn")
    assert (code, err) == (3, "drawn/run.svg: is not a figure of this log; name another folder\n")


def test_explain_and_schema_answer(ventproof):
    """A word is explained with an example; a schema is JSON; an unknown word names the nearest; no word lists all."""
    listed = ventproof("explain")[1]
    assert "\nProfile: what must follow\n  reaches, stays, " in listed
    assert max(map(len, listed.splitlines())) <= 100
    told = {word.strip() for line in listed.splitlines() if line.startswith("  ") for word in line.split(",")}
    assert told - {""} == set(words())
    assert "off by one" in ventproof("explain", "off-by-one")[1]
    assert "Ctrl-C" in ventproof("explain", "safe", "state")[1]
    assert json.loads(ventproof("schema", "profile")[1])["$schema"].startswith("https://json-schema.org")
    code, _, err = ventproof("explain", "tolerence")
    assert code == 3
    assert "tolerance" in err


def test_a_real_bench_needs_a_word_that_all_is_clear(ventproof):
    """Without `--confirm-clear` and without anybody to ask, nothing real is driven."""
    code, _, err = ventproof("run", COUNT, "--bench", SHIPPED_BENCH.parent / "mock-rtu.yaml")
    assert code == 3
    assert "give --confirm-clear once that is so" in err
    assert "lock out" in err


def test_a_reader_that_goes_away_does_not_turn_a_fail_into_a_pass(tmp_path):
    """`ventproof run … | head` still ends with the exit code of the runs."""
    faulty = tmp_path / "faulty.yaml"
    faulty.write_text(SHIPPED_BENCH.read_text(encoding="utf-8") + "  faults: {ignores_rain: 1}\n")
    with subprocess.Popen(
        [sys.executable, "-m", "ventproof", "run", RAIN, "--bench", faulty, "--out", tmp_path],
        stdout=subprocess.PIPE,
    ) as process:
        process.stdout.close()
        assert process.wait(60) == 1


def test_help_names_every_command_and_exit_code():
    """`ventproof --help` is the map of the program, and fits a terminal of 80 columns."""
    out = subprocess.run(
        [sys.executable, "-m", "ventproof", "--help"], capture_output=True, text=True, check=True
    ).stdout
    for word in ("demo", "check", "run", "judge", "verify", "mock", "schema", "explain", "130 interrupted"):
        assert word in out
    assert max(map(len, out.splitlines())) <= 80


def test_every_command_stands_where_the_list_says():
    """Each command is found in its module under its own name, and calls itself by it."""
    group = click.Context(ventproof)
    names = ventproof.list_commands(group)
    assert len(set(names)) == len(names)
    for name in names:
        command = ventproof.get_command(group, name)
        assert command is not None
        assert command.name == name


@pytest.mark.parametrize("imported", ["ventproof.cli", "click", "ventproof.cli.explain"])
def test_an_interruption_ends_the_program_without_a_traceback_however_early(imported):
    """A Ctrl-C that comes while a module is imported: by the signal itself, or as 130 once ventproof listens."""
    program = f"""
import os, signal, sys
from ventproof.__main__ import main
class Struck:
    def find_spec(self, name, *_):
        if name == {imported!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Struck())
sys.argv = ["ventproof", "explain", "hookup"]
main()
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode in {-signal.SIGINT, 130}, done
    assert "Traceback" not in done.stderr


def test_an_interruption_that_python_drops_drives_nothing(tmp_path):
    """One that comes while a library runs its own code amid an import is dropped; the run is not begun for all that."""
    program = f"""
import os, signal, sys
from ventproof.__main__ import main
class Dropped:
    def find_spec(self, name, *_):
        if name == "ventproof.session.session":
            try:
                os.kill(os.getpid(), signal.SIGINT)
            except KeyboardInterrupt:
                pass
sys.meta_path.insert(0, Dropped())
sys.argv = ["ventproof", "run", {str(COUNT)!r}, "--bench", {str(SHIPPED_BENCH)!r}, "--out", {str(tmp_path)!r}]
main()
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 130, done
    assert not list(tmp_path.glob("*.jsonl"))
