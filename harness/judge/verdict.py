"""What the judge says: verdicts and findings (pure)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple, final


class Verdict(StrEnum):
    """Pass: true of all that the evidence allows. Fail: of none of it. Inconclusive: of some of it."""

    PASS = "pass"  # noqa: S105 - a verdict, no password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"


class Rule(StrEnum):
    """How readings are judged: with their whole uncertainty, or as they stand."""

    GUARDED = "guarded"
    SIMPLE = "simple"


EXIT_PASS: Final = 0
EXIT_FAIL: Final = 1
EXIT_INCONCLUSIVE: Final = 2
EXIT_INPUT: Final = 3
EXIT_BENCH: Final = 4
EXIT_INTERRUPTED: Final = 130


def code_of(verdicts: Iterable[Verdict | None]) -> int:
    """Return the exit code for a set of runs: no verdict (the bench's failure) first, then fail, then inconclusive."""
    found = set(verdicts)
    if None in found:
        return EXIT_BENCH
    if Verdict.FAIL in found:
        return EXIT_FAIL
    return EXIT_INCONCLUSIVE if Verdict.INCONCLUSIVE in found else EXIT_PASS


class Bounds(NamedTuple):
    """The least and the greatest value that the evidence allows."""

    low: float
    high: float


@final
@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict with its reasons.

    Attributes:
        verdict: pass, fail or inconclusive.
        why: one plain sentence; for inconclusive also what would decide it.
        margin: worst and best robustness over everything that the evidence up to the decision allows, in the signal's
            unit; negative is violated. None where the formula has none or nothing bounds it.
        slack: seconds left before the limit, worst and best; negative is too late. None where no time was bounded.
        response_s: earliest and latest possible response after the stimulus, seconds; None when there was none for
            certain or the formula has none.
        seen: lowest and highest value that the evidence allows in the judged span; None when nothing bounds it.
    """

    verdict: Verdict
    why: str
    margin: Bounds | None = None
    slack: Bounds | None = None
    response_s: Bounds | None = None
    seen: Bounds | None = None
