"""What N repeats of one test prove of the unit: pass rate, success run, response times, in words (pure).

An inconclusive repeat is never a pass. Nor is it dropped, since what made it inconclusive may be what makes the unit
fail: a bound that speaks for the unit counts it as a fail, one that speaks against the unit counts it as a pass. A
repeat that a bench fault left without a verdict counts the same.

Reliability here means the probability that one more repeat, under the same conditions, passes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, Self, final

from ventproof.statistics import tolerance_limits as cover
from ventproof.statistics.distributions import ConfidenceBounds, Side, beta_quantile, require_share
from ventproof.verdict.text import percent, rounded_up
from ventproof_bench.base.evidence import Window

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


Standing = Literal["proved", "refuted", "undecided"]
"""What the evidence says of a claim; `undecided` is no pass."""

LAST_WORD: Final = "This holds for this unit as tested, and if no repeat influenced the next."
"""What every statement about repeats rests on."""

# Rounding must not ask for one repeat more than the exact arithmetic does.
_SLACK = 1e-12


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatCounts:
    """How many repeats ended how."""

    passes: int
    fails: int
    inconclusive: int = 0

    def __post_init__(self) -> None:
        """Refuse impossible values."""
        for name, value in (
            ("passes", self.passes),
            ("fails", self.fails),
            ("inconclusive", self.inconclusive),
        ):
            if value < 0:
                raise ValueError(f"{name}={value!r} must not be negative")

    @classmethod
    def of(cls, verdicts: Iterable[str | None]) -> Self:
        """Count verdicts (`pass`, `fail`, `inconclusive`); None is a repeat without one, after a bench fault.

        Raises:
            ValueError: another word.
        """
        tally = {"pass": 0, "fail": 0, "inconclusive": 0}
        for verdict in verdicts:
            word = "inconclusive" if verdict is None else str(verdict)
            if word not in tally:
                raise ValueError(f"{word!r} is not a verdict; a verdict is pass, fail or inconclusive")
            tally[word] += 1
        return cls(passes=tally["pass"], fails=tally["fail"], inconclusive=tally["inconclusive"])

    @property
    def total(self) -> int:
        """All repeats."""
        return self.passes + self.fails + self.inconclusive


def _check(successes: int, trials: int, confidence: float) -> None:
    require_share("confidence", confidence)
    if trials < 1:
        raise ValueError(f"trials={trials!r} must be at least 1")
    if not 0 <= successes <= trials:
        raise ValueError(f"successes={successes!r} must be from 0 to trials={trials!r}")


def _tail(confidence: float, side: Side) -> float:
    return (1 - confidence) / 2 if side == "two-sided" else 1 - confidence


def clopper_pearson(
    successes: int, trials: int, confidence: float, side: Side = "two-sided"
) -> ConfidenceBounds:
    """Return exact bounds on a probability: their confidence is at least the stated one for every true value.

    Lower is the a-quantile of Beta(x, n - x + 1) (0 for x = 0), upper the (1 - a)-quantile of
    Beta(x + 1, n - x) (1 for x = n), with a = (1 - C) / 2 two-sided and 1 - C one-sided (Clopper and Pearson
    1934).

    Raises:
        ValueError: a count or the confidence is out of range.
    """
    _check(successes, trials, confidence)
    tail = _tail(confidence, side)
    lower, upper = 0.0, 1.0
    if side != "upper" and successes > 0:
        lower = beta_quantile(tail, successes, trials - successes + 1)
    if side != "lower" and successes < trials:
        upper = beta_quantile(1 - tail, successes + 1, trials - successes)
    return ConfidenceBounds(lower, upper)


def pass_rate(counts: RepeatCounts, confidence: float, side: Side = "two-sided") -> ConfidenceBounds:
    """Return exact bounds on the reliability; inconclusive repeats widen them on both sides.

    Raises:
        ValueError: no repeats, or the confidence is out of range.
    """
    lower = clopper_pearson(counts.passes, counts.total, confidence, side).lower
    return ConfidenceBounds(
        lower, clopper_pearson(counts.passes + counts.inconclusive, counts.total, confidence, side).upper
    )


def fail_rate(counts: RepeatCounts, confidence: float) -> ConfidenceBounds:
    """Return exact two-sided bounds on the probability that a repeat fails: the other side of `pass_rate`.

    Raises:
        ValueError: no repeats, or the confidence is out of range.
    """
    passing = pass_rate(counts, confidence)
    return ConfidenceBounds(1 - passing.upper, 1 - passing.lower)


def success_run_repeats(reliability: float, confidence: float) -> int:
    """Return how many repeats, all passed, prove `reliability` with `confidence`: ceil(ln(1 - C) / ln R).

    Binomial with zero failures. The rival formula with a uniform prior needs one repeat fewer and is not
    used: it assumes something of the unit before the first repeat.

    Raises:
        ValueError: a share that is not strictly between 0 and 1.
    """
    require_share("reliability", reliability)
    require_share("confidence", confidence)
    return max(1, math.ceil(math.log1p(-confidence) / math.log(reliability) * (1 - _SLACK)))


def standing(counts: RepeatCounts, reliability: float, confidence: float) -> Standing:
    """Return whether a series of a length fixed beforehand proves or refutes `reliability`.

    Proved: the one-sided exact lower bound reaches it, so a unit below it is passed with probability <= 1
    minus C. Refuted: the one-sided upper bound stays below it, so a unit at or above it is failed with as
    small a probability. To look after each repeat and stop, use `ventproof.statistics.sequential`: peeking at this
    rule breaks both promises.

    Raises:
        ValueError: no repeats, or a share that is not strictly between 0 and 1.
    """
    require_share("reliability", reliability)
    if pass_rate(counts, confidence, "lower").lower >= reliability * (1 - _SLACK):
        return "proved"
    return "refuted" if pass_rate(counts, confidence, "upper").upper < reliability else "undecided"


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What the repeats say; `sentences` says it in words for the record.

    Attributes:
        counts: how the repeats ended.
        confidence: of every bound below.
        reliability: exact one-sided lower bound on the probability that a repeat passes.
        standing: what became of the reliability claimed beforehand, or None when none was.
        quantile_s: the time that the share to cover of these repeats did not exceed, or None without response
            times.
        limit_s: distribution-free upper tolerance limit, or None when there are too few repeats; may be
            infinite.
        normal_limit_s: the same if the times are normally distributed, or None when a time is missing.
        sentences: plain English, in order.
    """

    counts: RepeatCounts
    confidence: float
    reliability: float
    standing: Standing | None
    quantile_s: Window | None
    limit_s: float | None
    normal_limit_s: float | None
    sentences: tuple[str, ...]


