"""What others wrote is shown on the terminal and never obeyed by it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.write import GENESIS, seal, unseal
from ventproof.run.engine import Outcome
from ventproof.session.repeats import RepeatSeries
from ventproof.session.selfcheck import CheckResult
from ventproof.session.session import RunResult
from ventproof.terminal.console import parted
from ventproof.terminal.findings import show
from ventproof.terminal.selfcheck import show_check
from ventproof_bench.base.errors import Abort, AbortKind
from ventproof_bench.benchcheck.load import load_bench


def forged(log, name):
    """Write a log anew whose run has another name and unit, as somebody would who knows how."""
    digest, lines = GENESIS, []
    for line in log.read_bytes().splitlines():
        event = json.loads(unseal(line)[0])
        if event["event"] == "run_begin":
            event["profile"]["name"] = event["unit"] = name
        sealed, digest = seal(json.dumps(event, separators=(",", ":")).encode(), digest)
        lines.append(sealed + b"\n")
    log.write_bytes(b"".join(lines))


def test_a_forged_log_cannot_paint_a_verdict(ventproof, tmp_path):
    """A name that would clear the screen and write `pass` is shown with its control characters replaced."""
    ventproof("run", shipped_path("rain-count"), "--bench", SHIPPED_BENCH)
    (log,) = (tmp_path / "records").glob("*.jsonl")
    forged(log, "\x1b[2J\x1b[32mpass\ud800")
    code, out, err = ventproof("judge", log)
    assert code == 3
    assert "its own texts say" in err
    assert "\x1b" not in out + err
    code, out, err = ventproof("report", log, "-o", "report.html")
    assert (code, "Unit \ufffd[2J\ufffd[32mpass" in out) == (4, True)
    assert "\x1b" not in out + err + (tmp_path / "report.html").read_text(encoding="utf-8")


def test_control_characters_in_a_file_s_name_are_not_obeyed(ventproof, tmp_path):
    """An archive of logs from elsewhere may hold any name."""
    (tmp_path / "a\x1b[2Jb.jsonl").write_bytes(b"")
    code, out, err = ventproof("verify", "a\x1b[2Jb.jsonl")
    assert (code, err) == (3, "a\ufffd[2Jb.jsonl: the log is empty: the run died before its first line\n")
    assert "\x1b" not in out


@pytest.mark.parametrize(
    ("name", "width", "lines"),
    [
        ("rain-closes-holds-releases", 16, ["rain-closes-", "holds-releases"]),
        ("sensors.outside_temperature.fails_after", 20, ["sensors.outside_", "temperature.fails_", "after"]),
        ("records/six-showers.jsonl", 14, ["records/six-", "showers.jsonl"]),
        ("and 12 more", 7, ["and 12", "more"]),
        ("unparted", 4, ["unparted"]),
        ("", 4, [""]),
    ],
)
def test_a_name_that_is_too_long_is_parted_where_it_can_be_read(name, width, lines):
    """A name goes on after the sign that parts its words, never within one; a file keeps its ending."""
    assert parted(name, width) == lines


@given(st.text("ab-_./", max_size=30), st.integers(1, 12))
def test_nothing_of_a_name_is_lost(name, width):
    """The lines together are the name."""
    assert "".join(parted(name, width)) == name


@pytest.mark.parametrize("quiet", [False, True])
def test_outputs_that_may_not_be_safe_are_the_last_word_of_a_run(quiet, capsys):
    """Whatever else is shown, a person reads why, after which profile, and to isolate the drives."""
    unsafe = Outcome(
        None, abort=Abort(AbortKind.BENCH, "the board is silent"), unsafe="output rain could not be opened"
    )
    show(
        [RepeatSeries((RunResult("six showers", Path("a.jsonl"), "00" * 32, unsafe, ()),))], None, quiet=quiet
    )
    assert capsys.readouterr().out.endswith(
        "OUTPUTS MAY NOT BE SAFE (six showers): output rain could not be opened.\n"
        "Isolate the drives, then put the contacts right by hand.\n"
    )


def test_outputs_that_may_not_be_safe_are_told_after_a_self_check(capsys):
    """A check of the bench warns in the same words."""
    check = CheckResult(
        "bench",
        "failed",
        "no reply",
        "output rain could not be opened",
        Path("a"),
        "00",
        None,
        (),
        (),
        (),
        (),
    )
    show_check(load_bench(SHIPPED_BENCH).model, check)
    said = capsys.readouterr().out
    assert "OUTPUTS MAY NOT BE SAFE: output rain could not be opened.\nIsolate the drives, then" in said
