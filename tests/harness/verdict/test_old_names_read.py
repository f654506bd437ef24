"""Files, logs and command lines with the names of versions before mean what they meant."""

from __future__ import annotations

import re
import sqlite3
from importlib.resources import files
from pathlib import Path

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, SHIPPED_TABLE
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.profile.load import load_profile, read_profile
from ventproof.rejudge.again import decide_again
from ventproof.table.load import load_table, read_table
from ventproof.verdict.old_names import OPTIONS
from ventproof_bench.benchcheck.load import load_bench, read_bench

DATA = Path(__file__).parents[1] / "data"
OLD = DATA / "version-0.2.yaml"
OLD_LOG = DATA / "version-0.2.jsonl"
OLD_KEY = DATA / "version-0.2.pub"
LOG_OF_0_3 = DATA / "version-0.3.jsonl"
LATER_LOGS = [DATA / f"version-0.{minor}.jsonl" for minor in (4, 5, 6)]
SNOW_BENCH = SHIPPED_BENCH.with_name("snow-house.yaml")
FLAGS = {"--confirm-clear", "--wiring"}
PROFILES = sorted(SHIPPED.parent.rglob("*.yaml"))

BEFORE = {
    "stays_at_most:": "stays_below:",
    "stays_at_least:": "stays_above:",
    "applies_after:": "settled_after:",
    "purpose:": "why:",
    "restore:": "mend:",
    "mode:": "how:",
    "modes:": "how:",
    "shape: peaked": "shape: chicago",
    "spectrum: surface-layer": "spectrum: kaimal",
    "normal:": "good:",
    "recovers_after": "mends_after",
    "delay_tolerance:": "delays_within:",
    "tips:": "of_last:",
    "fall_between:": "scale:",
    r"breeze\.fall_between": "breeze.scale",
}
"""What each name was called before."""


def as_before(text):
    """Return a file's text with the names of before; `sides:` came later than those of version 0.2."""
    lines = text.splitlines(keepends=True)
    for now, before in BEFORE.items():
        lines = [line if line.startswith("sides:") else re.sub(rf"\b{now}", before, line) for line in lines]
    return "".join(lines)


@pytest.fixture
def new(tmp_path):
    """Write the profile of the old log with the names of now."""
    text = OLD.read_text(encoding="utf-8")
    for now, before in BEFORE.items():
        text = re.sub(rf"\b{before}", now, text)
    path = tmp_path / "now.yaml"
    path.write_text(text, encoding="utf-8")
    assert not load_profile(path).renamed
    return path


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_profile_of_before_is_the_same_model(path):
    """Every shipped profile with its old names is read as with its new ones, and each old name is noted once."""
    now = load_profile(path)
    text = as_before(now.text)
    before = read_profile("before.yaml", text, now.attached)
    assert before.model == now.model
    assert bool(before.renamed) is (text != now.text)
    assert not now.renamed


def test_a_table_of_before_is_the_same_model():
    """The table that is explained holds each key that has a new name."""
    now = read_table("now.yaml", (files("ventproof.reference") / "examples/table.yaml").read_text("utf-8"))
    before = read_table("before.yaml", as_before(now.text))
    assert not load_table(SHIPPED_TABLE).renamed
    assert before.model == now.model
    assert [note.reason.split()[0] for note in before.renamed] == [
        *("`good`", "`how`", "`mends_after`", "`of_last`", "`delays_within`", "`scale`"),
    ]


def test_a_bench_file_of_before_is_the_same_model(ventproof, tmp_path):
    """Limits of the mock fall between what was their scale; the scale of a register keeps its name."""
    now = load_bench(SNOW_BENCH)
    text = now.text.replace("fall_between:", "scale:")
    before = read_bench("before.yaml", text)
    assert before.model == now.model
    assert [note.reason for note in before.renamed] == ["`scale` is now `fall_between`"]
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    code, out, _ = ventproof("check", tmp_path / "bench.yaml")
    assert code == 0
    assert "`scale` is now `fall_between`; rename it: a later version refuses the old name" in out


def test_check_and_run_warn_of_old_names_with_their_place(ventproof):
    """One line for each old name; the verdict is that of the new names."""
    code, out, _ = ventproof("check", OLD, "--bench", SHIPPED_BENCH)
    assert code == 0
    assert (
        f"  warning: {OLD}:11:5: `stays_below` is now `stays_at_most` (2 places); rename it: a later" in out
    )
    code, out, err = ventproof("run", OLD, "--bench", SHIPPED_BENCH, "--quiet", "--history", "none")
    assert code == 0
    assert (
        f"warning: {OLD}:33:10: `mend` is now `restore`; rename it: a later version refuses the old name"
        in err
    )
    assert err.count("is now") == 7
    assert "is now" not in out
    assert "is now" not in Path("records/names-of-version-0-2.jsonl").read_text(encoding="utf-8")


def test_both_names_in_one_place_are_refused(ventproof, tmp_path):
    """The only message names both and what to leave out."""
    path = tmp_path / "both.yaml"
    text = OLD.read_text(encoding="utf-8").replace(
        "for: 1 s, after: wet}", "for: 1 s, after: wet, stays_at_most: 5 %}", 1
    )
    path.write_text(text, encoding="utf-8")
    code, _, err = ventproof("check", path)
    assert code == 3
    (line,) = err.splitlines()
    assert (
        "`stays_below` and `stays_at_most` together; leave `stays_below` out: it is the old name of" in line
    )


def test_a_slip_in_an_old_name_is_advised_the_new_one(ventproof, tmp_path):
    """Advice knows the names of now alone."""
    path = tmp_path / "slip.yaml"
    path.write_text(
        OLD.read_text(encoding="utf-8").replace("settled_after", "aplies_after"), encoding="utf-8"
    )
    assert "did you mean 'applies_after'?" in ventproof("check", path)[2]


