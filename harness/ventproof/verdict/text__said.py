"""One response in words (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.judge.verdict import Finding


def response(finding: Finding) -> str:
    """Return what was demanded of which signal."""
    return f"{finding.signal} {finding.demand}"
