"""`ventproof report` for people: written whatever the verdicts, refused where a log is wrong."""

from __future__ import annotations

import re

import pypdf
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, log_paths


def test_a_failing_run_makes_a_report_and_the_command_succeeds(ventproof, tmp_path):
    """A page and a document at once; the first line says how the runs stand."""
    stated = ("--unit", "V-1042", "--firmware", "3.1", "--operator", "Halvorsen")
    profile = shipped_path("rain-count")
    bench = SHIPPED_BENCH.read_text(encoding="utf-8")
    faulty = bench.replace("\nmock:\n", "\nmock:\n  faults: {counts_twice: 1}\n")
    (tmp_path / "bench.yaml").write_text(faulty, encoding="utf-8")
    code, _, _ = ventproof("run", profile, "--bench", "bench.yaml", "--out", "logs", *stated)
    assert code == 1
    code, out, _ = ventproof("report", "logs", "-o", "report.html", "-o", "report.pdf")
    assert code == 0
    assert out.splitlines()[0] == "report.html: fail: Unit V-1042, firmware 3.1. One run."
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<title>fail: Unit V-1042, firmware 3.1</title>" in page
    assert len(pypdf.PdfReader(tmp_path / "report.pdf").pages) > 1
    pages = len(pypdf.PdfReader(tmp_path / "report.pdf").pages)
    twice = ("run", shipped_path("rain-by-tips"), "--bench", SHIPPED_BENCH, "--out", "more", *stated)
    assert ventproof(*twice)[0] == 0
    ventproof("report", "more", "logs", "-o", "short.pdf")
    ventproof("report", "more", "logs", "-o", "complete.pdf", "--complete")
    short, complete = (len(pypdf.PdfReader(tmp_path / f"{name}.pdf").pages) for name in ("short", "complete"))
    assert pages < short < complete, "one page more for a profile that passed; complete, several"
    (log,) = log_paths([tmp_path / "logs"])
    log.write_bytes(b"not a log\n")
    code, _, err = ventproof("report", "logs", "-o", "report.html")
    assert code == 3
    assert f"logs/{log.name}:1: this is not a ventproof log, or its first line was changed" in err
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == page, "nothing was written"


def test_a_page_shows_the_verdicts_of_earlier_firmware_from_the_history(ventproof, tmp_path):
    """Each earlier version is a mark with its name, and those of another unit are not shown."""
    bench = SHIPPED_BENCH.read_text(encoding="utf-8")
    faulty = bench.replace("\nmock:\n", "\nmock:\n  faults: {counts_twice: 1}\n")
    (tmp_path / "bench.yaml").write_text(faulty, encoding="utf-8")
    profile = shipped_path("rain-count")
    for unit, firmware, on in (
        ("V-1042", "2.9", "bench.yaml"),
        ("V-1043", "2.8", SHIPPED_BENCH),
        ("V-1042", "2.10", SHIPPED_BENCH),
        ("V-1042", "3.0", SHIPPED_BENCH),
    ):
        stated = ("--unit", unit, "--firmware", firmware, "--operator", "Halvorsen")
        ventproof(
            "run", profile, "--bench", on, "--out", f"logs-{firmware}", "--history", "all.sqlite", *stated
        )
    assert ventproof("report", "logs-3.0", "-o", "with.html", "--history", "all.sqlite")[0] == 0
    page = (tmp_path / "with.html").read_text(encoding="utf-8")
    assert re.findall(r'title="(firmware [^"]*)"', page) == ["firmware 2.9: fail", "firmware 2.10: pass"]
    assert ventproof("report", "logs-3.0", "-o", "without.html")[0] == 0
    assert "earlier versions" not in (tmp_path / "without.html").read_text(encoding="utf-8")
    code, _, err = ventproof("report", "logs-3.0", "-o", "none.html", "--history", "none.sqlite")
    assert (code, "none.sqlite" in err, (tmp_path / "none.html").exists()) == (3, True, False)
