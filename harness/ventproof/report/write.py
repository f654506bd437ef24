"""HTML, PDF."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ventproof.report.build import Annex, report_of
from ventproof.report.model import plain
from ventproof.report.typeset import TEMPLATES, document, maker_for, page
from ventproof.runset.present import Choice
from ventproof_bench.base.files import whole_file

if TYPE_CHECKING:
    from ventproof.report.model import Report


def html_of(report: Report) -> str:
    """Return a report as an HTML page: no script, nothing loaded, for light and dark screens and for paper."""
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    return page(TEMPLATES / "report.html.j2", plain(report), css)


def pdf_of(report: Report, *, complete: bool = False) -> bytes:
    """Return a report as a PDF document: tagged, with links, and the same to the byte for the same logs.

    Args:
        report: what it says.
        complete: draw every response; otherwise of several runs those that passed have a page each, and of the others
            what did not pass is drawn.

    Raises:
        FileError: typst is not installed.
    """
    return document(TEMPLATES / "report.typ", plain(report) | {"complete": complete})


def _kinds(*, complete: bool) -> Mapping[str, Callable[[Report], bytes]]:
    return {
        ".html": lambda report: html_of(report).encode(),
        ".pdf": lambda report: pdf_of(report, complete=complete),
    }


def write_report(
    logs: Sequence[Path],
    out: Path,
    choice: Choice = Choice.NAMED,
    annex: Annex | None = None,
    *,
    complete: bool = False,
) -> Report:
    """Make the report of some logs and write it, in place of a report that stands there; return it.

    The file is there as a whole or, if anything fails, as it was.

    Args:
        logs: of runs, and of the self-checks behind them.
        out: the file; its ending says which kind.
        choice: how they came to be looked at together.
        annex: makes the annex for an override table that runs name; None: there is none.
        complete: draw every response, as `report_of` and `pdf_of` say.

    Raises:
        FileError: a log is wrong, no such kind of report can be made, or the file cannot be written.
    """
    make = maker_for(out, "report", _kinds(complete=complete))
    report = report_of(logs, choice, annex, complete=complete)
    content = make(report)
    with whole_file(out) as file:
        file.write(content)
    return report
