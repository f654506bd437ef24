"""The report as a page: it needs nothing beside it, and no text from a file or a unit becomes part of its markup."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.report.build import report_of
from ventproof.report.model import Section, shown
from ventproof.report.write import html_of

HOSTILE = "<script>alert(1)</script> \" ' & &amp; {{ 7*7 }} {% x %} #set page() $x$ *b* `r` \\ \u202e gpj \x00 \x1b[31m"


class Reader(HTMLParser):
    """Takes a page apart: its elements in order, and its texts."""

    def __init__(self, page):
        super().__init__()
        self.elements, self.said, self.ids, self.targets = [], [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        """Note an element with its name and its link."""
        self.elements.append(tag)
        self.ids += [value for name, value in attrs if name == "id"]
        self.targets += [value for name, value in attrs if name == "href"]

    def handle_data(self, data):
        """Note a text."""
        self.said.append(data)

    @property
    def text(self):
        """All texts, with single spaces."""
        return " ".join(" ".join(self.said).split())


@pytest.fixture(scope="module")
def page(logs):
    return html_of(report_of([logs["pass"], logs["fail"]]))


def test_the_page_is_whole_by_itself(page):
    """No script, nothing loaded from anywhere, and a policy that forbids both."""
    assert not {"script", "link", "img", "iframe", "object"} & set(Reader(page).elements)
    assert all(target.startswith("#") for target in Reader(page).targets)
    assert not re.search(r"url\((?!#)|@import|\bsrc=|\bon\w+=", page)
    assert """content="default-src 'none'; style-src 'unsafe-inline'">""" in page


def test_every_link_leads_somewhere_and_every_name_is_its_own(page):
    """Ids are unique over all figures of all runs, and complaints and runs can be followed."""
    read = Reader(page)
    assert len(read.ids) == len(set(read.ids))
    assert {target[1:] for target in read.targets} <= set(read.ids)
    assert {"run-1", "run-2"} <= {target[1:] for target in read.targets}


def test_benches_and_annexes_are_reached_from_the_first_page(logs):
    """The bench's uncertainty, and an override table with its traceability, are linked where the runs are listed."""
    annex = Section("table-1", "Override table: the unit", (), (), ())
    report = report_of([logs["pass"]])
    first = html_of(replace(report, sections=(*report.sections, annex))).partition('id="signatures"')[0]
    for section in (*report.sections, annex):
        assert f'<a href="#{section.ident}"><bdi>{section.title}</bdi></a>' in first


def test_the_first_lines_answer_what_a_reader_asks_first(page):
    """Verdict, unit, firmware, operator, bench and self-check come before any run is told of."""
    start = Reader(page.partition('<article class="chapter"')[0]).text
    for words in (
        "FAIL 2 runs: 1 failed, 1 passed.",
        "Unit V-1042, firmware 3.1",
        "Operator Halvorsen",
        "Osmerley house 3, mock in process",
        "none: the bench was not measured before",
        "Tested by: name, date, signature",
        "Vents and drives move without warning and crush.",
        "ventproof verify LOG",
    ):
        assert words in start


def test_every_response_is_told_with_its_figure(page, logs, mock):
    """Demand, reason and verdict of each finding stand in the page, and each that was run is drawn."""
    read = Reader(page)
    for name in ("pass", "fail"):
        for event in mock.events_of(logs[name]):
            if event["event"] == "finding":
                assert event["demand"] in read.text
                assert event["why"] in read.text
    assert page.count("<figure>") == page.count("</figure>") >= 10


def test_a_verdict_is_told_in_words_and_not_by_colour_alone(page):
    """Each verdict stands as a word; its sign and its colour come on top."""
    for words in re.findall(r'<(?:span|strong) class="word ([a-z-]+)">([^<]*)<', page):
        assert words[0].replace("-", " ") == words[1].lower()


def test_the_same_logs_make_the_same_page(logs, page):
    """Nothing in it depends on when or where it was made."""
    assert html_of(report_of([logs["pass"], logs["fail"]])) == page


def test_names_with_markup_in_files_stay_text(mock, tmp_path):
    """A profile, a step and a bench whose names are markup are told of by those names."""
    nasty = '<img src=x onerror=alert(1)> & "q"'
    profile = mock.count.replace("twenty-five pulses", f"'{nasty} step'")
    profile = re.sub(r"^profile: .*$", f"profile: '{nasty} profile'", profile, count=1, flags=re.MULTILINE)
    page = html_of(report_of([mock.run(tmp_path, profile)]))
    read = Reader(page)
    assert "img" not in read.elements
    assert f"{nasty} profile" in read.text
    assert f"{nasty} step" in read.text


def test_a_log_full_of_markup_is_shown_as_it_is(logs, mock, tmp_path):
    """Unit, operator and reasons of a log that somebody made up: all of it text, in the figures too."""
    plain = Reader(html_of(report_of([logs["pass"]])))
    events = mock.events_of(logs["pass"])
    events[0] |= {"unit": HOSTILE, "operator": HOSTILE}
    del events[0]["plan"]  # which would say another unit
    read = Reader(html_of(report_of([mock.rechained(events, tmp_path / "hostile.jsonl")])))
    assert [tag for tag in read.elements if tag != "text"] == [tag for tag in plain.elements if tag != "text"]
    assert read.text.count(" ".join(shown(HOSTILE).split())) >= 6


texts = st.one_of(
    st.text(max_size=30), st.text(alphabet="<>&\"'{}%-!#\u202e\u2066\x00\x1b\ud800 a", max_size=30)
)


@given(texts, texts, texts)
@settings(max_examples=20, deadline=None)
def test_no_text_changes_the_markup_and_each_can_be_read(logs, title, alarm, demand):
    """Whatever a report says, its page has the same elements and shows the text."""
    report = _report(logs["pass"])
    (chapter,) = report.chapters
    (start, *_) = chapter.steps
    first = replace(start.responses[0], demand=demand, figure=None)
    chapter = replace(chapter, overview=None, steps=(replace(start, responses=(first,)),))
    report = replace(report, chapters=(chapter,), cover=replace(report.cover, title=title, alarms=(alarm,)))
    named = replace(report, cover=replace(report.cover, title="title", alarms=("alarm",)))
    read = Reader(html_of(report))
    assert read.elements == Reader(html_of(named)).elements
    for text in (title, alarm, demand):
        assert " ".join(shown(text).split()) in read.text


@cache
def _report(log):
    return report_of([log])


@given(st.text())
def test_a_shown_text_can_be_seen_and_stays_in_its_direction(text):
    """No control character, no mark that turns the direction, nothing that cannot be encoded is left."""
    clean = shown(text)
    assert clean.isprintable()
    clean.encode("utf-8")
    assert shown(clean) == clean
    if text.isprintable():
        assert clean == text


def test_a_mock_that_was_given_faults_is_named_on_the_first_page(mock, tmp_path):
    """A stranger must not take a unit that was made faulty on purpose for the one that was shipped."""
    log = mock.run(tmp_path, faults=["ignores_rain"])
    text = Reader(html_of(report_of([log]))).text
    assert "The mock unit was given faults: ignores_rain." in text[: text.index("Signatures")]
    one_of_two = report_of([log, mock.run(tmp_path)]).cover.conditions
    assert "1 of 2 runs: The mock unit was given faults: ignores_rain." in one_of_two
