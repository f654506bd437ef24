"""Comparisons and trends as JSON for other programs. The models here are the published formats."""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

from pydantic import Field

from ventproof.compare.causes import cause_of_outcome
from ventproof.compare.comparison import closing
from ventproof.compare.trend import cause_of_newest, conclusion, standing_of_newest
from ventproof.compare.words import became
from ventproof.export.results import MockFault, PublishedPart, encodable, mock_faults, published_schema

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ventproof.compare.comparison import Comparison
    from ventproof.compare.flips import Flip, FlipSide
    from ventproof.compare.measures import Compared
    from ventproof.compare.side import Side
    from ventproof.compare.trend import FirmwareTrend
    from ventproof.log.run import RunRecord
    from ventproof_bench.mock.faults.fault import GivenFault


Became = Literal["worse", "better", "inconclusive", "same"]
Ended = Literal["pass", "fail", "inconclusive", "aborted"]
Pair = tuple[float, float]
Count = Annotated[int, Field(ge=0)]


class ComparedSide(PublishedPart):
    """The runs of one side."""

    name: str
    """The side, as it was named."""
    firmware: tuple[str, ...]
    """Its firmware versions; `not stated` where there is none."""
    unit: tuple[str, ...]
    """Serial numbers of its units."""
    bench: tuple[str, ...]
    """Names of its bench files."""
    runs: Count
    """Number of its runs."""
    faults: tuple[MockFault, ...]
    """Faults that the mock unit had in at least one of them."""


class VerdictsOfSide(PublishedPart):
    """What the runs of one side found of a response."""

    verdicts: str
    """Verdicts of all runs."""
    worst: Ended
    """The worst of them."""
    observed: str
    """What that run observed, and the limit; empty where there is nothing to say."""


class ChangedVerdict(PublishedPart):
    """A verdict that is not the same on both sides."""

    profile: str
    """The profile."""
    step: str
    """The step of the response; empty for the run as a whole."""
    response: str
    """The signal and its requirement; empty for the run as a whole."""
    became: Became
    """What the change means."""
    cause: str
    """What was wrong, in few words that are the same in each profile."""
    base: VerdictsOfSide
    """The base."""
    candidate: VerdictsOfSide
    """The candidate."""


class OnOneSide(PublishedPart):
    """A profile or a response that only one side has."""

    profile: str
    """The profile."""
    step: str
    """The step of the response; empty for the profile as a whole."""
    response: str
    """The signal and its requirement; empty for the profile as a whole."""
    side: Literal["base", "candidate"]
    """The side that has it."""
    verdicts: str
    """Verdicts of its runs."""
    reason: str
    """Why the other side does not have it."""


class Difference(PublishedPart):
    """One measured value of one response, on both sides."""

    profile: str
    """The profile."""
    step: str
    """The step of the response."""
    signal: str
    """The signal."""
    requirement: str
    """The requirement, in one line."""
    measure: Literal["time", "position", "margin"]
    """What was measured: response time, position, or margin to the limit."""
    unit: str
    """The unit of all values here."""
    base: Pair
    """The least and the greatest value of the base."""
    candidate: Pair
    """The least and the greatest value of the candidate."""
    difference: float
    """Candidate minus base, of the means."""
    interval: Pair | None
    """The interval of the difference; null where it has no bounds."""
    limit: float
    """The largest difference that still counts as equal."""
    runs: tuple[Count, Count]
    """Number of values of the base and of the candidate."""
    p: float | None
    """Probability of so great a difference within the limit, adjusted; null with one run each."""
    became: Became
    """What the difference means."""


class ComparisonResult(PublishedPart):
    """A comparison of two firmware versions."""

    format: Literal["ventproof comparison"] = "ventproof comparison"
    """What this is."""
    version: Literal[1] = 1
    """Version of this format. It rises when something that a reader may rely on changes; additions come without."""
    outcome: Became
    """`worse` if anything is worse, `inconclusive` if anything is inconclusive, otherwise `same`."""
    conclusion: str
    """The same in a sentence."""
    cause: str
    """What explains the outcome; empty where nothing is worse."""
    faults: tuple[str, ...]
    """Faults of the mock unit, in sentences."""
    notes: tuple[str, ...]
    """What else is different between the sides, in sentences."""
    base: ComparedSide
    """The base."""
    candidate: ComparedSide
    """The candidate."""
    confidence: float
    """The confidence level of all intervals."""
    changed_verdicts: tuple[ChangedVerdict, ...]
    """Verdicts that are not the same on both sides."""
    one_side_only: tuple[OnOneSide, ...]
    """What only one side has."""
    differences: tuple[Difference, ...]
    """All measured values, also those within their limits."""
    never_passing: Count
    """Number of responses that do not always pass on either side."""


class VersionOfTrend(PublishedPart):
    """The runs of one firmware version."""

    firmware: str
    """The version; empty when not stated."""
    runs: Count
    """Number of its runs."""
    verdicts: dict[Ended, Count]
    """Number of runs by verdict."""
    faults: tuple[MockFault, ...]
    """Faults that the mock unit had in at least one of them."""


class ChangeOfTrend(PublishedPart):
    """A version from which on a response is not the same as before."""

    firmware: str
    """The first version of the change."""
    before: tuple[str, ...]
    """The versions before, which are the base of the difference."""
    since: tuple[str, ...]
    """The versions since then."""
    difference: Difference
    """The difference."""


