"""A report as one HTML file that needs nothing beside it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.record.report.model import plain

if TYPE_CHECKING:
    from harness.record.report.model import Report

_TEMPLATES: Final = Path(__file__).parent / "templates"


def html_of(report: Report) -> str:
    """Return a report as an HTML page: no script, nothing loaded, for light and dark screens and for paper."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 - only reports need it

    pages = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    css = (_TEMPLATES / "report.css").read_text(encoding="utf-8")
    return pages.get_template("report.html.j2").render(plain(report), css=css)
