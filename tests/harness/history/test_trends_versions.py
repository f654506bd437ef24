"""Firmware in order, responses over runs, and what their figures and the page show."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packaging.version import Version

from ventproof.figures.trend_chart import described, trend_chart
from ventproof.history.database import place_of
from ventproof.history.page import page_of, policy_for
from ventproof.history.store import History, HistoryEntry
from ventproof.history.trends import changed, in_order, trends_of, verdicts_by_version
from ventproof.log.plan import Plan, PlannedProfile, PlannedRun
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.verdict.finding import Bounds, NotRun, Status
from ventproof.verdict.naming import firmware_order
from ventproof_bench.base.evidence import Window

DAY = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
SVG = "{http://www.w3.org/2000/svg}"


def days(*names):
    return {name: DAY + dt.timedelta(days=number) for number, name in enumerate(names)}


def test_versions_with_numbers_sort_by_their_numbers():
    """2.10 is newer than 2.9, and what leads up to a version comes before it."""
    seen = days("2.10", "v2.9.1", "2.10-rc.2", "2.10-rc.10", "2.9", "")
    assert firmware_order(seen) == ["", "2.9", "v2.9.1", "2.10-rc.2", "2.10-rc.10", "2.10"]


def test_the_order_of_semantic_versions_is_the_published_one():
    """The example of Semantic Versioning 2.0.0, item 11 (semver.org), from memory."""
    published = (
        "1.0.0-alpha 1.0.0-alpha.1 1.0.0-alpha.beta 1.0.0-beta 1.0.0-beta.2 1.0.0-beta.11 1.0.0-rc.1 1.0.0"
    )
    names = published.split()
    assert firmware_order(days(*reversed(names))) == names


@given(st.lists(st.lists(st.integers(0, 30), min_size=1, max_size=4), min_size=2, max_size=6))
def test_numbers_sort_as_an_independent_library_sorts_them(numbers):
    """`packaging`, which orders Python's own versions, agrees on plain numbers."""
    names = list(dict.fromkeys(".".join(map(str, n)) for n in numbers))
    ours = [Version(name) for name in firmware_order(days(*names))]
    assert ours == sorted(ours)


def test_one_version_without_numbers_makes_the_day_count():
    """Where names cannot be compared, the first day on which each was seen orders them."""
    assert firmware_order(days("2.10", "winter", "2.9")) == ["2.10", "winter", "2.9"]


@pytest.fixture
def entries(logged):
    """Two runs with 2.9 and two with 2.10, which is slower and fails at last; the newest first."""
    record = results_of(read_log(logged()))
    (usual,) = record.findings
    late = replace(usual, status=Status.FAIL, response_s=None, slack_s=None, margin=Bounds(-9.0, -8.0))
    slow = replace(usual, response_s=Window(33.0, 33.4), slack_s=Bounds(1.6, 2.0))
    runs = [("2.10", usual), ("2.9", usual), ("2.9", usual), ("2.10", slow), ("2.10", late)]
    made = [
        HistoryEntry(
            replace(record, firmware=firmware, findings=(f,), verdict=str(f.verdict), digest=f"{n:064x}"),
            at,
            Path(),
        )
        for n, (firmware, f) in enumerate(runs)
        for at in [DAY + dt.timedelta(days=n)]
    ]
    return made[::-1]


def followed(entries):
    return trends_of(in_order((entry.at, entry.record) for entry in entries))


def test_a_trend_goes_by_firmware_then_by_time(entries):
    """Runs of the same firmware stand together, whenever they were made."""
    (trend,) = followed(entries)
    assert [point.firmware for point in trend.points] == ["2.9", "2.9", "2.10", "2.10", "2.10"]
    old, new = trend.versions
    assert (old.response_s, dict(old.counts)) == ((29.7, 30.0), {"pass": 2})
    assert (new.response_s, dict(new.counts)) == ((29.7, 33.4), {"pass": 2, "fail": 1})
    assert new.margin == (-9.0, 2.0)


