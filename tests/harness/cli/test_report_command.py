"""`ventproof report` for people: written whatever the verdicts, refused where a log is wrong."""

from __future__ import annotations

import pypdf

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, log_paths


def test_a_failing_run_makes_a_report_and_the_command_succeeds(ventproof, tmp_path):
    """A page and a document at once; the first line says how the runs stand."""
    stated = ("--unit", "V-1042", "--firmware", "3.1", "--operator", "Halvorsen")
    profile = SHIPPED / "rain-count.yaml"
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
    twice = ("run", SHIPPED / "rain-by-tips.yaml", "--bench", SHIPPED_BENCH, "--out", "more", *stated)
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
