"""`ventproof history` and what a run leaves in it; exports read by independent libraries."""

from __future__ import annotations

import csv
import time
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.enter import keeper_of
from ventproof.history.store import History
from ventproof.log.read import read_log
from ventproof.log.run import results_of

RUN = ("run", shipped_path("rain-count"), "--bench", SHIPPED_BENCH, "--unit", "GH-7", "--firmware", "2.4")


def test_a_run_is_found_again(ventproof, tmp_path):
    """A run enters the history beside its log, and the list shows where its log lies."""
    assert ventproof(*RUN)[0] == 0
    code, out, _ = ventproof("history")
    assert code == 0
    for words in (
        "GH-7",
        "2.4",
        "every closure of the rain contact is counted",
        "pass",
        "records/",
        "1 run",
    ):
        assert words in out
    (log,) = (tmp_path / "records").glob("*.jsonl")
    (entry,) = History(place_of("records/history.sqlite")).entries()
    assert entry.record == results_of(read_log(log))
    assert "no run matches" in ventproof("history", "--unit", "GH-8")[1]


def test_a_history_that_fails_changes_no_verdict(ventproof, tmp_path):
    """The log is written, the verdict stands, and the operator is told how to enter the run later."""
    broken = tmp_path / "broken.sqlite"
    broken.write_text("no database at all, and long enough to be taken for the header of one" * 20)
    code, out, err = ventproof(*RUN, "--history", broken)
    assert code == 0
    assert "pass" in out
    assert "not entered into the history" in err
    assert "file is not a database" in err
    (log,) = (tmp_path / "records").glob("*.jsonl")
    assert f"ventproof history import --history {broken} records/{log.name}" in err
    assert read_log(log).outcome == "pass"


def test_a_run_whose_bench_failed_is_in_the_history_as_aborted(ventproof, tmp_path):
    """Whichever way a run ends, it is entered; without a verdict it is no pass."""
    deaf = tmp_path / "deaf.yaml"
    deaf.write_text(SHIPPED_BENCH.read_text(encoding="utf-8").replace("timeout: 500 ms", "timeout: 1 ms"))
    assert ventproof("run", shipped_path("rain-closes-holds-releases"), "--bench", deaf)[0] == 4
    (entry,) = History(place_of("records/history.sqlite")).entries()
    assert entry.record.verdict == "aborted"
    assert entry.record.reason


def test_planned_runs_that_are_not_here_are_said_before_those_that_are(ventproof, tmp_path):
    """The list, the import and the page say it, and a unit whose set is not whole has not passed."""
    assert ventproof(*RUN, "--repeat", 3, "--history", "none")[0] == 0
    second = tmp_path / "records" / "every-closure-of-the-rain-contact-is-counted-2.jsonl"
    second.unlink()
    code, out, _ = ventproof("history", "import", "records")
    missing = "1 of 3 planned runs is not here"
    assert (code, out.startswith(missing), "2 logs: 2 new" in out) == (2, True, True)
    code, out, _ = ventproof("history")
    assert (code, out.startswith(f"! {missing}, of plan ")) == (0, True)
    assert "of unit GH-7, firmware 2.4: every closure of the rain contact is counted, repeat 2 of 3" in out
    assert ventproof("history", "--html", "runs.html")[0] == 0
    page = (tmp_path / "runs.html").read_text(encoding="utf-8")
    assert f'<span class="word incomplete">incomplete</span> <span class="soft">{missing}, of plan' in page
    entries = list(History(place_of("records/history.sqlite")).entries())
    assert sorted(entry.record.place.run for entry in entries) == [1, 3]


def test_a_run_can_be_kept_out_of_the_history(ventproof, tmp_path):
    """`--history none` writes the log alone."""
    assert ventproof(*RUN, "--history", "none")[0] == 0
    assert [path.suffix for path in (tmp_path / "records").iterdir()] == [".jsonl"]
    assert keeper_of("none", tmp_path) is None


def test_a_wrong_place_is_found_before_anything_is_switched(ventproof, tmp_path):
    """A history that cannot be is an argument error."""
    code, _, err = ventproof(*RUN, "--history", "mysql://host/d")
    assert (code, (tmp_path / "records").exists()) == (3, False)
    assert "--history: no history is kept in 'mysql'" in err


