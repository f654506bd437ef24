"""From a response of a case to what was found of it, as the log holds it (pure)."""

from __future__ import annotations

from bench.samples import Window
from harness.judge.conformity import Limits, Rectangular, conformance
from harness.judge.verdict import Bounds, Finding, Status
from harness.run.case import Case, Result


def finding_of(result: Result) -> Finding:
    """Return what was found of a response, its numbers rounded as the log holds them."""
    ruling = result.ruling
    assert ruling is not None, "a finding is made after the evidence ended"
    response = _rounded(ruling.response_s)
    return Finding(
        step=result.step,
        step_name=result.step_name,
        number=result.number,
        signal=result.signal,
        unit=result.unit,
        kind=result.kind,
        demand=result.wording,
        status=Status.NOT_RUN if result.not_run else Status(ruling.verdict),
        not_run=result.not_run,
        why=ruling.why,
        margin=_rounded(ruling.margin),
        slack_s=_rounded(ruling.slack_s),
        response_s=response and Window(*response),
        seen=_rounded(ruling.seen),
        conformance=_conformance(ruling.margin),
        proves=result.why,
    )


def findings_of(case: Case) -> tuple[Finding, ...]:
    """Return what was found of every response of a case whose evidence has ended, in the profile's order."""
    return tuple(map(finding_of, case.results))


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


def _rounded(bounds: Bounds | None) -> Bounds | None:
    """Round to a millionth; what is below 0 stays so, because that is what a margin says first."""
    return bounds and Bounds(*(min(round(v, 6), -1e-6) if v < 0 else round(v, 6) for v in bounds))
