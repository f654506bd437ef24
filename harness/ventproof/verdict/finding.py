"""What is said of a demand and of a run: verdicts, rulings, findings, and why there is no verdict (pure)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple, final

if TYPE_CHECKING:
    from ventproof_bench.base.evidence import Window


class Verdict(StrEnum):
    """Pass: true of all that the evidence allows. Fail: of none of it. Inconclusive: of some of it."""

    PASS = "pass"  # noqa: S105 - a verdict, no password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"


WORST_FIRST: Final = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS)


class Status(StrEnum):
    """How a response ended; one that was not run is inconclusive to the verdict of its run."""

    PASS = "pass"  # noqa: S105 - a status, no password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_RUN = "not run"


class NotRun(StrEnum):
    """Why a response was not run: its step never began, the run broke off or could not go on, no stimulus came."""

    EARLIER_STEP = "earlier_step"
    ABORTED = "aborted"
    NEVER_APPLIED = "never_applied"
    LOST = "lost"

    @property
    def text(self) -> str:
        """The reason, for people."""
        return {
            NotRun.EARLIER_STEP: "not run: an earlier step did not pass",
            NotRun.ABORTED: "not run: the run was aborted before",
            NotRun.LOST: "not run: the bench lost hold of its stimuli before",
            NotRun.NEVER_APPLIED: "its stimulus was never applied",
        }[self]


class Rule(StrEnum):
    """How readings are judged: with their whole uncertainty, or as they stand."""

    GUARDED = "guarded"
    SIMPLE = "simple"


EXIT_PASS: Final = 0
EXIT_FAIL: Final = 1
EXIT_INCONCLUSIVE: Final = 2
EXIT_INPUT: Final = 3
EXIT_BENCH: Final = 4
EXIT_ACCEPTED: Final = 5
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


class Cause(StrEnum):
    """What an evidence shows that fails a demand, or meets it."""

    NEVER_THERE = "never there"
    LEFT_AGAIN = "left again"
    NOT_KEPT = "not kept"
    CAME_EARLY = "came early"
    THERE_EARLY = "there early"
    EARLY_OR_LATE = "early or late"
    OUT_OF_LIMITS = "out of limits"
    MOVED_TOO_LITTLE = "moved too little"
    MOVED_TOO_FAR = "moved too far"
    NOT_ARRIVED = "not arrived"
    WRONG_RATE = "wrong rate"
    WRONG_VALUE = "wrong value"
    WRONG_COUNT = "wrong count"


@final
@dataclass(frozen=True, slots=True)
class Witness:
    """What fails a demand.

    Attributes:
        cause: what was wrong.
        value: bounds of what was observed, in the signal's unit: where it was at `at_s`, or how far it moved
            (`MOVED_…`), its rate, or by how much it counted; None where nothing bounds it.
        at_s: loop time of it; a movement: by when; None where no one moment shows it.
        before_s: loop time of what came before it: it was in the band (`LEFT_AGAIN`), or outside (`CAME_EARLY`).
    """

    cause: Cause
    value: Bounds | None = None
    at_s: float | None = None
    before_s: float | None = None


class Miss(NamedTuple):
    """By how much a demand failed, so that whoever reads what was observed can check the subtraction.

    Attributes:
        observed: what was observed, as the reason of the verdict says it; infinite at an end that nothing bounds.
        limit: what it is measured against: an edge of what was required, in the same unit.
        unit: of both, as it follows a number; empty for a count.
        words: which way it missed: `too high`, `too few`.
        decimals: with how many both are said.
    """

    observed: Bounds
    limit: float
    unit: str
    words: str
    decimals: int = 2

    @property
    def near(self) -> float:
        """The end of what was observed that is nearest to the limit."""
        return self.observed.low if self.observed.low > self.limit else self.observed.high

    @property
    def by(self) -> float:
        """How far the nearest that was possible lies from the limit, between the two as they are said."""
        return abs(round(self.near, self.decimals) - round(self.limit, self.decimals))

    @property
    def exact(self) -> bool:
        """Whether it missed by just so much, and not by more."""
        return self.observed.low == self.observed.high


@final
@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict on one formula with its reasons.

    Attributes:
        verdict: pass, fail or inconclusive.
        why: one plain sentence; for inconclusive also what would decide it.
        margin: worst and best robustness over everything that the evidence up to the decision allows, in the signal's
            unit; negative is violated. None where the formula has none or nothing bounds it.
        slack_s: seconds left before the limit, worst and best; negative is too late. None where no time was bounded.
        response_s: earliest and latest possible response after the stimulus, seconds; None when there was none for
            certain or the formula has none.
        seen: lowest and highest value that the evidence allows in the judged span; None when nothing bounds it.
        witness: what of the evidence fails it; None unless it fails.
        hollow: whether what was demanded holds, and shows nothing: for all that is known it was so before.
        wrong: what went wrong, in words that are the same in every profile; empty where its kind says as much.
        miss: by how much it failed; None unless it fails, and where no one number says it.
    """

    verdict: Verdict
    why: str
    margin: Bounds | None = None
    slack_s: Bounds | None = None
    response_s: Bounds | None = None
    seen: Bounds | None = None
    witness: Witness | None = None
    hollow: bool = False
    wrong: str = ""
    miss: Miss | None = None