def test_importing_tells_what_it_did(ventproof, logged):
    """New, known and refused logs are counted, and what is refused is named; a run that is not believed is no pass."""
    ventproof(*RUN, "--history", "none")
    (log,) = Path("records").glob("*.jsonl")
    (log.parent / "no-log.jsonl").write_text("{}\n")
    made_up = logged(unit="GH-8")
    code, out, err = ventproof("history", "import", "records", made_up)
    assert (code, out) == (4, "3 logs: 2 new, 1 refused\n")
    assert "no-log.jsonl:1: this is not a ventproof log" in err
    assert f"{made_up}: unconfirmed: The evidence could not be judged again" in err
    _, passed, _ = ventproof("history", "--verdict", "pass")
    assert ("GH-7" in passed, "GH-8" in passed) == (True, False)
    assert ventproof("history", "import", log)[:2] == (0, "1 log: 1 known already\n")
    assert ventproof("history", "import", "records")[0] == 3


def test_a_log_whose_signature_does_not_fit_is_not_imported_in_silence(ventproof):
    """It is entered, since nothing recorded is lost, but without its verdict, and the exit code says so."""
    ventproof(*RUN, "--history", "none")
    (log,) = Path("records").glob("*.jsonl")
    Path(f"{log}.sig").write_text("{}")
    code, out, err = ventproof("history", "import", log)
    assert (code, out) == (4, "1 log: 1 new\n")
    assert f"{log}: broken: The signature file of this log cannot be read" in err
    assert "aborted" in ventproof("history")[1]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["history"], "records/history.sqlite: there is no history here"),
        (["history", "--since", "soon"], "--since: 'soon' is not a date"),
        (["history", "--unit", "x", "export", "f.csv"], "write the options after `export`"),
        (["history", "export", "f.xls"], "there is no history here"),
        (["history", "--verdict", "maybe"], "'maybe' is not one of"),
    ],
)
def test_wrong_words_are_one_clear_error(ventproof, words, message):
    """Nothing is written, and what would be right is said."""
    code, out, err = ventproof(*words)
    assert (code, out) == (3, "")
    assert message in err


@pytest.fixture
def filled(ventproof, logged):  # noqa: ARG001 - it sets the folder
    """Enter three runs: one that passed, one that was aborted, and one of a unit with a name to beware of."""
    logged(findings=2)
    logged(findings=0, verdict="aborted", started="2026-03-02T10:00:00+00:00")
    logged(unit="=1+1", operator='said "so",\nthen left', started="2026-03-03T10:00:00+00:00")
    folder = logged(closed=False, firmware="2.5", started="2026-02-01T10:00:00+00:00").parent
    history = History(place_of("records/history.sqlite"), create=True)
    for log in sorted(folder.iterdir()):
        history.enter_log(log)


@pytest.mark.usefixtures("filled")
def test_csv_holds_a_row_a_response(ventproof, tmp_path):
    """Pandas reads the numbers back; a run without responses still has its row; formulas are defused."""
    code, out, _ = ventproof("history", "export", "f.csv", "--since", "2026-03-01")
    assert (code, out) == (0, "4 rows in f.csv\n")
    table = pd.read_csv(tmp_path / "f.csv")
    assert list(table["verdict"]) == ["pass", "aborted", "pass", "pass"]
    assert list(table["unit"]) == ["'=1+1", "GH-7", "GH-7", "GH-7"]
    assert list(table["response_time_latest_s"].dropna()) == [30.0, 30.0, 30.0]
    assert table["at"][0] == "2026-03-03T10:00:00+00:00"
    with (tmp_path / "f.csv").open(newline="", encoding="utf-8") as file:
        assert next(csv.DictReader(file))["operator"] == 'said "so",\nthen left'


@pytest.mark.usefixtures("filled")
def test_parquet_holds_the_same_with_types(ventproof, tmp_path):
    """Times are times, missing numbers are missing, and texts are as they were told."""
    assert ventproof("history", "export", "f.parquet", "--firmware", "2.4")[0] == 0
    table = pq.read_table(tmp_path / "f.parquet")
    assert str(table.schema.field("at").type) == "timestamp[us, tz=UTC]"
    rows = table.to_pylist()
    assert [row["unit"] for row in rows] == ["=1+1", "GH-7", "GH-7", "GH-7"]
    assert [row["step"] for row in rows] == [1, None, 1, 1]
    assert rows[0]["margin_worst"] == 1.2


