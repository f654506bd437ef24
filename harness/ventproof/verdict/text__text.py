"""How figures of a finding are written, and a finding as one line (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from harness.judge.verdict import Finding, NotRun, Status


def titled(profile: str, decision: str) -> str:
    """Return a profile's name, with its decision rule where that is not the guarded one."""
    return profile if decision == "guarded" else f"{profile} [decision: {decision}, readings as they stand]"


def signed_text(value: float) -> str:
    """Return a margin to a tenth; a violation too small for that keeps its sign by reading `> -0.1`."""
    return "> -0.1" if -0.05 <= value < 0 else f"{value + 0.0:+.1f}"  # noqa: PLR2004 - what rounds to -0.0


def span_text(pair: Sequence[float] | None, unit: str, *, signed: bool = False, decimals: int = 1) -> str:
    """Return an interval as `31.4 … 31.8 s`, or as one number where both ends read alike."""
    if pair is None:
        return "–"
    low, high = (signed_text(value) if signed else f"{value:.{decimals}f}" for value in pair)
    return f"{low} {unit}".rstrip() if low == high else f"{low} … {high} {unit}".rstrip()


def took_text(finding: Finding) -> str:
    """Return the window that holds the response time; a dash without one."""
    window = finding.response_s
    return span_text(window and (window.earliest_s, window.latest_s), "s")


def margin_text(finding: Finding) -> str:
    """Return the worst margin in the signal's unit and in seconds, whichever there are."""
    unit = {"flag": "", "count": "", "state": ""}.get(finding.unit, finding.unit)
    parts = []
    if finding.margin is not None and unit:
        parts.append(f"{signed_text(finding.margin.low)} {unit}")
    if finding.slack_s is not None:
        parts.append(f"{signed_text(finding.slack_s.low)} s")
    return ", ".join(parts) or "–"


def finding_line(finding: Finding) -> str:
    """Return one finding as a line without colour."""
    line = f"{finding.verdict:<12}  {finding.signal} {finding.demand}"
    if finding.response_s is not None:
        line += f"  [took {took_text(finding)}]"
    if finding.status is not Status.PASS and finding.why:
        line += f"\n{'':14}{finding.why}"
    return line


def skipped(findings: Sequence[Finding]) -> Counter[NotRun]:
    """Return how many responses the run never came to, by the reason."""
    return Counter(finding.not_run for finding in findings if finding.skipped and finding.not_run)
