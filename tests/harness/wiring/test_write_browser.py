"""The wiring sheet in a real browser, on a desk, on a telephone and on paper of A4."""

from __future__ import annotations

import base64
import io

import pypdf
import pytest
from chromium import DESKTOP, PHONE, chromium, severe, sized

from ventproof.reference.words import example_text
from ventproof.wiring.sheet import sheet_of
from ventproof.wiring.write import html_of, pdf_of
from ventproof_bench.benchcheck.load import read_bench

pytestmark = [pytest.mark.lasting, pytest.mark.wire]
A4_PT = (595, 842)

OVERLAPS = """
const found = [];
for (const svg of document.querySelectorAll('figure > svg')) {
  const edge = svg.getBoundingClientRect();
  const boxes = [...svg.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]);
  boxes.forEach(([text, b], at) => {
    if (b.left < edge.left || b.right > edge.right || b.top < edge.top || b.bottom > edge.bottom) found.push(text);
    for (const [other, c] of boxes.slice(at + 1))
      if (b.left < c.right - 1 && c.left < b.right - 1 && b.top + 3 < c.bottom - 3 && c.top + 3 < b.bottom - 3)
        found.push(text + ' | ' + other);
  });
}
return found;
"""


@pytest.fixture(scope="module")
def browser():
    """Start Chromium, without its window."""
    with chromium() as driver:
        yield driver


@pytest.fixture(scope="module")
def sheet():
    """The sheet of the bench that has every kind of output and of bus."""
    return sheet_of(read_bench("bench.yaml", example_text("bench-wires.yaml")))


@pytest.fixture(scope="module")
def address(sheet, tmp_path_factory):
    """Where the sheet stands as a page."""
    page = tmp_path_factory.mktemp("sheet") / "wiring.html"
    page.write_text(html_of(sheet), encoding="utf-8")
    return page.as_uri()


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_nothing_overlaps_or_is_cut_on_a_screen(browser, address, size):
    """On a desk and on a telephone: texts keep inside their drawings and apart, and the page scrolls one way only."""
    sized(browser, size)
    browser.get(address)
    assert browser.execute_script(OVERLAPS) == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= size[0]
    assert severe(browser) == []


def test_the_printed_page_is_a4_and_holds_every_wire(browser, address, sheet):
    """Printed, the page has as many wires as the sheet, on sheets of A4."""
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.get(address)
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    check_document(base64.b64decode(printed["data"]), sheet)


def test_the_document_is_a4_and_holds_every_wire(sheet):
    """The same of the PDF that the command writes."""
    check_document(pdf_of(sheet), sheet)


def check_document(content, sheet):
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    text = " ".join(page.extract_text() for page in pages)
    for page in pages:
        assert [round(float(side)) for side in page.mediabox[2:]] == pytest.approx(A4_PT, abs=1)
    for row in sheet.wires.rows:
        assert text.count(row[0]) >= 2  # in its drawing and in the list
