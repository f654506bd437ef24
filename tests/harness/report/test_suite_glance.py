"""The first page at one glance: what failed in how many profiles, every response with its mark, failures first."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest
from shipped_profiles import shipped_path

from ventproof.report import build
from ventproof.report.build import report_of
from ventproof.report.cover import cover_of
from ventproof.report.suite import cause_of, groups_of, matrix_of
from ventproof.report.write import html_of

RAINY = ("gale-while-it-rains", "power-returns-in-the-rain", "rain-while-partly-open")
DRY = ("wind-below-threshold-ignored", "rain-contact-bounce-ignored")


@pytest.fixture(scope="module")
def logs_of_suite(mock, tmp_path_factory):
    """Some profiles of the shipped suite on a unit that ignores rain."""
    out = tmp_path_factory.mktemp("suite")
    texts = [shipped_path(name).read_text(encoding="utf-8") for name in (*DRY, *RAINY)]
    return [mock.run(out, text, faults=["ignores_rain"]) for text in texts]


@pytest.fixture(scope="module")
def report(logs_of_suite):
    return report_of(logs_of_suite)


def test_one_sentence_says_what_the_failures_have_in_common(report):
    """Rain is ignored: that is said once, with in how many profiles, and not once for each of its consequences."""
    assert report.cover.cause == "roof_vent did not reach the required value in time: 3 of 3 failed profiles."


def test_what_failed_alike_is_told_together_and_nothing_is_left_out(report):
    """Each group has one cause, and all of them hold every response that did not pass."""
    wrong = {
        r.ident
        for c in report.chapters
        for step in c.steps
        for r in step.responses
        if r.verdict not in {"pass", "not run"}
    }
    assert {one.ident for one in report.cover.complaints} == wrong
    assert len({(g.verdict, g.brief) for g in report.cover.groups}) == len(report.cover.groups)
    assert len(report.cover.groups) < len(report.cover.complaints)
    told = {g.brief: g.count for g in report.cover.groups if g.verdict == "fail"}
    assert told["roof_vent did not reach the required value in time"] == "3 profiles"
    assert told["rain_override did not come on in time"] == "2 profiles"


def test_profiles_that_failed_stand_before_those_that_passed(report):
    """The matrix has a row a profile and a mark a response, each where its signal's column is."""
    matrix = report.cover.matrix
    assert [row.standing for row in matrix.rows] == ["fail"] * 3 + ["pass"] * 2
    assert matrix.signals[0] == "roof_vent", "most failures stand in the first column"
    for row in matrix.rows:
        (chapter,) = [c for c in report.chapters if c.profile == row.profile]
        marks = {mark.ident for cell in row.cells for mark in cell}
        assert marks == {r.ident for step in chapter.steps for r in step.responses}
        assert (row.used is None) == (row.standing == "fail")


def test_a_pass_says_how_much_of_its_limit_it_used(report):
    """The share is that of the response that came closest to its limit, and of a pass never above the whole."""
    for chapter in report.chapters:
        used = [r.used for step in chapter.steps for r in step.responses if r.used]
        assert used
        assert all(0 <= share <= 1 for share, _ in used)
    (row, _) = [row for row in report.cover.matrix.rows if row.standing == "pass"]
    assert row.used is not None
    assert 0.5 < row.used[0] <= 1


def test_what_differs_is_not_taken_for_the_same(report):
    """Failures that nothing explains together are told one after the other, and what is left is counted."""
    groups = groups_of(report.chapters)
    (first, *_) = groups
    apart = [
        replace(first, brief=f"cause {i}", complaints=(replace(first.complaints[0], run=f"run-{i}"),))
        for i in range(5)
    ]
    assert cause_of(apart, report.chapters) == (
        "cause 0: 1 of 5 failed profiles; cause 1: 1 more; cause 2: 1 more; 2 for other reasons."
    )
    assert cause_of([], report.chapters) == ""


