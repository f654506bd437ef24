"""Reports against readers that know nothing of ventproof: of HTML, of PDF and of QR codes; colours against WCAG."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from pathlib import Path

import html5lib
import numpy as np
import pypdf
import pytest
import wcag_contrast_ratio
import zxingcpp
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.profile.load import load_profile
from ventproof.report.build import report_of
from ventproof.report.write import html_of, pdf_of
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench

CSS = Path(__file__).parents[2] / "harness" / "ventproof" / "report" / "templates" / "report.css"


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    """Logs of a run that passed and of one that failed."""
    out = tmp_path_factory.mktemp("logs")
    profile = load_profile(shipped_path("rain-count"))
    made = []
    for faults in ([], ["counts_twice"]):
        bench = with_faults(load_bench(SHIPPED_BENCH), faults)
        session = Session(bench=bench, out=out, unit="V-1042 <&>", firmware="3.1", operator="Halvorsen")
        made.append(session.run(profile, SilentView()).log)
    return made


@pytest.fixture(scope="module")
def report(logs):
    return report_of(logs)


def findings(log):
    events = [json.loads(line) for line in log.read_bytes().splitlines()]
    return [event for event in events if event["event"] == "finding"]


def test_the_page_is_html_to_a_strict_parser(report):
    """html5lib, strict, implements the parsing rules of the HTML standard and stops at the first parse error."""
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(html_of(report))
    assert tree.get("lang") == "en"
    assert tree.find("head/title").text == "fail: Unit V-1042 <&>, firmware 3.1"
    drawings = list(tree.iter("{http://www.w3.org/2000/svg}svg"))
    assert len(drawings) > 10
    headings = [element.tag for element in tree.iter() if element.tag in {"h1", "h2", "h3"}]
    assert headings[0] == "h1"
    assert headings.count("h1") == 1


def _squeezed(text):
    return re.sub(r"\s+", "", text.replace("\u200b", ""))


def _read_by_pypdf(document):
    return "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(document)).pages)


def _read_by_poppler(document):
    command = shutil.which("pdftotext")
    if command is None:
        pytest.skip("pdftotext (poppler) is not on this machine")
    done = subprocess.run([command, "-raw", "-", "-"], input=document, capture_output=True, check=True)
    return done.stdout.decode()


@pytest.mark.parametrize("reader", [_read_by_pypdf, _read_by_poppler])
def test_the_document_says_what_the_log_says(reader, report, logs):
    """Both pypdf and poppler's pdftotext both read demands, verdicts, reasons and whole digests out of the PDF."""
    said = _squeezed(reader(pdf_of(report, complete=True)))
    for log in logs:
        assert json.loads(log.read_bytes().splitlines()[-1])["chain"] in said
        for finding in findings(log):
            assert _squeezed(finding["demand"]) in said
            assert _squeezed(finding["why"]) in said
            assert ("notrun" if finding["why"].startswith("not run") else finding["verdict"]) in said
    assert _squeezed("FAIL 2 runs: 1 failed, 1 passed.") in said
    assert _squeezed("Unit V-1042 <&>, firmware 3.1") in said


def test_the_document_is_tagged_and_its_drawings_have_a_text_instead(report):
    """ISO 32000-2, 14.7 and 14.9.3: a structure tree, a language, and `Alt` for each figure in it."""
    catalogue = pypdf.PdfReader(io.BytesIO(pdf_of(report, complete=True))).trailer["/Root"]
    assert catalogue["/MarkInfo"]["/Marked"]
    assert catalogue["/Lang"] == "en"
    figures = []

    def walk(node):
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for child in node:
                walk(child)
        elif isinstance(node, dict):
            if node.get("/S") == "/Figure":
                figures.append(node.get("/Alt", ""))
            if "/K" in node:
                walk(node["/K"])

    walk(catalogue["/StructTreeRoot"]["/K"])
    drawn = [c.overview for c in report.chapters] + [c.qr for c in report.chapters]
    drawn += [r.figure for c in report.chapters for s in c.steps for r in s.responses if r.figure]
    assert sorted(figures) == sorted(figure.alt for figure in drawn)


def test_a_qr_reader_reads_the_digest(report, logs):
    """ZXing's reader (ISO/IEC 18004) gives the digest of the log's last line, from the drawn modules."""
    for chapter, log in zip(report.chapters, logs, strict=True):
        (code,) = zxingcpp.read_barcodes(_painted(chapter.qr.svg))
        assert code.text == json.loads(log.read_bytes().splitlines()[-1])["chain"]


def _painted(svg):
    """Paint the strokes of a QR code, each a row of dark modules, as grey levels; four pixels a module."""
    size = int(re.search(r'd="M0 0h(\d+)v', svg)[1])
    dark = np.full((size, size), 255, np.uint8)
    x = y = 0.0
    for command, numbers in re.findall(
        r"([Mmh])([-\d. ]+)", re.search(r'class="qrline"[^>]* d="([^"]+)"', svg)[1]
    ):
        values = [float(number) for number in re.findall(r"-?[\d.]+", numbers)]
        if command == "h":
            dark[int(y), int(x) : int(x + values[0])] = 0
            x += values[0]
        else:
            x, y = values if command == "M" else (x + values[0], y + values[1])
    return np.kron(dark, np.ones((4, 4), np.uint8))


@pytest.mark.parametrize("page", ["light", "dark", "paper"])
def test_texts_and_signs_stand_out_on_every_page(page):
    """WCAG 2.2, 1.4.3 and 1.4.11: 4.5:1 for texts, 3:1 for signs and borders, by an independent implementation."""
    light, dark, paper = re.findall(r":root \{([^}]*)\}", CSS.read_text(encoding="utf-8"))
    named = dict(re.findall(r"--([\w-]+): (#\w+)", light))
    named |= dict(re.findall(r"--([\w-]+): (#\w+)", {"light": "", "dark": dark, "paper": paper}[page]))
    colours = {name: _rgb(value) for name, value in named.items()}
    for ground in ("paper", "wash"):
        for ink, least in (("ink", 4.5), ("soft", 4.5), ("pass", 3), ("fail", 3), ("open", 3)):
            assert wcag_contrast_ratio.rgb(colours[ink], colours[ground]) >= least, (ink, ground)


def _rgb(colour):
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    return tuple(int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4))
