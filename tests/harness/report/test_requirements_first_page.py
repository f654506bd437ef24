"""The first page as an acceptance paper: requirements with what was measured, tests with ids, and what they prove."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pypdf
import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.report.build import report_of
from ventproof.report.chapter import date_text
from ventproof.report.requirements import MEANINGS, required_of, traces_of
from ventproof.report.write import html_of, pdf_of
from ventproof.table.load import load_table

TABLE = SHIPPED_BENCH.with_name("mock-overrides.yaml")


@pytest.fixture(scope="module")
def report(mock, tmp_path_factory):
    """Rain on a unit that ignores it, and a count that passed."""
    out, table = tmp_path_factory.mktemp("logs"), load_table(TABLE)
    failed = mock.run(out, mock.rain, faults=["ignores_rain"], table=table)
    return report_of([mock.run(out, table=table), failed, mock.run(out, mock.rain, table=table)])


def test_every_requirement_stands_there_with_what_was_measured(report):
    """Each response of the worst run of each profile has one row, with the verdict that its run gives it."""
    counted, rain = report.cover.paper.tests
    for test, chapter in ((counted, report.chapters[0]), (rain, report.chapters[1])):
        told = [(f"{r.signal} {r.demand}", r.why, r.margin) for step in chapter.steps for r in step.responses]
        assert [(one.required, one.measured, one.margin) for one in test.requirements] == told
        assert test.ident == chapter.ident
    assert (counted.standing, rain.standing) == ("pass", "fail"), "of two runs of rain, the one that failed"
    assert {"pass", "fail", "not run"} <= {one.verdict for one in rain.requirements}


def test_each_requirement_has_a_number_of_its_own_that_says_its_test_and_step(report):
    """`RAIN-03.1.3` is that test, step 1, third response; what must always hold is step A."""
    numbers = [one.number for test in report.cover.paper.tests for one in test.requirements]
    assert len(numbers) == len(set(numbers))
    assert [test.number for test in report.cover.paper.tests] == ["RAIN-06", "RAIN-03"]
    always = [one.number for one in report.cover.paper.tests[1].requirements if "always" in one.required]
    assert always == ["RAIN-03.A.1"]
    assert [row.test for row in report.cover.matrix.rows] == ["RAIN-03", "RAIN-06"], "failures first"


def test_a_test_without_an_id_of_its_own_has_its_number_in_the_report(report):
    """So has one whose id another test took: two reports' tests are never mixed up."""
    counted, rain, _ = report.chapters
    bare = [replace(counted, test=""), replace(rain, test="")]
    assert [test.number for test in required_of(bare)] == ["T1", "T2"]
    assert [test.number for test in required_of([counted, replace(rain, test="RAIN-06")])] == [
        "RAIN-06",
        "T2",
    ]


def test_ids_and_requirements_that_a_profile_states_are_the_reports(mock, tmp_path):
    """A document's own numbers stand where the report's would; a requirement is as good as its worst response."""
    text = mock.rain.replace("requirements: [OSM-R-01, OSM-R-02]\n", "").replace(
        "- {signal: rain_override, equals: on,",
        "- {signal: rain_override, id: R-7, requirements: [URS-4], equals: on,",
    )
    text = text.replace(
        "- {signal: side_vent, returns:", "- {signal: side_vent, requirements: [URS-4, URS-5], returns:"
    )
    report = report_of([mock.run(tmp_path, text, faults=["ignores_rain"])])
    (test,) = report.cover.paper.tests
    (named,) = [one for one in test.requirements if one.number == "R-7"]
    assert (named.required, named.verdict) == ("rain_override is on within 3 s", "fail")
    traces = {row.name: [(one.said, one.verdict) for one in row.tests] for row in report.cover.paper.traces}
    assert (traces["URS-4"], traces["URS-5"]) == ([("RAIN-03", "fail")], [("RAIN-03", "not run")])


