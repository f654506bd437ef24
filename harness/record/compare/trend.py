"""Each response over firmware versions: where it changed, and by how much (pure)."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from dataclasses import dataclass
from itertools import accumulate, pairwise
from statistics import fmean, variance
from typing import TYPE_CHECKING, Final, final

from harness.judge.changepoints import changes, noise_of
from harness.record.compare.measures import Compared, Limits, judged, measured, pairs
from harness.record.compare.side import Side, complete, responses
from harness.record.history.firmware import firmware_order

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from harness.judge.verdict import Bounds
    from harness.record.compare.measures import Pair
    from harness.record.results import RunRecord

_EPOCH: Final = dt.datetime(1, 1, 1, tzinfo=dt.UTC)
_SQRT_3: Final = math.sqrt(3)


@final
@dataclass(frozen=True, slots=True)
class Change:
    """A version from which on a response is another than before.

    Attributes:
        firmware: the first version of the new course.
        before: the versions with which it is compared: those since the change before, or since the first.
        since: the versions of the new course.
        compared: by how much it shifted, and what that means.
    """

    firmware: str
    before: tuple[str, ...]
    since: tuple[str, ...]
    compared: Compared


@final
@dataclass(frozen=True, slots=True)
class Trend:
    """What became of every response over the versions.

    Attributes:
        versions: runs by firmware version, the oldest first.
        changes: by version, then in the profiles' order; none that is surely within its limit.
        alarms: what differs between the runs besides the firmware.
        courses: how many measures of responses were followed.
        confidence: of every interval, and that no change is wrongly said to be one.
    """

    versions: Mapping[str, Sequence[RunRecord]]
    changes: tuple[Change, ...]
    alarms: tuple[str, ...]
    courses: int
    confidence: float


def trend(side: Side, limits: Limits, confidence: float = 0.95) -> Trend:
    """Follow every response over the firmware versions that some runs state.

    Where a course changes is found by a penalised sum of squares, between versions only; what is found is then compared
    as two sides are. Since the places were looked for, every boundary that could have been one counts as a comparison.

    Args:
        side: the runs, each counted once.
        limits: shifts that count as the same.
        confidence: strictly between 0 and 1.
    """
    versions = _versions(side.runs)
    found = {name: responses(complete(runs)) for name, runs in versions.items()}
    keys = dict.fromkeys(key for by_key in found.values() for key in by_key)
    places: list[tuple[tuple[str, ...], tuple[str, ...]]] = []
    given: list[Pair] = []
    courses = boundaries = 0
    for key in keys:
        course = {name: by_key[key] for name, by_key in found.items() if key in by_key}
        for measure in measured(key, [f for findings in course.values() for f in findings]):
            told = {n: w for n, findings in course.items() if (w := measured(key, findings).get(measure))}
            courses += 1
            boundaries += max(0, len(told) - 1)
            for before, since in pairwise(_segments(told)):
                old, new = ([f for name in names for f in course[name]] for names in (before, since))
                places.append((before, since))
                given.append(next(pair for pair in pairs(key, old, new, limits) if pair.measure == measure))
    compared = judged(given, confidence, others=boundaries - len(given))
    order = list(versions)
    changed = [
        Change(since[0], before, since, one)
        for (before, since), one in zip(places, compared, strict=True)
        if one.meaning != "same"
    ]
    changed.sort(key=lambda change: order.index(change.firmware))
    return Trend(versions, tuple(changed), tuple(_alarms(side)), courses, confidence)


def _alarms(side: Side) -> Iterator[str]:
    for of, what in (("unit", "units"), ("bench_sha256", "bench files")):
        told = side.told(of)
        if len(told) > 1:
            yield f"the runs have different {what}, which may be what changed: {', '.join(v[:12] for v in told)}"
    for name, runs in side.profiles.items():
        rules = dict.fromkeys(run.decision for run in runs)
        if len(rules) > 1:
            yield f"the runs of {name} have different decision rules, which may be what changed: {', '.join(rules)}"


def _versions(runs: Sequence[RunRecord]) -> Mapping[str, Sequence[RunRecord]]:
    """Return the runs by firmware, the oldest first; what has no date came in the order in which it was given."""
    by_name: dict[str, list[RunRecord]] = defaultdict(list)
    seen: dict[str, dt.datetime] = {}
    for number, run in enumerate(runs):
        at = (
            _EPOCH + dt.timedelta(seconds=number)
            if run.started is None
            else dt.datetime.fromisoformat(run.started)
        )
        by_name[run.firmware].append(run)
        seen[run.firmware] = min(seen.get(run.firmware, at), at)
    return {name: by_name[name] for name in firmware_order(seen)}


def _segments(told: Mapping[str, Sequence[Bounds]]) -> Iterator[tuple[str, ...]]:
    """Yield the runs of versions between which the mean does not change.

    Of two versions each is one: there is one boundary, nothing to look for, and too little to tell noise by.
    """
    names = list(told)
    if len(names) == 2:  # noqa: PLR2004 - the two sides of one boundary
        yield from ((name,) for name in names)
        return
    ends = list(accumulate(len(told[name]) for name in names))
    values = [(w.low + w.high) / 2 for windows in told.values() for w in windows]
    found = changes(values, _noise(told, values), ends[:-1])
    cuts = [0, *(ends.index(place) + 1 for place in found), len(names)]
    for first, end in pairwise(cuts):
        yield tuple(names[first:end])


def _noise(told: Mapping[str, Sequence[Bounds]], values: Sequence[float]) -> float:
    """Return how much the values scatter within versions, or from one to the next where each has one run.

    Never less than a value that may lie anywhere in its window scatters, nor than what logs round to.
    """
    half = fmean((w.high - w.low) / 2 for windows in told.values() for w in windows)
    spreads = [
        variance([(w.low + w.high) / 2 for w in windows]) for windows in told.values() if len(windows) > 1
    ]
    scatter = math.sqrt(fmean(spreads)) if spreads else noise_of(values)
    return max(scatter, half / _SQRT_3, 1e-3)
