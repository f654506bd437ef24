"""Repeats that stop as soon as they prove or refute a claim, with error rates that hold at every stop (pure).

A claim (R, C) is "a repeat passes with probability p of at least R", and its two answers mean what they say:

- proved: a unit with p < R is called proved with probability at most 1 - C, however long the series runs;
- refuted: a unit with p >= R is called refuted with probability at most 1 - C, however long the series runs;
- undecided: neither. A unit with p close to R may stay undecided for ever; that is no pass.

One ratio test with both its errors at the same R cannot give both promises, and Wald's usual remedy, an
indifference zone below or above R, breaks one of them inside the zone. So a claim runs two of Wald's tests
side by side, each with one boundary only, and both with R as the side that must not be wronged. Each
likelihood ratio is a non-negative supermartingale there, so by Ville's inequality it ever reaches 1 / (1 - C)
with probability at most 1 - C: not an approximation, and no matter when somebody stops.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, final

from ventproof.statistics.distributions import require_share
from ventproof.verdict.text import percent

if TYPE_CHECKING:
    from ventproof.statistics.repeats import Standing


# Logarithms that should be equal may differ by rounding; 1e-12 changes an error rate by no more than that.
_SLACK = 1e-12


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class WaldTest:
    """Wald's sequential probability ratio test of a pass probability (Wald 1947; NIST/SEMATECH 6.2.6).

    Attributes:
        good: pass probability that should be accepted, up to 1. Here 1 makes any fail end all hope of
            acceptance.
        poor: pass probability that should be rejected, more than 0 and less than `good`.
        false_reject: alpha, risk of rejecting at `good`; 0 never rejects.
        false_accept: beta, risk of accepting at `poor`; 0 never accepts.

    With both risks positive Wald's boundaries keep alpha + beta, and each only up to alpha / (1 - beta) and
    beta / (1 - alpha). With the other one zero, the risk that remains is kept exactly or better.

    Raises:
        ValueError: a value is out of range.
    """

    good: float
    poor: float
    false_reject: float
    false_accept: float

    def __post_init__(self) -> None:
        """Refuse impossible values."""
        if not 0 < self.poor < self.good <= 1:
            raise ValueError(f"poor={self.poor!r} and good={self.good!r} must keep 0 < poor < good <= 1")
        for name, value in (("false_reject", self.false_reject), ("false_accept", self.false_accept)):
            if not 0 <= value < 1:
                raise ValueError(f"{name}={value!r} must be at least 0 and less than 1")
        if not 0 < self.false_reject + self.false_accept < 1:
            raise ValueError(
                f"false_reject={self.false_reject!r} and false_accept={self.false_accept!r} must add up to "
                "more than 0 and less than 1"
            )

    @property
    def step_pass(self) -> float:
        """What a pass adds to the log likelihood ratio of good over poor: ln(good / poor) > 0."""
        return math.log(self.good / self.poor)

    @property
    def step_fail(self) -> float:
        """What a fail adds: ln((1 - good) / (1 - poor)) < 0."""
        return math.log((1 - self.good) / (1 - self.poor)) if self.good < 1 else -math.inf

    @property
    def accept_at(self) -> float:
        """Accept when the log likelihood ratio reaches ln((1 - alpha) / beta)."""
        return math.log((1 - self.false_reject) / self.false_accept) if self.false_accept else math.inf

    @property
    def reject_at(self) -> float:
        """Reject when it falls to ln(alpha / (1 - beta))."""
        return math.log(self.false_reject / (1 - self.false_accept)) if self.false_reject else -math.inf

    def log_ratio(self, passes: int, fails: int) -> float:
        """Return the log likelihood ratio of good over poor."""
        return passes * self.step_pass + (fails * self.step_fail if fails else 0.0)

    def accepts(self, passes: int, fails: int) -> bool:
        """Return whether these counts lie on or beyond the acceptance boundary."""
        return self.log_ratio(passes, fails) >= self.accept_at - _SLACK

    def rejects(self, passes: int, fails: int) -> bool:
        """Return whether these counts lie on or beyond the rejection boundary."""
        return self.log_ratio(passes, fails) <= self.reject_at + _SLACK


@final
@dataclass(slots=True)
class Claim:
    """A claim about a unit, decided repeat by repeat; the module's docstring says what its answers mean.

    Attributes:
        reliability: R, the pass probability that is claimed, strictly between 0 and 1.
        confidence: C, strictly between 0 and 1.
        expected: pass probability of a good unit, more than R; sets only how fast the proof comes. 1
            (default) is the success run, the fastest: n = ceil(ln(1 - C) / ln R) passes prove, one fail and
            it can never be proved. Less than 1 takes more passes and forgives some fails.
        suspected: pass probability of a bad unit, less than R; sets only how fast it is refuted. By default
            the one with four times the odds of failure.
        passes: repeats that passed.
        fails: repeats that failed.
        inconclusive: repeats that could not be decided, or that a bench fault left without a verdict.

    Raises:
        ValueError: a value is out of range.
    """

    reliability: float
    confidence: float
    expected: float = 1.0
    suspected: float | None = None
    passes: int = field(default=0, init=False)
    fails: int = field(default=0, init=False)
    inconclusive: int = field(default=0, init=False)
    _proof: WaldTest = field(init=False, repr=False)
    _refutation: WaldTest = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Set up the two tests."""
        require_share("reliability", self.reliability)
        require_share("confidence", self.confidence)
        r = self.reliability
        if not r < self.expected <= 1:
            raise ValueError(f"expected={self.expected!r} must be more than reliability={r!r} and at most 1")
        bad = r / (r + 4 * (1 - r)) if self.suspected is None else self.suspected
        if not 0 < bad < r:
            raise ValueError(f"suspected={bad!r} must be more than 0 and less than reliability={r!r}")
        risk = 1 - self.confidence
        self._proof = WaldTest(good=self.expected, poor=r, false_reject=0.0, false_accept=risk)
        self._refutation = WaldTest(good=r, poor=bad, false_reject=risk, false_accept=0.0)

    @property
    def standing(self) -> Standing:
        """The answer so far. For the proof an inconclusive repeat is a fail, for the refutation a pass.

        Both readings only hold a likelihood ratio back, so the promises stand whatever those repeats really
        were.
        """
        return self._answer(self.passes, self.fails, self.inconclusive)

    def _answer(self, passes: int, fails: int, inconclusive: int) -> Standing:
        if self._proof.accepts(passes, fails + inconclusive):
            return "proved"
        return "refuted" if self._refutation.rejects(passes + inconclusive, fails) else "undecided"

    def add(self, passed: bool | None) -> Standing:  # noqa: FBT001 - the one thing that there is to say of a repeat
        """Take in one more repeat and return the answer: True passed, False failed, None inconclusive.

        Raises:
            ValueError: the claim is decided already. The answer belongs to the moment it was reached; what
                comes later is a new series. Or `passed` is something else, such as a verdict.
        """
        if self.standing != "undecided":
            done = self.passes + self.fails + self.inconclusive
            raise ValueError(
                f"the claim is {self.standing} after {done} repeats; start a new claim for more repeats"
            )
        if passed is True:
            self.passes += 1
        elif passed is False:
            self.fails += 1
        elif passed is None:
            self.inconclusive += 1
        else:  # a verdict's name is true whatever it says: it must never count as a pass
            raise ValueError(f"passed={passed!r} must be True, False or None")
        return self.standing

    @property
    def sentence(self) -> str:
        """The answer in words, for the record."""
        claimed = f"at least {percent(self.reliability)} of such repeats pass"
        tally = f"{self.passes} passed, {self.fails} failed, {self.inconclusive} could not be decided"
        sure = f"at {percent(self.confidence)} confidence"
        text = f"The claim that {claimed}, {sure}, is {self.standing}: {tally}"
        if self.standing != "undecided":
            return f"{text}."
        needed = self.passes_needed
        if needed is None:
            return f"{text}; this series can no longer prove it."
        return f"{text}; {needed} more without a fail would prove it."

    @property
    def passes_needed(self) -> int | None:
        """How many more passes, without a fail, prove the claim; None when nothing can any more."""
        lost = self.fails + self.inconclusive
        # With `expected` at 1 a single fail puts the ratio at minus infinity: no number of passes mends it.
        missing = self._proof.accept_at - self._proof.log_ratio(self.passes, lost)
        if math.isinf(missing):
            return None
        # With slack, as `accepts` has it: rounding must not ask for one pass too many.
        return max(0, math.ceil(missing / self._proof.step_pass - _SLACK))
