"""One profile run again and again: what the repeats prove together, and when they have proved enough."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.statistics.conformity import GlobalRisks, Limits, Rectangular, global_risks, guarded
from ventproof.statistics.repeats import LAST_WORD, Standing, success_run_repeats, summary
from ventproof.statistics.sequential import Claim
from ventproof.statistics.tolerance_limits import order_repeats
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.errors import VentproofError

if TYPE_CHECKING:
    from ventproof.log.plan import Plan
    from ventproof.session.session import RunResult
    from ventproof.verdict.finding import Finding
    from ventproof_bench.base.evidence import Window


COVERAGE: Final = 0.95
"""Share of future response times that a limit on them covers."""

_FEWEST: Final = 10  # repeats below which a spread says nothing


@final
@dataclass(frozen=True, slots=True)
class ResponseTimes:
    """Response times of one response over the repeats, s; the later end of every window counts.

    Attributes:
        step: name of its step.
        response: the signal and what is demanded of it.
        seen_s: what the covered share of these repeats did not exceed; infinite when too many never responded.
        limit_s: limit for the covered share of future repeats, whatever the distribution; None with too few repeats.
        normal_limit_s: the same if the times are normally distributed; None when one is missing.
        risks: what the deadline and this bench's uncertainty mean over a lot of such responses, for normally
            distributed times and errors (JCGM 106:2012, 9.5); None with too few repeats or no spread.
    """

    step: str
    response: str
    seen_s: float
    limit_s: float | None
    normal_limit_s: float | None
    risks: GlobalRisks | None


@final
@dataclass(frozen=True, slots=True)
class RepeatSeries:
    """The repeats of one profile.

    Attributes:
        results: one a repeat, in order.
        sentences: what they prove, in plain words.
        claim: what became of the claim made beforehand; None when none was made.
        times: response times over a fixed number of repeats.
        needed: repeats that a limit on future response times takes.
        broken_off: why there are fewer repeats than planned; empty when there are not.
    """

    results: tuple[RunResult, ...]
    sentences: tuple[str, ...] = ()
    claim: Standing | None = None
    times: tuple[ResponseTimes, ...] = ()
    needed: int = 0
    broken_off: str = ""


@final
@dataclass(frozen=True, slots=True)
class RepeatPlan:
    """How often to repeat, and what for.

    Attributes:
        repeats: how many at most.
        reliability: share of passes that is claimed of the unit, or None when nothing is claimed.
        confidence: of what the repeats prove.
    """

    repeats: int = 1
    reliability: float | None = None
    confidence: float = 0.95


def repeats_for(repeat: int | None, prove_percent: float | None, confidence_percent: float) -> RepeatPlan:
    """Return the plan that command-line options ask for.

    Args:
        repeat: how often at most; None: once, or as often as a claim takes when nothing fails.
        prove_percent: share of passes that is claimed, or None.
        confidence_percent: confidence of what is proved.
    """
    confidence = confidence_percent / 100
    if prove_percent is None:
        return RepeatPlan(repeat or 1, None, confidence)
    reliability = prove_percent / 100
    return RepeatPlan(repeat or success_run_repeats(reliability, confidence), reliability, confidence)


def repeats_of(plan: Plan, confidence_percent: float) -> RepeatPlan:
    """Return how often a plan repeats each profile, and what for; the confidence counts where it has no claim."""
    if plan.claim is None:
        return RepeatPlan(plan.repeats, None, confidence_percent / 100)
    return RepeatPlan(plan.repeats, plan.claim.reliability, plan.claim.confidence)


def run_series(
    run: Callable[[int], RunResult], plan: RepeatPlan, ended: Callable[[], str] = str
) -> RepeatSeries:
    """Run a profile as often as planned, or until the claim is proved or refuted, or nothing more may be run.

    Args:
        run: runs the repeat of a number, from 1.
        plan: how often, and what for.
        ended: says why nothing more may be run; empty while it may.

    Raises:
        VentproofError: not even the first repeat came about.
    """
    claim = None if plan.reliability is None else Claim(plan.reliability, plan.confidence)
    results: list[RunResult] = []
    broken_off = ""
    for number in range(plan.repeats):
        try:
            result = run(number + 1)
        except VentproofError as error:
            if not results:
                raise
            broken_off = str(error)
            break
        results.append(result)
        if number + 1 < plan.repeats and (broken_off := ended()):
            break
        if claim is not None and claim.add(_passed(result)) != "undecided":
            break
    if claim is not None:
        return RepeatSeries(
            tuple(results), (claim.sentence, LAST_WORD), claim.standing, broken_off=broken_off
        )
    if plan.repeats == 1:
        return RepeatSeries(tuple(results))
    return RepeatSeries(
        tuple(results),
        _proved(results, plan.confidence),
        times=_times(results, plan.confidence),
        needed=order_repeats(COVERAGE, plan.confidence),
        broken_off=broken_off,
    )


def _passed(result: RunResult) -> bool | None:
    """Return what a claim counts: an inconclusive repeat is neither a pass nor a fail."""
    return {Verdict.PASS: True, Verdict.FAIL: False}.get(result.outcome.verdict or Verdict.INCONCLUSIVE)


def _proved(results: Sequence[RunResult], confidence: float) -> tuple[str, ...]:
    """Return what a fixed number of repeats proves of the profile as a whole."""
    return summary([_word(r.outcome.verdict) for r in results], confidence=confidence).sentences


def _times(results: Sequence[RunResult], confidence: float) -> tuple[ResponseTimes, ...]:
    """Return what they say of each response that takes a time."""
    rows = []
    for index, finding in enumerate(results[0].findings):
        times = [_window(r, index) for r in results]
        if any(times):
            verdicts = [_word(r.findings[index].verdict) if r.outcome.verdict else None for r in results]
            said = summary(verdicts, times, confidence=confidence, coverage=COVERAGE)
            seen_s = said.quantile_s.latest_s if said.quantile_s else math.inf
            response = f"{finding.signal} {finding.demand}"
            risks = _risks([r.findings[index] for r in results if r.outcome.verdict])
            rows.append(
                ResponseTimes(finding.step_name, response, seen_s, said.limit_s, said.normal_limit_s, risks)
            )
    return tuple(rows)


def _risks(findings: Sequence[Finding]) -> GlobalRisks | None:
    """Return the risks over a lot, the guarded rule refusing what is not surely in time."""
    timed = [(f.response_s, f.slack_s) for f in findings if f.response_s and f.slack_s]
    middles = [(response.earliest_s + response.latest_s) / 2 for response, _ in timed]
    widths = [response.latest_s - response.earliest_s for response, _ in timed]
    if len(timed) < _FEWEST or statistics.stdev(middles) == 0 or max(widths) == 0:
        return None
    response_s, slack_s = timed[0]
    deadline = Limits(upper=response_s.latest_s + slack_s.low)
    half_s = max(widths) / 2
    return global_risks(
        process_mean=statistics.fmean(middles),
        process_sd=statistics.stdev(middles),
        measurement_sd=Rectangular(half_s).standard,
        tolerance=deadline,
        acceptance=guarded(deadline, half_s),
    )


def _word(verdict: str | None) -> str | None:
    return None if verdict is None else str(verdict)


def _window(result: RunResult, index: int) -> Window | None:
    """Return the response time of one finding of a repeat, as the window that holds it; None: it never came."""
    return result.findings[index].response_s if result.outcome.verdict else None
