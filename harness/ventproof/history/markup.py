"""What the pages of past runs share: how they are filled in, their style, their dashboard."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ventproof.history.dashboard import CONFIDENCE
from ventproof.report.typeset import TEMPLATES as REPORT_TEMPLATES
from ventproof.report.typeset import page, style
from ventproof.verdict.text import percent

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from ventproof.history.dashboard import Cell, Dashboard


TEMPLATES: Final = Path(__file__).parent / "templates"
NOT_STATED: Final = "not stated"
_MOST_VERSIONS: Final = 10
"""So many versions have a column; more do not fit on a page that is printed."""


def filled(template: Path, own: Path, **texts: object) -> str:
    """Return a page: every text escaped, without control characters.

    Args:
        template: the page's own.
        own: the style sheet that is added to the shared ones.
        texts: what it says.
    """
    css = style(REPORT_TEMPLATES / "report.css", TEMPLATES / "board.css", own)
    return page(template, texts, css, TEMPLATES)


def board_texts(
    board: Dashboard,
    link: Callable[[str, str], str],
    *,
    units: bool = False,
    roles: Mapping[str, str] | None = None,
) -> Mapping[str, Any]:
    """Return a dashboard as its template takes it.

    Args:
        board: the dashboard.
        link: where the runs of a profile with a firmware version are found, or of a profile with any (`""`); empty:
            nowhere on the page.
        units: whether the unit is named of what does not always end the same.
        roles: what each version is in a comparison; None: they are versions in their order, the newest first.
    """
    shown = board.versions if roles else board.versions[:_MOST_VERSIONS]
    return {
        "versions": [
            {"role": (roles or {}).get(version, ""), "name": version or NOT_STATED} for version in shown
        ],
        "order": "the base first" if roles else "the newest firmware first",
        "older": len(board.versions) - len(shown),
        "rows": [
            {
                "profile": row.profile,
                "cells": [
                    _cell_texts(cell, link(row.profile, version))
                    for cell, version in zip(row.cells, shown, strict=False)
                ],
            }
            for row in board.rows
        ],
        "flaky": [
            {
                "profile": one.conditions.profile,
                "firmware": one.conditions.firmware or NOT_STATED,
                "unit": (one.conditions.unit or NOT_STATED) if units else "",
                "text": one.text,
                "bounds": one.bounds,
            }
            for one in board.flaky
        ],
        "confidence": percent(CONFIDENCE),
    }


def _cell_texts(cell: Cell | None, href: str) -> Mapping[str, str] | None:
    if cell is None:
        return None
    return {"mark": "flaky" if cell.flaky else cell.verdict, "text": cell.text, "href": href}
