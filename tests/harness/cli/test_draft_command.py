"""`draft`, `trace`, and what `check` and `run` make of override tables."""

from __future__ import annotations

import json

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH

TABLE = SHIPPED_BENCH.parent / "mock-overrides.yaml"


def test_draft_writes_profiles_and_names_what_none_proves(ventproof, tmp_path):
    """The profiles lie in the folder, drafting again changes none, and the lines without a profile are told."""
    out = tmp_path / "drafted"
    code, said, err = ventproof("draft", TABLE, "--out", out)
    assert (code, err) == (0, "")
    assert "sensors.cups.fails_after: a time of hours is shown from above only" in said
    made = {path.name: path.read_bytes() for path in out.iterdir()}
    assert f"{len(made)} profiles" in said
    assert ventproof("check", out, "--bench", SHIPPED_BENCH)[0] == 0
    assert f"{len(made)} as it was" in ventproof("draft", TABLE, "--out", out)[1]
    assert {path.name: path.read_bytes() for path in out.iterdir()} == made


def test_draft_keeps_a_changed_file(ventproof, tmp_path):
    """A profile that a person changed stops the writing, with one message."""
    (tmp_path / "rain-by-rain.yaml").write_text("profile: mine\n", encoding="utf-8")
    code, _, err = ventproof("draft", TABLE, "--out", tmp_path)
    assert code == 3
    assert "was changed since it was drafted, or not drafted at all" in err
    assert (tmp_path / "rain-by-rain.yaml").read_text(encoding="utf-8") == "profile: mine\n"


def test_a_table_that_the_bench_does_not_fit_is_refused(ventproof, tmp_path):
    """A name that the bench lacks is placed in the table, by `check`, `draft` and `run` alike."""
    table = tmp_path / "table.yaml"
    table.write_text(
        TABLE.read_text(encoding="utf-8").replace("contact: rain,", "contact: rein,"), encoding="utf-8"
    )
    for words in (
        ("check", table, "--bench", SHIPPED_BENCH),
        ("draft", table, "--out", tmp_path / "out"),
        ("run", shipped_path("rain-count"), "--bench", SHIPPED_BENCH, "--table", table),
    ):
        code, _, err = ventproof(*words)
        assert code == 3
        assert "table.yaml:34:" in err
        assert "has no output 'rein'; did you mean 'rain'?" in err


def test_run_pins_the_table_and_passes_over_tables_in_a_folder(ventproof, tmp_path):
    """The log's first line has the table as an annex; a table beside the profiles is no profile."""
    suite = tmp_path / "suite"
    suite.mkdir()
    for path in (shipped_path("rain-count"), TABLE):
        (suite / path.name).write_bytes(path.read_bytes())
    code, _, err = ventproof("run", suite, "--bench", SHIPPED_BENCH, "--table", TABLE, "--out", tmp_path)
    assert (code, err) == (0, f"left out, no profiles: {suite / TABLE.name} (an override table)\n")
    (log,) = tmp_path.glob("*.jsonl")
    with log.open(encoding="utf-8") as lines:
        annex = json.loads(next(lines))["table"]
    assert annex["text"] == TABLE.read_text(encoding="utf-8")
    assert annex["name"].startswith("Osmerley house 3")


def test_trace_shows_each_line_with_its_profiles(ventproof):
    """The shipped suite leaves lines of the shipped table open: exit code 2, and they are marked."""
    code, out, _ = ventproof("trace", TABLE, SHIPPED)
    assert code == 2
    assert "rain.entry_delay" in out
    assert "by no profile" in out
    assert "not shown" not in out
    assert "in part" not in out
    code, out, _ = ventproof("trace", TABLE, SHIPPED, "--missing")
    assert "rain.entry_delay" not in out


def test_a_claim_whose_profile_stops_short_is_not_called_proved(ventproof, tmp_path):
    """From the profile alone, and by the report of a run that passes: the wind never came near the threshold."""
    path = tmp_path / "breeze.yaml"
    text = shipped_path("wind-below-threshold-ignored").read_text(encoding="utf-8")
    path.write_text(text.replace("11.4 m/s", "7 m/s"), encoding="utf-8")
    code, out, _ = ventproof("trace", TABLE, path)
    assert code == 2
    assert "claimed, not shown" in out
    assert "0 of 56 lines" in out
    run = ("run", path, "--bench", SHIPPED_BENCH, "--table", TABLE, "--report", "report.html")
    assert ventproof(*run)[0] == 0
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "1 are claimed, not shown: no run that claims them went to their edge." in page


@pytest.mark.parametrize("command", ["run", "check"])
def test_a_table_where_a_profile_is_wanted_is_named_as_such(command, ventproof, tmp_path):
    """Naming a table itself as a profile is one clear error for `run`; `check` knows what it is."""
    words = (command, TABLE, *(("--bench", SHIPPED_BENCH, "--out", tmp_path) if command == "run" else ()))
    code, out, err = ventproof(*words)
    if command == "check":
        assert (code, out) == (0, f"{TABLE}: valid; 4 overrides of 2 vents\n")
    else:
        assert code == 3
        assert "expected a profile, found an override table" in err