def test_a_profile_with_several_runs_has_one_row_and_shows_the_worst(logs):
    """Repeats and firmware versions stand side by side; a fail among passes is not hidden."""
    report = report_of([logs["pass"], logs["fail"], logs["pass"]])
    (row,) = report.cover.matrix.rows
    assert report.cover.matrix.several
    assert [mark.verdict for mark in row.runs] == ["pass", "fail"]
    assert row.standing == "fail"
    assert "fail" in {mark.verdict for cell in row.cells for mark in cell}
    assert "firmware 3.1" in row.runs[0].said


def test_many_signals_share_a_column(report):
    """The matrix stays as wide as a page, and no response is lost."""
    (chapter, *_) = report.chapters
    (step, *_) = chapter.steps
    many = [replace(step.responses[0], ident=f"r{i}", signal=f"signal {i}") for i in range(20)]
    matrix = matrix_of([replace(chapter, steps=(replace(step, responses=tuple(many)),))])
    assert len(matrix.signals) == len(matrix.rows[0].cells) < 10
    assert sum(len(cell) for cell in matrix.rows[0].cells) == 20


def test_a_pass_that_proves_nothing_has_a_mark_and_a_sentence(report):
    """It counts as a pass, and whoever looks at the page sees that it shows nothing."""
    (chapter, *rest) = report.chapters
    (step, *steps) = chapter.steps
    hollow = replace(step, responses=(replace(step.responses[0], hollow=True), *step.responses[1:]))
    matrix = matrix_of([replace(chapter, steps=(hollow, *steps)), *rest])
    assert [m.verdict for row in matrix.rows for cell in row.cells for m in cell].count("hollow") == 1
    page = html_of(replace(report, cover=replace(report.cover, matrix=matrix)))
    assert page.count('class="sign-hollow"') == 3, "its mark, and two keys"
    cover = cover_of([replace(chapter, steps=(hollow, *steps)), *rest])
    assert "1 pass proves nothing: the state already held." in cover.conditions
    (told,) = cover.hollow
    page = html_of(replace(report, cover=cover))
    section = page.partition('id="hollow"')[2].partition("</section>")[0]
    assert f'href="#{told.ident}"' in section
    assert told.response in unescape(section)
    assert 'id="hollow"' not in html_of(report)


def test_of_many_runs_only_what_did_not_pass_is_drawn(logs_of_suite, monkeypatch):
    """Each run keeps its own picture; what is left out is said, and comes back with `complete`."""
    monkeypatch.setattr(build, "FEW", 3)
    short, complete = report_of(logs_of_suite), report_of(logs_of_suite, complete=True)
    for chapter, whole in zip(short.chapters, complete.chapters, strict=True):
        assert chapter.overview is not None
        drawn = {r.ident for step in chapter.steps for r in step.responses if r.figure}
        every = {r.ident: r for step in whole.steps for r in step.responses if r.figure}
        assert drawn == {ident for ident, r in every.items() if r.verdict != "pass"}
    assert "ventproof report --complete" in html_of(short)
    assert "ventproof report --complete" not in html_of(complete)
    assert len(html_of(short)) < 0.7 * len(html_of(complete))
    assert len(html_of(short).encode()) < 5 * 45_000, "thirty-four runs stay under 1.5 MB"


def test_a_suite_is_small_and_what_passed_is_folded(report):
    """A page of five runs is as small as one a run of 45 kB asks for; passes are folded, failures are not."""
    page = html_of(report)
    assert len(page.encode()) < 5 * 90_000
    assert len(re.findall(r'<article class="chapter"[^>]*>\s*<details>', page)) == 2
    folded = page.partition('class="chapter"')[0]
    own = len(report.cover.paper.tests) + 1  # of requirements, and their trace
    assert folded.count("<details") == own + 2, "few failures stand in the open; digests and settings do not"


def test_what_failed_by_how_much_is_read_without_a_click(report):
    """Of each cause the first page shows at once what was observed where it was missed by most, and the difference."""
    page = html_of(report)
    told = page.partition('id="failed"')[2].partition('id="runs"')[0]
    assert told, "before the table of profiles"
    for group in report.cover.groups:
        by = [one.by for one in group.complaints]
        assert by == sorted(by, reverse=True)
        worst = group.complaints[0]
        row = told[told.index(f'#{worst.ident}"') :].partition("</tr>")[0]
        assert worst.why in unescape(row)
        assert f">{worst.margin}<" in row
