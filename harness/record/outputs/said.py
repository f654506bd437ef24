"""One response's figures in words, as the terminal's table says them (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.run.text import margin_text, span_text

if TYPE_CHECKING:
    from harness.record.results import FindingRecord


def response(finding: FindingRecord) -> str:
    """Return what was demanded of which signal."""
    return f"{finding.signal} {finding.demand}"


def took(finding: FindingRecord) -> str:
    """Return the window that holds the response time; a dash without one."""
    window = finding.response_s
    return span_text(None if window is None else [window.earliest_s, window.latest_s], "s")


def margin(finding: FindingRecord) -> str:
    """Return the worst margin in the signal's unit and in seconds; a dash without either."""
    return margin_text({"unit": finding.unit, "margin": finding.margin, "slack": finding.slack_s})