def summary(
    verdicts: Sequence[str | None],
    times: Sequence[Window | None] | None = None,
    *,
    confidence: float = 0.95,
    reliability: float | None = None,
    coverage: float = 0.95,
) -> Summary:
    """Return what the repeats of one test prove, their number having been fixed beforehand.

    Args:
        verdicts: one a repeat; None where a bench fault left it without one.
        times: one a repeat, from stimulus to response; None where there is none. Such a repeat counts as a
            response that never came, since leaving out the slow ones would flatter the unit. No list at all:
            the test has no response time.
        confidence: of every bound, strictly between 0 and 1.
        reliability: a claim fixed beforehand, or None.
        coverage: share of future response times to cover.

    Raises:
        ValueError: no repeats, as many times as verdicts are not given, or a share is out of range.
    """
    counts = RepeatCounts.of(verdicts)
    if times is not None and len(times) != len(verdicts):
        raise ValueError(
            f"{len(times)} response times for {len(verdicts)} repeats; give one (or None) for each"
        )
    lower = pass_rate(counts, confidence, "lower").lower
    claim = None if reliability is None else standing(counts, reliability, confidence)
    windows = [t or Window(0.0, math.inf) for t in times or ()]
    free = cover.order_limits(windows, coverage, confidence)
    normal = cover.normal_limits(windows, coverage, confidence)
    seen = cover.quantile(windows, coverage) if windows else None
    limit_s = free.upper if free else None
    sentences = [_counted(counts), _proved(counts, lower, confidence)]
    if reliability is not None and claim is not None:
        sentences.append(_claimed(counts, claim, reliability, confidence))
    if seen is not None:
        sentences += _timed(seen, limit_s, coverage, confidence)
    return Summary(
        counts=counts,
        confidence=confidence,
        reliability=lower,
        standing=claim,
        quantile_s=seen,
        limit_s=limit_s,
        normal_limit_s=normal.upper if normal else None,
        sentences=(*sentences, LAST_WORD),
    )


def _floored(share: float) -> str:
    """Show a lower bound, rounded down: a record must not promise more than was proved."""
    return f"{math.floor(share * 1000 + _SLACK) / 10:.1f} %"


def _counted(counts: RepeatCounts) -> str:
    text = f"Of {counts.total} repeats {counts.passes} passed, {counts.fails} failed"
    return f"{text} and {counts.inconclusive} could not be decided."


def _proved(counts: RepeatCounts, lower: float, confidence: float) -> str:
    sure = percent(confidence)
    text = f"With {sure} confidence at least {_floored(lower)} of such repeats pass (exact bound)"
    return text + ("; the undecided ones were counted as not passed." if counts.inconclusive else ".")


def _claimed(counts: RepeatCounts, claim: Standing, reliability: float, confidence: float) -> str:
    sure = percent(confidence)
    text = f"The claim that at least {percent(reliability)} pass, at {sure} confidence, is {claim}"
    if claim != "undecided":
        return f"{text}."
    needed = success_run_repeats(reliability, confidence)
    if counts.passes == counts.total:
        return f"{text}: it takes {needed} repeats without a fail."
    text += ": too few passed to prove it and too many to refute it"
    return f"{text}; a new series of {needed} must all pass."


def _timed(seen: Window, limit_s: float | None, coverage: float, confidence: float) -> list[str]:
    share = percent(coverage)
    if math.isinf(seen.latest_s):
        first = f"More than {percent(1 - coverage)} of the repeats have no known response time."
    else:
        first = f"At least {share} of these repeats responded within {rounded_up(seen.latest_s, 3)} s."
    if limit_s is None:
        needed = cover.order_repeats(coverage, confidence)
        return [first, f"A limit for {share} of future repeats takes at least {needed} repeats."]
    if math.isinf(limit_s):
        return [first, f"Too many response times are unknown to state a limit for {share} of future repeats."]
    second = f"With {percent(confidence)} confidence {share} of such repeats respond within"
    return [first, f"{second} {rounded_up(limit_s, 3)} s, whatever the distribution of the times."]
