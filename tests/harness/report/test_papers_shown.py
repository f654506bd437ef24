"""The acceptance on the report: its data and blanks, deviations that are no passes, calibration that was overdue."""

from __future__ import annotations

import datetime as dt
import io
import re

import pypdf
import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import PinnedText
from ventproof.papers.acceptance import load_acceptance
from ventproof.papers.fingerprint import FoundSettings, SettingsBefore
from ventproof.papers.waivers import ACCEPTED, load_waivers, pinned_paper
from ventproof.report.build import Beside, report_of
from ventproof.report.papers import Waiving
from ventproof.report.write import html_of, pdf_of

BENCH = SHIPPED_BENCH.read_text(encoding="utf-8")
TODAY = dt.date(2026, 11, 29)
BLANK = 'aria-label="blank, to be filled in by hand"'


@pytest.fixture(scope="module")
def papers():
    return SHIPPED_BENCH.parent / "papers"


@pytest.fixture(scope="module")
def made(mock, papers, tmp_path_factory):
    """A run with a slow clock, whose rain flag goes off late, with and without the papers that ship."""
    out = tmp_path_factory.mktemp("logs")
    stated = {
        "acceptance": load_acceptance(papers / "acceptance.yaml"),
        "waivers": load_waivers(papers / "waivers.yaml"),
    }
    return {
        "papers": mock.run(out, mock.rain, faults=["clock_slow"], **stated),
        "bare": mock.run(out, mock.rain, faults=["clock_slow"]),
        "rain ignored": mock.run(out, mock.rain, faults=["ignores_rain"], **stated),
    }


def of(log, given=None, today=TODAY):
    return report_of([log], beside=Beside(waiving=Waiving(given, today)))


def text_of(report):
    pages = pypdf.PdfReader(io.BytesIO(pdf_of(report))).pages
    return " ".join(" ".join(page.extract_text().replace("\u200b", "") for page in pages).split())


def test_the_data_of_the_test_stand_on_page_and_paper(made):
    """Whoever accepts the unit finds the document, the customer and the witness; nothing is left to fill in."""
    report = of(made["papers"])
    page, paper = html_of(report), text_of(report)
    for words in (
        "Factory acceptance test (FAT) report, document OSM-AT-0031, order OSM-2026-118",
        "OSM-AT-0031",
    ):
        assert words in page
        assert words in paper
    assert "Witnessed by: M. Okonjo, head grower, date, signature" in page
    assert BLANK not in page


def test_what_nobody_stated_is_a_blank_line(made):
    """A report without an acceptance file can be completed by hand, on paper."""
    report = of(made["bare"])
    assert html_of(report).count(BLANK) == 7
    assert "Document number" in text_of(report)
    assert report.cover.paper.heading == "Override test report"


def test_an_accepted_deviation_has_a_result_of_its_own(made):
    """The page never calls it a pass: its word, its sign and its waiver stand where the verdict would."""
    report = of(made["papers"])
    assert report.cover.standing == ACCEPTED
    assert "not a pass" in report.cover.says
    (chapter,) = report.chapters
    assert {r.verdict for step in chapter.steps for r in step.responses} == {"pass", ACCEPTED}
    page = html_of(report)
    assert '<strong class="word accepted-deviation">ACCEPTED DEVIATION</strong>' in page
    assert page.count("OSM-W-01") >= 2
    assert "waivers.yaml, digest" in page
    assert "Nothing: every response passed." not in page
    assert "OSM-W-01" in text_of(report)


def test_without_waivers_the_same_run_fails(made):
    """The log says fail, with or without papers; the waiver alone makes the difference, in this report alone."""
    assert of(made["bare"]).cover.standing == "fail"
    assert of(made["papers"]).chapters[0].steps != of(made["bare"]).chapters[0].steps


