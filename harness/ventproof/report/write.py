"""Writes a report to where it was asked for, as the kind of file that the name says."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from bench.errors import FileError, Problem
from harness.record.report.build import Annex, report_of
from harness.record.report.document import pdf_of
from harness.record.report.page import html_of
from harness.record.whole import whole_file

if TYPE_CHECKING:
    from harness.record.report.model import Report

_KINDS: Final[Mapping[str, Callable[[Report], bytes]]] = {
    ".html": lambda report: html_of(report).encode(),
    ".pdf": pdf_of,
}


def write_report(
    logs: Sequence[Path], out: Path, not_run: Sequence[str] = (), annex: Annex | None = None
) -> Report:
    """Make the report of some logs and write it, in place of a report that stands there; return it.

    The file is there as a whole or, if anything fails, as it was.

    Args:
        logs: of runs, and of the self-checks behind them.
        out: the file; its ending says which kind.
        not_run: names of profiles that were to be run and were not.
        annex: makes the annex for an override table that runs name; None: there is none.

    Raises:
        FileError: a log is wrong, no such kind of report can be made, or the file cannot be written.
    """
    make = _KINDS.get(out.suffix.lower())
    if make is None:
        reason = f"no report can be made as {out.suffix or 'a file without an ending'}"
        raise FileError([Problem(str(out), None, None, reason, f"end its name in {' or '.join(_KINDS)}")])
    report = report_of(logs, not_run, annex)
    content = make(report)
    with whole_file(out) as file:
        file.write(content)
    return report
