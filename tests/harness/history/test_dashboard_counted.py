"""Profiles by firmware: every run is counted once, the worst stands first, and what is flaky is what repeats show."""

from __future__ import annotations

import datetime as dt
import tracemalloc
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ventproof.history.dashboard import RunTally, tally_of
from ventproof.history.database import place_of
from ventproof.history.page import page_of, write_page
from ventproof.history.store import History, HistoryEntry, Wanted
from ventproof.history.unit import groups_of_runs, standing_of_unit
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.verdict.brief import brief, cause_sentence
from ventproof.verdict.finding import NotRun, Status

VERDICTS = ("pass", "fail", "inconclusive", "aborted")
DAY = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)


@pytest.fixture
def record(logged):
    """Return what a log tells of a run that passed."""
    return results_of(read_log(logged()))


@pytest.fixture
def runs(record, finding):
    """Make runs of verdicts, each with a digest of its own; further fields go to all of them."""

    def made(number, verdict, fields):
        status = Status.PASS if verdict == "aborted" else Status(verdict)
        reason = "the bus fell silent" if verdict == "aborted" else ""
        given = {"findings": (finding(status=status),), "verdict": verdict, "reason": reason} | fields
        return replace(record, digest=f"{number}{fields.get('profile')}", **given)

    return lambda *verdicts, **fields: [made(n, verdict, fields) for n, verdict in enumerate(verdicts)]


def entries_of(runs):
    """Return runs as a history gives them, the newest first."""
    return [HistoryEntry(run, DAY + dt.timedelta(hours=n), Path("x.jsonl")) for n, run in enumerate(runs)][
        ::-1
    ]


def test_three_of_twenty_five_repeats_that_fail_are_flaky(runs):
    """The cell counts them, and the rate is the exact interval of 3 in 25."""
    board = tally_of(runs(*["pass"] * 22, *["fail"] * 3)).dashboard()
    (cell,) = board.rows[0].cells
    assert (cell.text, cell.verdict, cell.flaky) == ("3 of 25 fail", "fail", True)
    (one,) = board.flaky
    assert (one.text, one.bounds) == ("3 of 25 fail", "2.5 % to 31.2 %")


@pytest.mark.parametrize(
    ("field", "other"),
    [
        ("unit", "GH-8"),
        ("firmware", "1.1"),
        ("profile_sha256", "cc" * 32),
        ("bench_sha256", "dd" * 32),
        ("decision", "simple"),
        ("clock", "virtual"),
        ("version", "0.0.9"),
    ],
)
def test_what_ran_under_other_conditions_is_not_flaky(runs, field, other):
    """A pass and a fail are repeats of each other only where nothing else differs."""
    passed, failed = runs("pass", "fail")
    assert len(tally_of([passed, failed]).dashboard().flaky) == 1
    assert tally_of([passed, replace(failed, **{field: other})]).dashboard().flaky == ()


def test_a_bench_fault_makes_nothing_flaky_but_is_no_pass(runs):
    """A run without a verdict says nothing of the unit: it widens the rate of what is flaky, and makes nothing so."""
    board = tally_of(runs("pass", "aborted")).dashboard()
    assert (board.flaky, board.rows[0].cells[0].text) == ((), "1 of 2 aborted")
    with_it = tally_of(runs("pass", "fail", "aborted")).dashboard().flaky[0].rate
    assert with_it.lower < tally_of(runs("pass", "fail")).dashboard().flaky[0].rate.lower
    assert with_it.upper > 0.98


def test_the_same_run_counts_once(runs):
    """A log that is known twice, and the same seed in virtual time, are one run."""
    (run,) = runs("pass")
    again = replace(run, clock="virtual", digest="a")
    tally = tally_of([run, run, again, replace(again, digest="b")])
    assert tally.dashboard().rows[0].cells[0].text == "2 pass"


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.sampled_from("abc"), st.sampled_from(["1.9", "1.10"]), st.sampled_from(VERDICTS)),
        min_size=1,
    )
)
def test_every_run_is_in_one_cell(record, ran):
    """Whatever was run: the cells hold each run once, the newest version is first, no cell hides a worse verdict."""
    runs = [
        replace(record, profile=profile, firmware=firmware, verdict=verdict, digest=f"{n}")
        for n, (profile, firmware, verdict) in enumerate(ran)
    ]
    board = tally_of(runs).dashboard()
    assert board.versions == tuple(name for name in ("1.10", "1.9") if name in {run.firmware for run in runs})
    found = Counter()
    for row in board.rows:
        for version, cell in zip(board.versions, row.cells, strict=True):
            if cell is None:
                continue
            found.update({(row.profile, version, verdict): many for verdict, many in cell.counts.items()})
            worst = next(
                word for word in ("fail", "aborted", "inconclusive", "pass") if cell.counts.get(word)
            )
            assert cell.verdict == worst
    assert found == Counter(ran)
    newest = [row.cells[0].verdict for row in board.rows if row.cells[0]]
    assert [word for word in newest if word == "fail"] == newest[: newest.count("fail")]


