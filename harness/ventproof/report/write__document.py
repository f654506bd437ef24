"""A report as a PDF document, through typst and the fonts that it brings along."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Final

from bench.errors import FileError, Problem
from harness.record.report.model import plain

if TYPE_CHECKING:
    from harness.record.report.model import Report

_TEMPLATE: Final = Path(__file__).parent / "templates" / "report.typ"


def pdf_of(report: Report) -> bytes:
    """Return a report as a PDF document: tagged, with links, and the same to the byte for the same logs.

    Raises:
        FileError: typst is not installed.
    """
    try:
        import typst  # noqa: PLC0415 - optional, and only a PDF needs it
    except ImportError as error:
        reason = "a PDF takes typst, which is not installed"
        hint = "pip install -e '.[pdf]', or write an .html file and print that"
        raise FileError([Problem("-o", None, None, reason, hint)]) from error
    texts = {"report": json.dumps(plain(report))}
    return typst.compile(_TEMPLATE, format="pdf", ignore_system_fonts=True, sys_inputs=texts, timestamp=0)