class TrendResult(PublishedPart):
    """Responses over firmware versions."""

    format: Literal["ventproof trend"] = "ventproof trend"
    """What this is."""
    version: Literal[1] = 1
    """Version of this format. It rises when something that a reader may rely on changes; additions come without."""
    newest: str
    """The newest version."""
    outcome: Literal["fail", "aborted", "flaky", "worse", "inconclusive", "same"]
    """How the newest version stands."""
    conclusion: str
    """The same in a sentence."""
    cause: str
    """What explains it; empty where there is nothing to explain."""
    faults: tuple[str, ...]
    """Faults of the mock unit, in sentences."""
    notes: tuple[str, ...]
    """What else is different between the runs, in sentences."""
    versions: tuple[VersionOfTrend, ...]
    """The versions, the oldest first."""
    changed_verdicts: tuple[ChangedVerdict, ...]
    """Verdicts of the newest version (`candidate`) that are not those of the version before it (`base`)."""
    changes: tuple[ChangeOfTrend, ...]
    """Differences beyond their limits, and inconclusive ones."""


def json_of(found: Comparison) -> str:
    """Return a comparison as a JSON document of the published format."""
    return _document(
        _made(
            ComparisonResult,
            outcome=became(found.outcome),
            conclusion=closing(found),
            cause=cause_of_outcome(found),
            faults=found.faults,
            notes=found.alarms,
            base=_side(found.base),
            candidate=_side(found.candidate),
            confidence=found.confidence,
            changed_verdicts=tuple(map(_changed, found.flips)),
            one_side_only=tuple(
                _made(
                    OnOneSide,
                    profile=one.profile,
                    step=one.step,
                    response=one.demand,
                    side=one.side,
                    verdicts=one.verdicts,
                    reason=one.why,
                )
                for one in found.lone
            ),
            differences=tuple(map(_difference, found.shifts)),
            never_passing=found.never_passing,
        )
    )


def json_of_trend(found: FirmwareTrend) -> str:
    """Return a trend as a JSON document of the published format."""
    return _document(
        _made(
            TrendResult,
            newest=found.newest,
            outcome=became(standing_of_newest(found)),
            conclusion=conclusion(found),
            cause=cause_of_newest(found),
            faults=found.faults,
            notes=found.alarms,
            versions=tuple(_version(name, runs) for name, runs in found.versions.items()),
            changed_verdicts=tuple(map(_changed, found.flips)),
            changes=tuple(
                _made(
                    ChangeOfTrend,
                    firmware=change.firmware,
                    before=change.before,
                    since=change.since,
                    difference=_difference(change.compared),
                )
                for change in found.changes
            ),
        )
    )


def schema_of_comparison() -> dict[str, Any]:
    """Return the published JSON Schema of a comparison (draft 2020-12)."""
    return published_schema(ComparisonResult, "ventproof comparison")


def schema_of_trend() -> dict[str, Any]:
    """Return the published JSON Schema of a trend (draft 2020-12)."""
    return published_schema(TrendResult, "ventproof trend")


_P = TypeVar("_P", bound=PublishedPart)


def _made(part: type[_P], **fields: object) -> _P:
    """Return a part of a format; texts that come from files are made such that JSON can hold them."""
    return part.model_validate({name: _encodable(value) for name, value in fields.items()})


def _encodable(value: object) -> object:
    return tuple(map(encodable, value)) if isinstance(value, tuple) else encodable(value)


def _document(made: PublishedPart) -> str:
    return made.model_dump_json(indent=2) + "\n"


def _side(side: Side) -> ComparedSide:
    return _made(
        ComparedSide,
        name=side.name,
        firmware=side.told("firmware"),
        unit=side.told("unit"),
        bench=side.told("bench"),
        runs=len(side.runs),
        faults=_faults(side.runs),
    )


def _faults(runs: Iterable[RunRecord]) -> tuple[MockFault, ...]:
    given: dict[GivenFault, None] = dict.fromkeys(fault for run in runs for fault in run.faults or ())
    return mock_faults(given) or ()


def _changed(flip: Flip) -> ChangedVerdict:
    return _made(
        ChangedVerdict,
        profile=flip.profile,
        step=flip.step,
        response=flip.demand,
        became=became(flip.turn),
        cause=flip.cause,
        base=_verdicts(flip.base),
        candidate=_verdicts(flip.candidate),
    )


def _verdicts(side: FlipSide) -> VerdictsOfSide:
    return _made(VerdictsOfSide, verdicts=side.verdicts, worst=side.worst, observed=side.why)


def _difference(one: Compared) -> Difference:
    base, candidate = one.spans
    said = one.shift
    bounded = all(map(math.isfinite, said.interval))
    return _made(
        Difference,
        profile=one.key.profile,
        step=one.key.step,
        signal=one.key.signal,
        requirement=one.demand,
        measure=one.measure,
        unit=one.unit,
        base=(base.low, base.high),
        candidate=(candidate.low, candidate.high),
        difference=said.estimate,
        interval=(said.interval.low, said.interval.high) if bounded else None,
        limit=said.limit,
        runs=said.runs,
        p=one.adjusted,
        became=became(one.meaning),
    )


def _version(firmware: str, runs: Sequence[RunRecord]) -> VersionOfTrend:
    verdicts = Counter(run.verdict for run in runs)
    return _made(VersionOfTrend, firmware=firmware, runs=len(runs), verdicts=verdicts, faults=_faults(runs))