def test_waivers_that_a_report_is_given_replace_those_in_the_log(made, papers):
    """A deviation can be accepted later; whoever reads the report sees by which file."""
    given = pinned_paper(load_waivers(papers / "waivers.yaml"))
    assert of(made["bare"], given).cover.standing == ACCEPTED
    other = PinnedText(
        "later.yaml", "0" * 64, given.text.replace("rain_override equals", "roof_vent returns")
    )
    report = of(made["papers"], other)
    assert report.cover.standing == "fail"
    assert report.cover.paper.of_waivers == (
        "Waiver OSM-W-01 is not needed: only passes are covered; remove it.",
    )


def test_an_expired_waiver_is_named_and_its_fail_counts(made):
    """Of a run without a date, today counts."""
    report = of(made["papers"], today=dt.date(2031, 4, 1))
    assert report.cover.standing == "fail"
    (row,) = report.cover.paper.deviations.rows
    assert row[1] == "FAIL: the waiver expired on 2031-03-31"
    assert report.cover.paper.of_waivers == (
        "Waiver OSM-W-01 expired on 2031-03-31: what it covers counts as a fail.",
    )


def test_the_day_of_the_run_counts_and_not_that_of_the_report(made, mock, tmp_path):
    """A waiver that was over when the run was made accepts nothing, and one that held then still does."""
    for started, standing in (
        ("2031-03-31T23:30:00+02:00", ACCEPTED),
        ("2031-04-01T00:30:00+02:00", "fail"),
    ):
        events = mock.events_of(made["papers"])
        events[0] |= {"started": started}
        log = mock.rechained(events, tmp_path / f"{standing}.jsonl")
        assert of(log, today=dt.date(2040, 1, 1)).cover.standing == standing


def test_what_was_not_run_because_of_a_fail_is_not_accepted(made, papers):
    """The known fail hides the steps after it: the run is not decided, and never an accepted deviation."""
    text = (papers / "waivers.yaml").read_text(encoding="utf-8")
    head, _, body = text.partition("  - id")
    body = body.replace("step: rain ends", "step: rain begins")
    responses = ("rain_override equals", "roof_vent reaches", "side_vent reaches")
    many = [f"  - id{body}".replace("rain_override equals", r).replace("01", r) for r in responses]
    given = PinnedText("waivers.yaml", "0" * 64, head + "".join(many))
    report = of(made["rain ignored"], given)
    assert {row[1] for row in report.cover.paper.deviations.rows} == {ACCEPTED}
    assert report.cover.standing == "inconclusive"


def test_a_forged_log_is_not_waived(made, mock, papers, tmp_path):
    """What the evidence contradicts stays contradicted, whatever a waiver covers."""
    events = mock.events_of(made["bare"])
    for event in events:
        event.update({key: "pass" for key in ("verdict", "status") if key in event})
    forged = mock.rechained(events, tmp_path / "forged.jsonl")
    given = pinned_paper(load_waivers(papers / "waivers.yaml"))
    assert of(forged, given).cover.standing == "contradicted"


def test_papers_in_a_log_that_cannot_be_read_accept_nothing(made, mock, tmp_path):
    """A changed log with a waiver that is none, or an acceptance that is none, is told of and believed in nothing."""
    events = mock.events_of(made["papers"])
    for key in ("acceptance", "waivers"):
        events[0][key]["text"] = "waivers: everything"
    report = of(mock.rechained(events, tmp_path / "odd.jsonl"))
    assert report.cover.standing == "fail"
    assert "the acceptance file in the log cannot be read" in html_of(report)


def test_runs_of_different_acceptances_are_not_taken_for_one(made):
    """Two customers' papers in one report are an alarm."""
    report = report_of([made["papers"], made["bare"]])
    assert "The runs of this report name 2 different sets of acceptance data." in report.cover.alarms