def test_a_limit_is_that_of_the_same_demand(entries):
    """A run that never responded has the limit that the others tell of."""
    (trend,) = followed(entries)
    assert {round(point.limit_s, 6) for point in trend.points} == {35.0}


def test_a_response_seen_once_or_not_run_has_no_trend(entries):
    """One point is no course, and a response whose step was never begun is no point."""
    record = entries[0].record
    skipped = replace(record.findings[0], status=Status.NOT_RUN, not_run=NotRun.EARLIER_STEP)
    assert followed(entries[:1]) == []
    assert followed([entries[0], replace(entries[1], record=replace(record, findings=(skipped,)))]) == []


def test_a_figure_marks_every_run_with_its_verdict_by_shape(entries):
    """A bar for every value, a mark for every run in both panels, and words for who cannot see it."""
    (trend,) = followed(entries)
    root = ElementTree.fromstring(trend_chart(trend, "t"))

    def marks(name):
        return [element.tag for element in root.iter() if element.get("class") == name]

    assert len(marks("run")) == 4 + 5
    assert marks("pass") == [f"{SVG}circle"] * 8
    assert marks("fail") == [f"{SVG}path"] * 2
    texts = [element.text for element in root.iter(f"{SVG}text")]
    assert {"none", "2.9", "2.10", "response time, s", "margin, %"} <= set(texts)
    assert root.find(f"{SVG}desc").text == described(trend)
    assert "Firmware 2.10: 2 pass, 1 fail; took 29.7 to 33.4 s; margin -9.0 to 2.0 %." in described(trend)


def test_only_what_changed_is_drawn(entries):
    """Runs that are the same have no figure and no place on the page; a later response alone has one."""
    usual, later = entries[-1], replace(entries[1], record=replace(entries[1].record, firmware="2.11"))
    same = [replace(usual, at=usual.at + dt.timedelta(n)) for n in range(3)]
    (trend,) = followed(same)
    assert (changed(trend), trend_chart(trend, "t")) == (False, "")
    (trend,) = followed([*same, later])
    figure = trend_chart(trend, "t")
    assert (changed(trend), "response time, s" in figure, "margin, %" in figure) == (True, True, False)
    page = page_of([*same, later], left=0, links=lambda _: ("", ""))
    assert ("Passed, with other response times or margins" in page, page.count("<figure")) == (True, 1)
    assert "Changed responses" not in page_of(same, left=0, links=lambda _: ("", ""))


def test_what_has_neither_time_nor_margin_has_no_figure(entries):
    """A flag that must not change has nothing to draw."""
    flags = [replace(e.record.findings[0], unit="flag", response_s=None, slack_s=None) for e in entries]
    made = [replace(e, record=replace(e.record, findings=(f,))) for e, f in zip(entries, flags, strict=True)]
    (trend,) = followed(made)
    assert trend_chart(trend, "t") == ""