@pytest.mark.usefixtures("filled")
def test_an_export_is_whole_or_not_there(ventproof, tmp_path):
    """Another ending, a folder in the way, and what stood there before."""
    assert (
        "f.xls: .xls is not a kind of export; end it in .csv or .parquet"
        in ventproof("history", "export", "f.xls")[2]
    )
    (tmp_path / "taken.csv").mkdir()
    code, _, err = ventproof("history", "export", "taken.csv")
    assert (code, "taken.csv: cannot be written" in err) == (3, True)
    assert not list(tmp_path.glob(".taken*"))


@pytest.fixture
def in_spring_time(monkeypatch):
    """Set the clock of this computer to a zone that is two hours ahead of UTC in summer, one in winter."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("in_spring_time")
def test_times_are_those_of_the_clock_on_the_wall_with_their_offset(ventproof, logged, tmp_path):
    """In the list and on the page: a person compares them with a notebook, and with people elsewhere."""
    for day in ("2026-03-02", "2026-07-02"):
        log = logged(started=f"{day}T22:30:00+00:00", unit="GH-1" if day < "2026-05" else "")
        ventproof("history", "import", log)
    _, out, _ = ventproof("history")
    assert "2026-03-02 23:30 UTC+01:00" in out
    assert "2026-07-03 00:30 UTC+02:00  rain closes the vents  unit not stated, firmware 2.4" in out
    ventproof("history", "--html", "h.html")
    page = " ".join((tmp_path / "h.html").read_text(encoding="utf-8").split())
    assert '<span class="date">2026-07-03</span> <span class="date">00:30 UTC+02:00</span>' in page
    assert 'last <span class="date">2026-07-03 00:30 UTC+02:00</span>' in page
    assert "1 run of 1 unit, unit not stated in 1 run. " in page
    assert "<h2>Unit not stated</h2>" in page


@pytest.mark.usefixtures("filled")
def test_the_list_fits_and_says_what_it_leaves_out(ventproof):
    """The worst come first, by their cause; older ones are counted, last; each run is one line of a pipe."""
    _, out, _ = ventproof("history", "--limit", "2")
    lines = out.splitlines()
    assert lines[0] == "aborted: the bus was lost"
    assert lines[1].startswith("  2026-03-02 10:00 UTC  rain closes the vents  unit GH-7, firmware 2.4  ")
    assert out.index("aborted") < out.index("pass") < out.index("2026-03-03")
    assert lines[-1] == "2 runs: 1 pass, 1 aborted; 2 older ones not shown, raise --limit to see them"


@pytest.mark.usefixtures("filled")
def test_a_page_is_written(ventproof, tmp_path):
    """`--html` writes the page and says how many runs are on it."""
    code, out, _ = ventproof("history", "--html", "page.html", "--unit", "GH-7")
    assert (code, out) == (0, "3 runs in page.html\n")
    assert "the closing line is missing" in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_the_page_leads_to_the_report_that_tells_of_a_run(ventproof, tmp_path):
    """A report beside the logs is linked for the runs that it tells of, and the page itself is none."""
    for seed in ("1", "2"):
        ventproof(*RUN, "--seed", seed)
    log = next((tmp_path / "records").glob("*-2.jsonl"))
    assert ventproof("report", log, "-o", "records/of one.html")[0] == 0
    for _ in range(2):
        ventproof("history", "--html", "records/page.html")
    page = (tmp_path / "records" / "page.html").read_text(encoding="utf-8")
    assert page.count('href="of%20one.html"') == 1
    assert page.count('href="page.html"') == 0
    assert page.count(">log</a>") == 2


def test_a_page_never_takes_the_place_of_a_log(ventproof, logged):
    """`--html` with the name of a log is refused, and the log stays as it was."""
    log = logged()
    before = log.read_bytes()
    ventproof("history", "import", log)
    code, _, err = ventproof("history", "--html", log)
    assert (code, "no page is written as .jsonl; end its name in .html" in err) == (3, True)
    assert log.read_bytes() == before


def test_no_name_turns_the_page_round(ventproof, logged, tmp_path):
    """A character that reverses what follows it is shown as a replacement."""
    ventproof("history", "import", logged(unit="GH\u202e7", operator="A\u202eB"))
    assert ventproof("history", "--html", tmp_path / "runs.html")[0] == 0
    assert "\u202e" not in (tmp_path / "runs.html").read_text(encoding="utf-8")
