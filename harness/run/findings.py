"""A finding as the log writes it down (pure)."""

from __future__ import annotations

from typing import Any

from harness.judge.conformity import Limits, Rectangular, conformance
from harness.judge.verdict import Bounds
from harness.run.case import Result


def finding_fields(result: Result) -> dict[str, Any]:
    """Return the fields of a `finding` event: what was demanded, the verdict, and by how much."""
    finding = result.finding
    assert finding is not None, "a finding is written down after the evidence ended"
    return {
        "step": result.step,
        "number": result.number,
        "in": result.step_name,
        "signal": result.signal,
        "unit": result.unit,
        "kind": result.kind,
        "demand": result.wording,
        "verdict": str(finding.verdict),
        "why": finding.why,
        "margin": _pair(finding.margin),
        "slack": _pair(finding.slack),
        "response": _pair(finding.response_s),
        "seen": _pair(finding.seen),
        "conformance": _conformance(finding.margin),
        "proves": result.why,
    }


def _conformance(margin: Bounds | None) -> float | None:
    """Return the probability that the demand is met, if all margins that the evidence leaves are equally likely.

    JCGM 106:2012, 7.2, for a rectangular distribution over the possible margins.
    """
    if margin is None:
        return None
    half = (margin.high - margin.low) / 2
    if half <= 0:
        return float(margin.low >= 0)
    return round(conformance((margin.low + margin.high) / 2, Rectangular(half), Limits(lower=0.0)), 4)


def _pair(bounds: Bounds | None) -> list[float] | None:
    """Round to a millionth; what is below 0 stays so, because that is what a margin says first."""
    return None if bounds is None else [min(round(v, 6), -1e-6) if v < 0 else round(v, 6) for v in bounds]
