"""HTML, PDF."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote

from ventproof.rejudge.batch import Told
from ventproof.report.build import FEW, Annex, Beside, report_of
from ventproof.report.model import plain
from ventproof.report.pages import Pages, folder_beside, write_indexes
from ventproof.report.typeset import TEMPLATES, document, maker_for, page, style
from ventproof.runset.present import Choice
from ventproof_bench.base.files import whole_file, whole_folder

if TYPE_CHECKING:
    from ventproof.report.model import Report


def html_of(report: Report) -> str:
    """Return a report as an HTML page: no script, nothing loaded, for light and dark screens and for paper."""
    told_here = tuple(chapter for chapter in report.chapters if not report.pages[chapter.ident])
    return page(
        TEMPLATES / "report.html.j2",
        plain(replace(report, chapters=told_here)),
        style(TEMPLATES / "report.css", TEMPLATES / "first.css"),
    )


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


def write_report(
    logs: Sequence[Path],
    out: Path,
    choice: Choice = Choice.NAMED,
    annex: Annex | None = None,
    *,
    complete: bool = False,
    beside: Beside | None = None,
    told: Told = lambda *_: None,
) -> Report:
    """Make the report of some logs and write it, in place of a report that stands there; return it.

    The file is there as a whole or, if anything fails, as it was. A page of more than a few runs is a first page, with
    a page a run in the folder beside it.

    Args:
        logs: of runs, and of the self-checks behind them.
        out: the file; its ending says which kind.
        choice: how they came to be looked at together.
        annex: makes the annex for an override table that runs name; None: there is none.
        complete: draw every response, as `report_of` and `pdf_of` say.
        beside: what it holds besides its logs; None: nothing.
        told: is given how far it is.

    Raises:
        FileError: a log is wrong, no such kind of report can be made, or the file cannot be written.
    """
    kinds: dict[str, Callable[[Report], bytes]] = {
        ".html": lambda report: html_of(report).encode(),
        ".pdf": lambda report: pdf_of(report, complete=complete),
    }
    make = maker_for(out, "report", kinds)
    made = partial(report_of, logs, choice, annex, complete=complete, beside=beside, told=told)
    if make is kinds[".html"] and len(logs) > FEW:
        return _write_pages(made, out)
    report = made()
    content = make(report)
    with whole_file(out) as file:
        file.write(content)
    return report


def _write_pages(made: Callable[..., Report], out: Path) -> Report:
    """Write a first page and a page a run; of each run only what the first page needs is held."""
    with whole_file(out) as file, whole_folder(folder_beside(out), ending=".html") as folder:
        pages = Pages(out, folder)
        report = made(pages=pages)
        report = replace(report, indexes=write_indexes(report, pages))
        links = (*report.pages.values(), *(index.link for index in report.indexes))
        kept = {unquote(link.rpartition("/")[2]) for link in links}
        for page_of_copy in (path for path in folder.iterdir() if path.name not in kept):
            page_of_copy.unlink()
        file.write(html_of(report).encode())
    return report
