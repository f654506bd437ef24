"""The report as a document: the same to the byte each time, its texts never markup, and a clear word without typst."""

from __future__ import annotations

import io
import sys

import pypdf
import pytest

from ventproof.report.build import report_of
from ventproof.report.model import shown
from ventproof.report.write import html_of, pdf_of
from ventproof_bench.base.errors import FileError


def text_of(document):
    pages = pypdf.PdfReader(io.BytesIO(document)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_the_same_logs_make_the_same_document(logs):
    """The date in it is the record's, so that two people can compare what they were sent."""
    assert pdf_of(report_of([logs["fail"]])) == pdf_of(report_of([logs["fail"]]))


def test_the_document_is_dated_by_the_record(logs, mock, tmp_path):
    """Its date is that of the run, not of the day on which it was made."""
    events = mock.events_of(logs["pass"])
    events[0] |= {"started": "2026-03-01T10:00:00+00:00"}
    document = pdf_of(report_of([mock.rechained(events, tmp_path / "dated.jsonl")]))
    metadata = pypdf.PdfReader(io.BytesIO(document)).metadata
    assert (metadata.title, metadata.creation_date.date().isoformat()) == (
        "pass: Unit V-1042, firmware 3.1",
        "2026-03-01",
    )


def test_the_document_names_ventproof_as_what_made_it(logs):
    """No library's name stands where readers show which program a document is from, and the pictures carry none."""
    report = report_of([logs["fail"]])
    document = pdf_of(report)
    metadata = pypdf.PdfReader(io.BytesIO(document), strict=True).metadata
    assert metadata.creator.strip() == "ventproof"
    assert b"Typst" not in document
    assert not {word for word in ("segno", "matplotlib", "Typst") if word in html_of(report)}


MARKUP = "#set page(width: 1mm) $x^2$ *bold* _it_ `raw` @ref <label> = head \\u{41} // /* b */ ~--~... [a] \u202e \x00"


def test_no_text_becomes_markup(logs, mock, tmp_path):
    """What the typesetter would take for a command is shown letter by letter."""
    events = mock.events_of(logs["pass"])
    events[0] |= {"unit": MARKUP, "operator": MARKUP}
    document = pdf_of(report_of([mock.rechained(events, tmp_path / "hostile.jsonl")]))
    assert f"Unit {shown(MARKUP)}" in text_of(document)


def test_a_long_word_stays_on_the_page(logs, mock, tmp_path):
    """A name without spaces is broken where it must be, and nothing of it is lost."""
    events = mock.events_of(logs["pass"])
    events[0] |= {"operator": "x" * 400}
    document = pdf_of(report_of([mock.rechained(events, tmp_path / "long.jsonl")]))
    assert "x" * 400 in text_of(document).replace("\u200b", "").replace(" ", "")


def pages_of(document):
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(document)).pages]


def test_a_run_that_passed_has_one_page_of_a_short_document(logs, mock, tmp_path):
    """A vent profile that passed is told on one page beside one that failed; complete, it takes several."""
    passed = mock.run(tmp_path, mock.rain)
    report = report_of([passed, logs["fail"]])
    short, complete = pages_of(pdf_of(report)), pages_of(pdf_of(report, complete=True))
    name = report.chapters[0].profile
    (begins,) = [i for i, page in enumerate(short) if page.startswith(f"{name} ")]
    assert short[begins + 1].startswith(f"{report.chapters[1].profile} ")
    for step in report.chapters[0].steps:
        for response in step.responses:
            assert f"{response.signal} {response.demand}" in short[begins]
    assert report.chapters[0].digest in short[begins].replace(" ", "").replace("\u200b", "")
    assert len(complete) > len(short)
    first = [page.replace(f"of {len(short)}", f"of {len(complete)}") for page in short[:begins]]
    assert complete[:begins] == first


def drawn_in(document):
    """Return what a screen reader says of each drawing."""
    nodes = [pypdf.PdfReader(io.BytesIO(document)).trailer["/Root"]["/StructTreeRoot"]]
    said = []
    while nodes:
        node = nodes.pop().get_object()
        if isinstance(node, list):
            nodes += [one for one in node if not isinstance(one, int)]
        elif isinstance(node, dict):
            said += [node["/Alt"]] if node.get("/S") == "/Figure" else []
            nodes += [node["/K"]] if "/K" in node and not isinstance(node["/K"], int) else []
    return said


def test_what_failed_is_drawn_in_a_short_document_too(logs):
    """The picture of the count that failed stands there; those of what passed beside it do not."""
    (chapter, _) = (report := report_of([logs["fail"], logs["pass"]])).chapters
    said = drawn_in(pdf_of(report))
    responses = [r for step in chapter.steps for r in step.responses if r.figure]
    assert {r.verdict for r in responses} == {"pass", "fail"}
    for response in responses:
        assert (response.figure.alt in said) == (response.verdict == "fail")


def test_without_typst_the_way_out_is_said(monkeypatch, logs):
    """The PDF is an extra; who has not got it is told how to get it, or what to do instead."""
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(
        FileError, match=r"-o: a PDF takes typst.*pip install -e '\.\[pdf\]', or write an \.html"
    ):
        pdf_of(report_of([logs["pass"]]))