@pytest.mark.parametrize(("day", "overdue"), [("2027-03-31", False), ("2027-04-01", True)])
def test_overdue_calibration_on_the_day_of_the_run_is_an_alarm(day, overdue, mock, logs, tmp_path):
    """The equipment stands in a table with its serial numbers; a run after the last day says so on the first page."""
    events = mock.events_of(logs["pass"])
    bench = events[0]["bench"]["text"].replace(
        "\nbuses:", "\nequipment:\n  - {name: decade, serial: R-03, calibration_due: 2027-03-31}\nbuses:", 1
    )
    other = mock.run(tmp_path, bench=bench)
    events = mock.events_of(other)
    events[0] |= {"started": f"{day}T12:00:00+02:00"}
    report = report_of([mock.rechained(events, tmp_path / "dated.jsonl")])
    said = "The calibration of decade (R-03) is overdue: it was due on 2027-03-31, before the run."
    assert (said in report.cover.alarms) == overdue
    (table,) = [t for section in report.sections for t in section.tables if t.title == "Equipment"]
    assert table.rows == (("decade", "–", "R-03", "2027-03-31", "OVERDUE" if overdue else "valid"),)
    assert re.search(r"decade.*R-03", html_of(report))
    undated = report_of([other])
    assert said not in undated.cover.alarms, "a run in virtual time has no day"


def test_settings_of_the_unit_are_told_with_their_digest(made, mock, tmp_path):
    """As found, before the run wrote any; of a bench without settings the paper says that none was read."""
    report = of(made["bare"])
    assert report.cover.paper.settings.rows == (
        ("house_temperature", "18 °C"),
        ("rain_release_delay", "30 s"),
    )
    digest = re.search(r"Digest of the registers that were read: ([0-9a-f ]{19})\.", html_of(report))
    assert digest
    assert digest[1] in text_of(report)
    events = [one for one in mock.events_of(made["bare"]) if one["event"] != "found"]
    for number, event in enumerate(events):
        event["seq"] = number
    bare = of(mock.rechained(events, tmp_path / "none.jsonl"))
    assert "Settings not read. A bench file declares settings as" in html_of(bare)
    assert "Settings not read" in text_of(bare)


def test_settings_that_differ_between_runs_or_since_the_last_run_are_told(mock, logs, tmp_path):
    """A unit that somebody set otherwise in between is not taken for the one that was tested."""
    other = mock.run(tmp_path, bench=BENCH.replace("    release_delay: 30 s", "    release_delay: 25 s", 1))
    both = report_of([logs["pass"], other])
    said = "rain_release_delay: 25 s, before 30 s"
    assert both.cover.paper.changed == (f"Settings of the unit differ between these runs: {said}.",)
    found = report_of([logs["pass"]]).chapters[0].settings
    before = Beside(earlier=lambda *_: SettingsBefore("firmware 3.0", found))
    alone = report_of([other], beside=before)
    assert alone.cover.paper.changed == (
        f"Settings of the unit changed since its last run before, firmware 3.0: {said}.",
    )
    assert ("rain_release_delay", "25 s", "30 s") in alone.cover.paper.settings.rows
    gone = report_of([other], beside=Beside(earlier=lambda *_: SettingsBefore("firmware 3.0", None)))
    assert "nothing is compared" in gone.cover.paper.settings.note
    assert not gone.cover.paper.changed


def test_a_run_that_read_no_settings_is_not_said_to_have_others(mock, logs, tmp_path):
    """One that was aborted before it looked says nothing of the unit."""
    events = [one for one in mock.events_of(logs["pass"]) if one["event"] != "found"]
    for number, event in enumerate(events):
        event["seq"] = number
    silent = mock.rechained(events, tmp_path / "silent.jsonl")
    before = SettingsBefore("firmware 3.0", FoundSettings({}, {}, {}))
    for order in ([logs["pass"], silent], [silent, logs["pass"]]):
        report = report_of(order, beside=Beside(earlier=lambda *_: before))
        assert not report.cover.paper.changed
        assert ("rain_release_delay", "30 s") in report.cover.paper.settings.rows
