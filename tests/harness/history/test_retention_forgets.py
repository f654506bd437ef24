"""What a history forgets: old passes only, unless more is asked for, never the last one; and what it still counts."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.history.database import place_of
from ventproof.history.page import write_page
from ventproof.history.retention import ForgottenTold, RetentionRule
from ventproof.history.store import History, HistoryEntry, Wanted
from ventproof.history.trends import verdicts_by_version
from ventproof.log.read import read_log
from ventproof.log.run import results_of

VERDICTS = ("pass", "fail", "inconclusive", "aborted")
FIRST = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)


class Run(NamedTuple):
    """As much of a run as retention looks at."""

    verdict: str = "pass"
    profile: str = "rain"
    firmware: str = "1"
    unit: str = "GH-1"


def entries(runs):
    """Return runs as a history gives them, the newest first; each is a day older than the one before."""
    days = range(len(runs), 0, -1)
    return [
        HistoryEntry(run, FIRST + dt.timedelta(days=day), Path(f"{day}.jsonl"))
        for day, run in zip(days, runs, strict=True)
    ]


def forgotten(rule, runs):
    """Return the places of the runs that are forgotten, the newest being 0."""
    given_entries = entries(runs)
    return [given_entries.index(entry) for entry in rule.forgettable(iter(given_entries))]


def test_the_newest_of_each_profile_firmware_and_unit_stay():
    """Each of them counts its own runs."""
    runs = [Run(), Run(profile="wind"), Run(firmware="2"), Run(unit="GH-2")] * 4
    assert forgotten(RetentionRule(newest=3), runs) == [12, 13, 14, 15]
    assert forgotten(RetentionRule(newest=4), runs) == []


def test_the_last_pass_stays_however_old():
    """A version whose newest runs all fail still shows that it passed once; so does one that was run once."""
    assert forgotten(RetentionRule(newest=1), [Run("fail"), Run("fail"), Run(), Run()]) == [3]
    late = FIRST + dt.timedelta(days=99)
    assert forgotten(RetentionRule(None, until=late), [Run(), Run()]) == [1]


def test_what_did_not_pass_stays_unless_it_is_asked_for():
    """With the verdict it is forgotten as a pass is."""
    runs = [Run(), Run("fail"), Run("aborted"), Run("inconclusive"), Run()]
    assert forgotten(RetentionRule(newest=1), runs) == [4]
    assert forgotten(RetentionRule(newest=1, verdicts=["fail", "aborted"]), runs) == [1, 2]


def test_days_and_numbers_must_both_allow_it():
    """Of five runs on five days: those before the third day, those from the second on, and only beyond the newest."""
    runs = [Run()] * 5
    day = [FIRST + dt.timedelta(days=n) for n in range(7)]
    assert forgotten(RetentionRule(None, until=day[3]), runs) == [3, 4]
    assert forgotten(RetentionRule(None, since=day[2], until=day[5]), runs) == [1, 2, 3]
    assert forgotten(RetentionRule(4, until=day[3]), runs) == [4]


@given(
    st.lists(st.builds(Run, st.sampled_from(VERDICTS), st.sampled_from("ab"), st.sampled_from("12"))),
    st.none() | st.integers(1, 4),
    st.sets(st.sampled_from(VERDICTS), min_size=1),
)
def test_whatever_is_asked_for_each_version_keeps_its_last_pass_and_its_newest_runs(runs, newest, verdicts):
    """For any runs: what is left says of every profile, version and unit that it passed, where it did."""
    gone = set(forgotten(RetentionRule(newest, [*verdicts]), runs))
    left = [run for place, run in enumerate(runs) if place not in gone]
    assert {run for run in runs if run.verdict == "pass"} == {run for run in left if run.verdict == "pass"}
    assert all(runs[place].verdict in verdicts for place in gone)
    for group in {run[1:] for run in runs}:
        first = [place for place, run in enumerate(runs) if run[1:] == group][: newest or 0]
        assert gone.isdisjoint(first)


def test_what_is_forgotten_is_told_by_profile():
    """How many runs, of how many versions, from when to when."""
    told = ForgottenTold()
    for entry in entries([Run(), Run(firmware="2"), Run(profile="wind")]):
        told.add(entry)
    assert list(told.sentences) == [
        "rain: 2 runs of 2 firmware versions, 2026-03-03 to 2026-03-04",
        "wind: 1 run of 1 firmware version, 2026-03-02 to 2026-03-02",
    ]


@pytest.fixture
def past(history, logged):
    """A history of three passes and a fail of one version, all of one plan's profile; and their logs."""
    logs = [
        logged(started=f"2026-03-0{day}T10:00:00+00:00", verdict="fail" if day == 2 else "pass", seed=day)
        for day in (1, 2, 3, 4)
    ]
    for log in logs:
        history.enter_log(log)
    return history, logs


