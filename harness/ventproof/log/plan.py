"""What was to be run, and which run of it a log holds; the whole is counted from that (pure)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, final

MOST_RUNS: Final = 1_000_000
"""No plan has more."""

Whole = Literal["campaign", "rack"]
"""What has several plans."""

ORDER: Final = "profile by profile"
"""The one order there is: all repeats of a profile follow each other, and profiles follow as they are listed."""


@final
@dataclass(frozen=True, slots=True)
class PlannedProfile:
    """A profile of a plan: its name, and the SHA-256 of its text."""

    name: str
    sha256: str


@final
@dataclass(frozen=True, slots=True)
class PlannedClaim:
    """What repeats were to prove; a profile is repeated no further once that is proved or refuted.

    Attributes:
        reliability: share of passes, 0 to 1.
        confidence: of the proof, 0 to 1.
    """

    reliability: float
    confidence: float


@final
@dataclass(frozen=True, slots=True)
class PlanPart:
    """That a plan is one of several which belong together, so that none can be taken away unseen.

    Attributes:
        whole: what they are together.
        name: of the campaign or the rack.
        plans: how many it has: a rack one for each place.
        id: which one of that name it is; of a campaign the SHA-256 of its plans.
    """

    whole: Whole
    name: str
    plans: int
    id: str


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What one command was to run. A single run is a plan of one.

    Attributes:
        profiles: in the order in which they were to be run.
        bench_sha256: digest of the bench file's text.
        started: date and time in ISO 8601, which tells two equal plans apart; None in virtual time.
        unit: serial number of the unit under test, as stated.
        firmware: its firmware version, likewise.
        repeats: how often each profile was to be run, at most where there is a claim.
        seed: of each profile's first run; every repeat has one more.
        claim: what the repeats were to prove; None: each was to be made.
        part: of what it is a part; None: it stands alone.
    """

    profiles: tuple[PlannedProfile, ...]
    bench_sha256: str = ""
    started: str | None = None
    unit: str = ""
    firmware: str = ""
    repeats: int = 1
    seed: int = 0
    claim: PlannedClaim | None = None
    part: PlanPart | None = None

    @property
    def runs(self) -> int:
        """How many runs it has."""
        return len(self.profiles) * self.repeats

    @property
    def places(self) -> Iterator[PlannedRun]:
        """Yield its runs in order."""
        return (PlannedRun(self, run) for run in range(1, self.runs + 1))

    @property
    def fields(self) -> Mapping[str, object]:
        """It as JSON holds it."""
        claim, part = self.claim, self.part
        return {
            "started": self.started,
            "unit": self.unit,
            "firmware": self.firmware,
            "bench_sha256": self.bench_sha256,
            "profiles": [{"name": one.name, "sha256": one.sha256} for one in self.profiles],
            "repeats": self.repeats,
            "order": ORDER,
            "seed": self.seed,
            "claim": claim and {"reliability": claim.reliability, "confidence": claim.confidence},
            **({"part_of": {part.whole: part.name, "plans": part.plans, "id": part.id}} if part else {}),
        }

    @property
    def sha256(self) -> str:
        """Its digest: of its JSON with sorted keys, without blanks, in ASCII."""
        return hashlib.sha256(
            json.dumps(self.fields, sort_keys=True, separators=(",", ":")).encode()
        ).hexdigest()

    @property
    def code(self) -> str:
        """The first digits of its digest, to tell plans apart by."""
        return self.sha256[:8]

    def is_same_work(self, other: Plan) -> bool:
        """Return whether another plan is this one, begun at another time."""
        return replace(self, started=other.started, part=other.part) == other


def campaign_of(name: str, plans: Sequence[Plan]) -> PlanPart:
    """Return what each plan of a campaign is a part of.

    Args:
        name: of the campaign.
        plans: all that it has, in order; of what they say that they are a part of does not count.
    """
    every = "".join(replace(plan, part=None).sha256 for plan in plans)
    return PlanPart("campaign", name, len(plans), hashlib.sha256(every.encode()).hexdigest())


@final
@dataclass(frozen=True, slots=True)
class Attempt:
    """A run that was aborted and made again: the name of its log, and the digest of that log's last intact line."""

    log: str
    digest: str


@final
@dataclass(frozen=True, slots=True)
class PlannedRun:
    """One run of a plan.

    Attributes:
        plan: the plan.
        run: which run of it, from 1.
        earlier: the attempts at this run that were aborted before, in order.
    """

    plan: Plan
    run: int
    earlier: tuple[Attempt, ...] = ()

    @property
    def profile(self) -> PlannedProfile:
        """The profile that is run."""
        return self.plan.profiles[(self.run - 1) // self.plan.repeats]

    @property
    def repeat(self) -> int:
        """Which repeat of it this is, from 1."""
        return (self.run - 1) % self.plan.repeats + 1

    @property
    def seed(self) -> int:
        """The seed of this run."""
        return self.plan.seed + self.repeat - 1

    def __str__(self) -> str:
        """Say what is run: `rain closes the vents, repeat 2 of 3`."""
        of = self.plan.repeats
        return f"{self.profile.name}, repeat {self.repeat} of {of}" if of > 1 else self.profile.name