class Elements(HTMLParser):
    """Collects what a page is made of."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.links, self.text = [], [], ""
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        """Take a tag and where it leads."""
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name in {"href", "src"}]

    def handle_data(self, data):
        """Take text."""
        self.text += data


EVIL = "\"><script>alert(1)</script><img src=x onerror=alert(2)>'&{{7*7}}\u202e"


def test_nothing_that_was_told_becomes_markup(entries):
    """Whatever a unit, an operator or a profile is called, the page has the same elements."""
    plain = page_of(entries, left=0, links=lambda _: ("", ""))
    evil = [
        replace(
            e,
            record=replace(
                e.record,
                unit=EVIL,
                firmware=f"{e.record.firmware}{EVIL}",
                profile=EVIL,
                operator=EVIL,
                reason=EVIL,
                findings=tuple(
                    replace(f, step_name=EVIL, signal=EVIL, demand=EVIL, unit=EVIL, why=EVIL)
                    for f in e.record.findings
                ),
            ),
        )
        for e in entries
    ]
    told = Elements(page_of(evil, left=0, links=lambda _: ("", "")))
    assert told.tags.count("script") == Elements(plain).tags.count("script") == 1
    assert "img" not in told.tags
    assert "alert(1)" in told.text
    assert "{{7*7}}" in told.text


def test_the_page_allows_its_own_script_and_nothing_else(entries):
    """The policy names the digest of the one script that stands in the page; nothing is loaded from anywhere."""
    page = page_of(entries, left=3, links=lambda e: (f"r/{e.record.digest}", "l"))
    script = page.split("<script>")[1].split("</script>")[0]
    policy = page.split('Content-Security-Policy" content="')[1].split('"')[0]
    assert policy.replace("&#39;", "'") == policy_for(script)
    assert policy.startswith("default-src")
    found = Elements(page)
    assert all(link.startswith(("#", "r/", "l")) for link in found.links)
    assert "3 older runs not on this page" in found.text


def test_a_unit_is_as_good_as_its_worst_profile(entries):
    """A profile that passed last does not hide one that failed before it."""
    newest = replace(
        entries[1], record=replace(entries[1].record, profile="another one"), at=DAY + dt.timedelta(9)
    )
    page = page_of([newest, *entries], left=0, links=lambda _: ("", ""))
    summary = page.split("<summary>")[1].split("</summary>")[0]
    assert 'class="word fail"' in summary
    assert "1 of 2 runs" in summary


def test_a_version_is_as_good_as_its_worst_run_of_a_profile(entries):
    """One fail among its passes is what is said of it; versions stand in their order, units apart."""
    other = replace(entries[0], record=replace(entries[0].record, unit="another"))
    of_units = verdicts_by_version([*entries, other])
    record = entries[0].record
    assert of_units[record.unit, record.profile] == [("2.9", "pass"), ("2.10", "fail")]
    assert [verdict for _, verdict in of_units["another", record.profile]] == [other.record.verdict]


def test_a_unit_is_as_good_as_all_repeats_of_its_newest_set(entries):
    """The last of three repeats passed: two of three failed, and that is what is said."""
    plan = Plan(profiles=(PlannedProfile("rain", "aa" * 32),), repeats=3, firmware="2.10")
    passed, failed = entries[3].record, entries[0].record
    made = [
        HistoryEntry(
            replace(one, firmware="2.10", digest=f"{n:064x}", place=PlannedRun(plan, n)),
            DAY + dt.timedelta(n),
            Path(),
        )
        for n, one in ((3, passed), (2, failed), (1, failed))
    ]
    summary = page_of(made, left=0, links=lambda _: ("", "")).split("<summary>")[1].split("</summary>")[0]
    assert ('class="word fail"' in summary, "2 of 3 runs" in summary) == (True, True)


def test_passes_of_an_older_firmware_do_not_count_for_the_newest(logged, tmp_path):
    """One profile passed with 2.5 and another only with 2.4: the unit's line says what was not run with 2.5."""
    opened = History(place_of(str(tmp_path / "history.sqlite")), create=True)
    other = {"name": "a gale closes the vents", "sha256": "c" * 64, "text": ""}
    for log in (
        logged(started="2026-03-01T10:00:00+00:00", verdict="fail", firmware="2.4", profile=other),
        logged(started="2026-03-02T10:00:00+00:00", verdict="fail", firmware="2.5"),
        logged(started="2026-03-03T10:00:00+00:00", firmware="2.5", clock="virtual"),
    ):
        opened.enter_log(log)
    text = page_of(list(opened.entries()), left=0, links=lambda _: ("", ""))
    summary = text[text.index("<summary>") : text.index("</summary>")]
    assert '<span class="word pass">pass</span>' in summary
    said = "1 not run with this firmware, 1 earlier run with it did not pass, on the mock, in virtual time"
    assert said in summary