def undecided(why: str) -> Ruling:
    """Return the ruling for a response that nothing could decide."""
    return Ruling(Verdict.INCONCLUSIVE, why)


Key = tuple[int | None, int, str]
"""Step, number and signal of a response: what tells it from the others of its run."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One response of a run, and what was found.

    Attributes:
        step: number of its step, the start state being 0; None for an `always`.
        step_name: what the profile calls the step.
        number: 0-based place among the responses of its step.
        signal: the signal, as the profile names it.
        unit: the signal's unit; `flag`, `state` or `count` where it has none.
        kind: the profile's word for the kind of response (`reaches`, `stays_at_least`, …), `always` for an invariant;
            empty in logs that do not tell.
        demand: what was demanded, as one line.
        status: how it ended.
        not_run: why it was not run; None unless that is its status.
        why: the reason for its status.
        margin: worst and best margin that the evidence allows, in the signal's unit (`moves_at`: per second).
        slack_s: seconds left before the limit, worst and best.
        response_s: the window that holds the response time, s after the stimulus; None when it did not surely respond.
        seen: lowest and highest value that the evidence allows while it was judged, in the signal's unit.
        stood: the signal's last reading in its step, in its unit; None when there is none, for an `always`, and where
            nobody looked at the readings.
        conformance: probability that the demand was met, equal weights for all values that the readings allow.
        proves: what the profile says that it proves.
        hollow: whether what was demanded holds, and shows nothing: for all that is known it was so before its stimulus;
            inconclusive, or a pass where the profile says that this is enough.
        wrong: as in its ruling; empty where nobody judged the evidence. No log holds it.
        miss: as in its ruling, and as `wrong`.
    """

    step: int | None
    step_name: str
    number: int
    signal: str
    unit: str
    kind: str
    demand: str
    status: Status
    not_run: NotRun | None = None
    why: str
    margin: Bounds | None
    slack_s: Bounds | None
    response_s: Window | None
    seen: Bounds | None
    stood: float | None = None
    conformance: float | None
    proves: str
    hollow: bool = False
    wrong: str = field(default="", compare=False)
    miss: Miss | None = field(default=None, compare=False)

    @property
    def verdict(self) -> Verdict:
        """What it counts as in the verdict of its run."""
        return Verdict.INCONCLUSIVE if self.status is Status.NOT_RUN else Verdict(self.status)

    @property
    def skipped(self) -> bool:
        """Whether the run never came to it, so that nothing of its own can be told."""
        return self.not_run in {NotRun.EARLIER_STEP, NotRun.ABORTED, NotRun.LOST}

    @property
    def explained(self) -> bool:
        """Whether a reader must be told its reason: it did not pass, or passed and shows nothing."""
        return self.status is not Status.PASS or self.hollow

    @property
    def shows(self) -> bool:
        """Whether it shows anything: it is not hollow, and what is inconclusive has readings behind it."""
        evident = self.verdict is not Verdict.INCONCLUSIVE or any((self.margin, self.response_s, self.seen))
        return evident and not self.hollow

    @property
    def key(self) -> Key:
        """What tells it from the other responses of its run."""
        return self.step, self.number, self.signal

    @property
    def identity(self) -> tuple[str, str, str, int]:
        """What makes it the same response in another run of the profile: step, signal, kind, place."""
        return self.step_name, self.signal, self.kind, self.number