def test_a_unit_whose_repeats_do_not_always_pass_has_not_passed(runs):
    """The last of three repeats passed, each under the same conditions: the unit is flaky, and what is so is named."""
    made = runs("pass", "fail", "pass")
    entries = entries_of(made)
    standing = standing_of_unit(entries, {}, tally_of(made).dashboard().flaky)
    assert (standing.verdict, standing.cause) == ("flaky", "rain closes the vents: 1 of 3 fail.")
    assert standing_of_unit(entries_of(runs("pass", "pass")), {}, ()).verdict == "pass"
    assert '<span class="word flaky">flaky</span>' in page_of(entries, left=0, links=lambda _: ("", ""))


def test_runs_stand_by_their_cause_the_worst_first(runs, finding):
    """What failed for the same reason is one group, whatever its values; what passed comes last."""
    wrong = [
        runs("fail", profile=name, findings=(finding(status=Status.FAIL, why=why),))[0]
        for name, why in (("a", "at 9 %"), ("b", "at 12 %"))
    ]
    groups = groups_of_runs(entries_of([*runs("pass", "aborted"), *wrong]))
    assert [(group.verdict, group.cause, len(group.entries)) for group in groups] == [
        ("fail", "side_vent did not reach the required value in time", 2),
        ("aborted", "the bus fell silent", 1),
        ("pass", "", 1),
    ]


def test_a_cause_is_told_in_few_words(finding):
    """Without values; `perhaps` where it is inconclusive; nothing of a pass that shows something."""
    skipped = finding(status=Status.NOT_RUN, not_run=NotRun.EARLIER_STEP)
    assert [
        brief(one)
        for one in (
            finding(),
            finding(status=Status.FAIL, kind="counts"),
            finding(status=Status.INCONCLUSIVE, kind="stays_below"),
            finding(hollow=True),
            skipped,
        )
    ] == [
        "",
        "side_vent counted a wrong number",
        "side_vent perhaps left its limits",
        "side_vent was already as required, which proves nothing",
        "not run, because an earlier step did not pass",
    ]


def test_one_sentence_explains_most_first(finding):
    """What explains most comes first, then what explains most of the rest; three causes are named, the rest counted."""
    items = {"a": {1, 2, 3}, "b": {3, 4}, "c": {1, 2}, "d": {5}, "e": {6}}
    assert (
        cause_sentence(items, 9, "profile")
        == "a: 3 of 9 profiles; b: 1 more; d: 1 more; 1 for other reasons."
    )
    assert (cause_sentence({"a": {1}}, 1, "profile"), cause_sentence({}, 4, "run")) == ("a.", "")
    assert finding().status is Status.PASS


def test_thousands_of_runs_take_little_memory(record):
    """Of 10,000 runs the tally keeps no record: a twelfth of them and all of them differ by less than 1 kB a run."""

    def peak(number):
        tracemalloc.start()
        tally = RunTally()
        for n in range(number):
            firmware, profile = f"3.{n % 12}", f"profile {n % 30}"
            verdict = "fail" if n % 7 == 0 else "pass"
            tally.add(
                replace(record, digest=f"{n:064x}", firmware=firmware, profile=profile, verdict=verdict)
            )
        board = tally.dashboard()
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert sum(cell.total for row in board.rows for cell in row.cells if cell) == number
        return most

    few, many = peak(800), peak(10_000)
    assert (many - few) / 9200 < 1024


def test_a_page_counts_all_runs_and_names_the_newest(record, tmp_path):
    """Of 60 runs the page names 12, links to these alone, and its dashboard counts 60: its size follows the 12."""
    history = History(place_of(str(tmp_path / "history.sqlite")), create=True)
    for n in range(60):
        firmware, started = f"3.{n // 30}", (DAY + dt.timedelta(hours=n)).isoformat()
        verdict = "fail" if n % 10 == 0 else "pass"
        run = replace(record, digest=f"{n:064x}", firmware=firmware, started=started, verdict=verdict)
        history.enter(tmp_path / "x.jsonl", run)
    page = tmp_path / "page.html"
    assert write_page(page, history, Wanted(limit=12)) == 12
    text = page.read_text(encoding="utf-8")
    assert ("3 of 30 fail" in text, text.count("data-run="), "48 older runs" in text) == (True, 12, True)
    assert text.count('class="word flaky" href="#') == 1
    assert text.count('<span class="word flaky">3 of 30 fail') == 1 + 2