def test_rules_lead_to_the_tests_that_claim_them(report):
    """A rule names each test that claims it, with how that stands."""
    traces = {row.name: [(one.said, one.verdict) for one in row.tests] for row in report.cover.paper.traces}
    claimed = {name for chapter in report.chapters for name in chapter.proves}
    assert set(traces) == claimed
    assert traces["rain.rain"] == [("RAIN-03", "fail")]


def test_a_rule_that_a_passed_test_does_not_show_has_no_mark_of_a_pass(report):
    """Claimed is not shown: whoever reads the mark is not told that the rule was tested."""
    passed = report.chapters[2]
    unshown = replace(passed, shown=tuple(replace(its, told=()) for its in passed.shown))
    for chapter, verdict in ((unshown, "hollow"), (passed, "pass")):
        rules = [row for row in traces_of([chapter]) if row.name in {its.line for its in passed.shown}]
        assert {one.verdict for row in rules for one in row.tests} == {verdict}


def test_a_pass_that_shows_nothing_is_told_from_one_that_does(report):
    """In the table of requirements, too."""
    chapter = report.chapters[2]
    (step, *steps) = chapter.steps
    hollow = replace(step, responses=(replace(step.responses[0], hollow=True), *step.responses[1:]))
    (test,) = required_of([replace(chapter, steps=(hollow, *steps))])
    assert [one.verdict for one in test.requirements][:2] == ["hollow", "pass"]


def test_three_lines_say_what_the_words_mean_on_page_and_paper(report):
    """A customer who never saw such a report can read its verdicts."""
    page = html_of(report)
    paper = " ".join(pages_of(pdf_of(report)))
    assert len(MEANINGS) == 3
    for meaning in MEANINGS:
        assert meaning in page
        assert meaning in paper


def pages_of(document):
    pages = (
        page.extract_text().replace("\u200b", "") for page in pypdf.PdfReader(io.BytesIO(document)).pages
    )
    return [" ".join(page.split()) for page in pages]


@pytest.mark.parametrize("lines", [0, 9, 18, 27])
def test_who_signs_sees_the_verdict_on_the_same_page(lines, report):
    """Wherever the pages break, the lines to sign on stand below the verdict and the unit that they are for."""
    notes = tuple(f"a note that takes a line: {i}" for i in range(lines))
    longer = replace(report, cover=replace(report.cover, notes=notes))
    pages = pages_of(pdf_of(longer))
    (signed,) = [page for page in pages if "Accepted by" in page]
    assert "FAIL" in signed.partition("Tested by")[0]
    assert "Unit V-1042, firmware 3.1" in signed.partition("Tested by")[0]


@pytest.mark.parametrize(
    ("iso", "said"),
    [
        ("2026-05-01T12:00:00+02:00", "2026-05-01 12:00:00 UTC+02:00"),
        ("2026-05-01T10:00:00+00:00", "2026-05-01 10:00:00 UTC"),
        ("2026-05-01T10:00:00.250-03:30", "2026-05-01 10:00:00 UTC-03:30"),
    ],
)
def test_times_are_those_of_the_place_and_say_how_far_from_utc(iso, said):
    """The customer's watch and the report agree; older logs are in UTC."""
    assert date_text(iso) == said


def test_runs_in_two_zones_stand_in_the_order_in_which_they_were_made(mock, tmp_path, logs):
    """The earlier run is the earlier one, whatever its zone writes."""
    made = []
    for name, started in (("a", "2026-05-02T01:00:00+09:00"), ("b", "2026-05-01T18:30:00+00:00")):
        events = mock.events_of(logs["pass"])
        events[0] |= {"started": started, "operator": name}
        made.append(mock.rechained(events, tmp_path / f"{name}.jsonl"))
    report = report_of(made)
    (when,) = [fact.value for fact in report.cover.facts if fact.name == "When"]
    assert when == "2026-05-02 01:00:00 UTC+09:00 to 2026-05-01 18:30:00 UTC"
    assert report.date == "2026-05-01", "of the last run"
    assert re.search(r"Override test report</bdi>, 2026-05-01", html_of(report))