def test_a_log_of_before_is_verified_and_judged_without_a_word(ventproof):
    """Its chain and its signature hold, and its evidence gives the verdict that it tells of."""
    code, out, err = ventproof("verify", OLD_LOG, "--key", OLD_KEY)
    assert (code, err) == (0, "")
    assert "pass" in out
    code, out, err = ventproof("judge", OLD_LOG)
    assert (code, err) == (0, "")
    assert "is now" not in out
    decided = decide_again(read_log(OLD_LOG))
    assert not decided.changes
    assert {f.kind for f in decided.before} == {"equals", "stays_at_most", "stays_at_least", "always"}


def test_a_log_with_the_sentences_of_0_3_stands_and_is_told_in_those_of_now(ventproof):
    """A sentence that was worded otherwise contradicts nothing."""
    said = "changed: 0 to 1 by 2.50 s after the stimulus; required unchanged in 10 s"
    assert said in LOG_OF_0_3.read_text(encoding="utf-8")
    code, out, err = ventproof("verify", LOG_OF_0_3)
    assert (code, err) == (0, "")
    assert "intact, 33 lines, fail" in out
    code, out, err = ventproof("judge", LOG_OF_0_3)
    assert (code, err) == (1, "")
    assert "already changed at 2.50 s after the stimulus" in out
    assert not decide_again(read_log(LOG_OF_0_3)).changes


@pytest.mark.parametrize("log", LATER_LOGS, ids=lambda log: log.stem)
def test_a_later_log_is_verified_and_judges_as_it_did(ventproof, log):
    """A pass, a fail and an open response stay what they were, and none is told as changed."""
    code, out, err = ventproof("verify", log)
    assert (code, err) == (0, "")
    assert re.search(r"intact, \d+ lines, fail", out)
    code, out, err = ventproof("judge", log)
    assert (code, err) == (1, "")
    again = decide_again(read_log(log))
    assert not again.changes
    assert {one.status for one in again.findings} == {"pass", "fail", "inconclusive"}


def test_an_old_log_is_judged_by_the_profile_with_new_names(ventproof, new):
    """The edited profile has the stimuli of the log, by whatever names."""
    code, _, err = ventproof("judge", OLD_LOG, "--profile", new)
    assert (code, err) == (0, "")


def test_a_report_shows_what_an_old_log_proves(ventproof):
    """The lines of its table are claimed and shown by their names of now."""
    code, _, err = ventproof("report", OLD_LOG, "-o", "report.html")
    assert (code, err) == (0, "")
    shown = Path("report.html").read_text(encoding="utf-8")
    assert "sensors.outside_temperature.recovers_after" in shown
    assert "sensors.outside_temperature.mends_after" not in shown


def test_a_log_of_before_is_compared_with_one_of_now(ventproof, new):
    """Each response has its counterpart: none is of one side only, and none is worse."""
    code, _, _ = ventproof(
        "run", new, "--bench", SHIPPED_BENCH, "--firmware", "3.1", "--history", "none", "--quiet"
    )
    assert code == 0
    (log,) = Path("records").glob("*.jsonl")
    keys = [{f.key for f in results_of(read_log(path)).findings} for path in (OLD_LOG, log)]
    assert keys[0] == keys[1]
    code, out, err = ventproof("compare", OLD_LOG, log)
    assert code == 0, out + err
    assert "one side" not in out


def test_a_history_of_before_is_compared_with_runs_of_now(ventproof, new):
    """A database keeps the kinds that its runs were entered with; they are read as those of now."""
    ventproof("run", new, "--bench", SHIPPED_BENCH, "--firmware", "3.1", "--quiet")
    ventproof("run", OLD, "--bench", SHIPPED_BENCH, "--firmware", "3.0", "--quiet")
    with sqlite3.connect("records/history.sqlite") as history:
        changed = history.execute(
            "UPDATE findings SET kind = 'stays_below' WHERE kind = 'stays_at_most' AND run_id = 2"
        ).rowcount
    history.close()
    assert changed == 1
    code, out, err = ventproof("compare", "3.0", "3.1")
    assert code == 0, out + err


@pytest.mark.parametrize(
    ("command", "old", "new"),
    [(c, o, n) for c, names in OPTIONS.items() for o, n in names.items() if c != "pytest"],
)
def test_an_old_option_is_the_new_one_with_a_warning(ventproof, command, old, new):
    """Help shows the new name only; the old one, with `=` too, does the same and warns."""
    shown = ventproof(command, "--help")[1]
    assert re.search(rf"{new}\b(?!-)", shown)
    assert not re.search(rf"{old}\b(?!-)", shown)
    warning = f"warning: `{old}` is now `{new}`; a later version refuses the old name\n"
    for word in [old] if new in FLAGS else [f"{old}=9", f"{old} 9"]:
        code, _, err = ventproof(command, *word.split(), "--help")
        assert (code, err) == (0, warning)


def test_what_follows_two_dashes_is_no_option(ventproof):
    """A file may have the name of an old option."""
    assert "is now" not in ventproof("run", "--bench", SHIPPED_BENCH, "--", "--clear")[2]


@pytest.mark.parametrize(
    ("old", "new"), [("stays_below", "stays_at_most"), ("of_last", "tips"), ("mend", "restore")]
)
def test_explain_leads_from_an_old_name_to_the_new_one(ventproof, old, new):
    """Who has an old profile finds the word."""
    code, out, _ = ventproof("explain", old)
    assert code == 0
    assert out.startswith(f"{old}: see `{new}`.")
