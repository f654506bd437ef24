"""Writing a wiring sheet: the whole file or nothing, one clear error, the same for the same bench file."""

from __future__ import annotations

import sys

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.wiring.sheet import sheet_of
from ventproof.wiring.write import html_of, pdf_of, write_sheet
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench

RTU = SHIPPED_BENCH.with_name("mock-rtu.yaml")


def test_the_command_writes_page_and_document(ventproof, tmp_path):
    """One command, either ending; it says how many wires there are."""
    for ending, begin in ((".html", b"<!DOCTYPE html>"), (".pdf", b"%PDF-")):
        out = tmp_path / f"sheet{ending}"
        code, said, _ = ventproof("wiring", RTU, "-o", out)
        assert code == 0
        assert said == f"{out}: 19 wires, 19 of them with something to write in\n"
        assert out.read_bytes().startswith(begin)


def test_a_wrong_bench_file_or_ending_is_one_clear_error(ventproof, tmp_path):
    """Nothing is written, and what would be right is said."""
    code, _, err = ventproof("wiring", RTU, "-o", tmp_path / "sheet.doc")
    assert code == 3
    assert err.endswith("sheet.doc: no wiring sheet can be made as .doc; end its name in .html or .pdf\n")
    wrong = tmp_path / "bench.yaml"
    text = RTU.read_text(encoding="utf-8")
    wrong.write_text(
        text.replace("counted_by: rain_count", "wires: {contact: {bnech: K1}}"), encoding="utf-8"
    )
    code, _, err = ventproof("wiring", wrong, "-o", tmp_path / "sheet.html")
    assert code == 3
    assert "the key 'bnech' is unknown here; did you mean 'bench'?" in err
    assert not (tmp_path / "sheet.html").exists()


def test_what_stands_there_stays_when_no_document_can_be_made(tmp_path, monkeypatch):
    """A sheet that cannot be made costs nobody the one before."""
    out = tmp_path / "sheet.pdf"
    out.write_bytes(b"the one before")
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(FileError, match=r"a PDF takes typst"):
        write_sheet(load_bench(RTU), out)
    assert out.read_bytes() == b"the one before"


def test_the_same_bench_file_makes_the_same_sheet():
    """To the byte, so that two copies can be compared."""
    sheets = [sheet_of(load_bench(RTU)) for _ in range(2)]
    assert html_of(sheets[0]) == html_of(sheets[1])
    assert pdf_of(sheets[0]) == pdf_of(sheets[1])
