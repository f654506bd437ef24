"""Words what was found of every response of a case, its numbers as the log holds them (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ventproof.statistics.conformity import Limits, Rectangular, conformance
from ventproof.verdict.finding import Bounds, Finding, Ruling, Status, Verdict
from ventproof_bench.base.evidence import Window
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from ventproof.case.case import Case, Result


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
        # What is left open of a demand that holds is not how near it came to its limit.
        conformance=None if ruling.hollow else conformance_of(ruling, result.unit),
        proves=result.purpose,
        hollow=ruling.hollow,
        wrong=ruling.wrong,
        miss=ruling.miss,
    )


def findings_of(case: Case) -> tuple[Finding, ...]:
    """Return what was found of every response of a case whose evidence has ended, in the profile's order."""
    return tuple(map(finding_of, case.results))


def _rounded(bounds: Bounds | None) -> Bounds | None:
    """Round to a millionth; what is below 0 stays so, because that is what a margin says first."""
    return bounds and Bounds(*(min(round(v, 6), -1e-6) if v < 0 else round(v, 6) for v in bounds))


def conformance_of(ruling: Ruling, unit: str) -> float | None:
    """Return the probability that the demand is met, if all margins that the evidence leaves are equally likely.

    JCGM 106:2012, 7.2, for a rectangular distribution over the possible margins. None for flags, states and counters,
    whose margins are no lengths, and where something else than the margin leaves the verdict open.
    """
    margin = ruling.margin
    if margin is None or is_discrete(unit):
        return None
    if ruling.verdict is Verdict.INCONCLUSIVE and (margin.low >= 0 or margin.high < 0):
        return None
    half = (margin.high - margin.low) / 2
    if half <= 0:
        return float(margin.low >= 0)
    return round(conformance((margin.low + margin.high) / 2, Rectangular(half), Limits(lower=0.0)), 4)