def digests(history, **wanted):
    return {entry.record.digest for entry in history.entries(Wanted(**wanted))}


def test_a_forgotten_run_is_not_listed_and_still_counts(past, tmp_path):
    """It has no findings, and its verdict stays in the dashboard, in the fail rate, and among those of versions."""
    history, logs = past
    before = {entry.record.digest: entry.record for entry in history.entries()}
    first = results_of(read_log(logs[0])).digest
    versions = verdicts_by_version(history.entries())
    history.forget([first])
    assert digests(history) == before.keys() - {first}
    assert history.count() == 3
    every = {entry.record.digest: entry.record for entry in history.entries(Wanted(forgotten=True))}
    assert every == before | {first: replace(before[first], findings=())}
    assert verdicts_by_version(history.entries(Wanted(forgotten=True))) == versions
    write_page(tmp_path / "page.html", history, Wanted())
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert ("1 of 4 fail" in text, text.count("data-run=")) == (True, 3)


def test_a_forgotten_run_is_entered_again_from_its_log(past):
    """With all of its findings, once."""
    history, logs = past
    before = {entry.record.digest: entry.record for entry in history.entries()}
    history.forget([*before])
    assert digests(history) == set()
    assert [history.enter_log(log) for log in (*logs, logs[0])] == ["new", "new", "new", "new", "known"]
    assert {entry.record.digest: entry.record for entry in history.entries()} == before


def test_the_command_shows_first_and_forgets_on_request(ventproof, logged):
    """Nothing changes without `--confirm`; the logs stay, and the fail too."""
    kept = History(place_of("h.sqlite"), create=True)
    for day in (1, 2, 3, 4):
        log = logged(started=f"2026-03-0{day}T10:00:00+00:00", verdict="fail" if day == 2 else "pass")
        kept.enter_log(log)
    forget = ["history", "forget", "--history", "h.sqlite", "--newest", 1]
    said = "rain closes the vents: 2 runs of 1 firmware version, 2026-03-01 to 2026-03-03\n2 runs "
    dry = (0, f"{said}would be forgotten; `--confirm` does it\n", "")
    assert ventproof(*forget) == ventproof(*forget) == dry
    assert History(place_of("h.sqlite")).count() == 4
    assert ventproof(*forget, "--until", "2026-03-01")[1].startswith("rain closes the vents: 1 run of")
    assert ventproof(*forget, "--confirm") == (0, f"{said}forgotten; logs stay as they are\n", "")
    left = [entry.record.verdict for entry in History(place_of("h.sqlite")).entries()]
    assert (left, len(list(log.parent.iterdir()))) == (["pass", "fail"], 4)
    assert ventproof(*forget)[1] == "0 runs would be forgotten; `--confirm` does it\n"
    assert ventproof(*forget, "--verdict", "fail", "--confirm")[1].endswith(
        "1 run forgotten; logs stay as they are\n"
    )


def test_the_command_asks_what_is_old(ventproof, tmp_path):
    """Neither a number nor a day, and a history that is not there: a line, and no history is made."""
    code, _, said = ventproof("history", "forget", "--confirm")
    assert (code, "give --newest N, --until DATE or both" in said) == (3, True)
    assert ventproof("history", "forget", "--newest", 3, "--history", "none.sqlite", "--confirm")[0] == 3
    assert not (tmp_path / "none.sqlite").exists()
