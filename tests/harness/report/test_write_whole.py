"""Writing a report: the whole file or nothing, and one clear error."""

from __future__ import annotations

import sys

import pytest

from ventproof.report.write import write_report
from ventproof_bench.base.errors import FileError


def test_a_report_takes_the_place_of_an_older_one(logs, tmp_path):
    """Folders are made as needed, and nothing else is left behind."""
    out = tmp_path / "new" / "report.html"
    write_report([logs["fail"]], out)
    report = write_report([logs["pass"]], out)
    assert report.cover.standing == "pass"
    assert "<title>pass: Unit V-1042, firmware 3.1</title>" in out.read_text(encoding="utf-8")
    assert list(out.parent.iterdir()) == [out]


def test_what_stands_there_stays_when_no_report_can_be_made(logs, tmp_path, monkeypatch):
    """A report that cannot be made costs nobody the one before."""
    out = tmp_path / "report.pdf"
    out.write_bytes(b"the one before")
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(FileError, match=r"a PDF takes typst"):
        write_report([logs["pass"]], out)
    assert out.read_bytes() == b"the one before"


def test_a_place_that_cannot_be_written_is_named(logs, tmp_path):
    """The file, and why."""
    (tmp_path / "a file").write_text("", encoding="utf-8")
    with pytest.raises(FileError, match=r"report\.html: cannot be written: "):
        write_report([logs["pass"]], tmp_path / "a file" / "report.html")


def test_an_ending_that_means_nothing_is_refused(logs, tmp_path):
    """What would be right is said."""
    with pytest.raises(
        FileError, match=r"report\.doc: no report can be made as \.doc; end its name in \.html or \.pdf"
    ):
        write_report([logs["pass"]], tmp_path / "report.doc")
