"""Each response over firmware versions: where it changed, and by how much (pure)."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from statistics import fmean, variance
from typing import TYPE_CHECKING, Final, final

from ventproof.compare.causes import ShiftGroup, shift_groups
from ventproof.compare.comparison import counted_in
from ventproof.compare.conditions import apart_by_faults
from ventproof.compare.flips import flips
from ventproof.compare.measures import Compared, ShiftLimits, judged, measured, pairs
from ventproof.compare.side import Side, complete, responses, side_of
from ventproof.compare.words import way
from ventproof.history.dashboard import tally_of
from ventproof.history.faults import fault_lines_by_version
from ventproof.log.run import ABORTED, VIRTUAL
from ventproof.statistics.shifts import changes, noise_of
from ventproof.verdict.brief import brief, cause_sentence
from ventproof.verdict.finding import Verdict
from ventproof.verdict.naming import firmware_order
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from ventproof.compare.flips import Flip
    from ventproof.compare.measures import Measure, Pair
    from ventproof.compare.side import Key
    from ventproof.log.run import RunRecord
    from ventproof.verdict.finding import Bounds, Finding


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
class FirmwareTrend:
    """What became of every response over the versions.

    Attributes:
        versions: runs by firmware version, the oldest first.
        changes: by version, then in the profiles' order; none that is surely within its limit.
        flips: verdicts of the newest version that are others than with the one before it.
        faults: which faults the mock had with which version, in a sentence each, the newest version first.
        others: what else differs between the runs besides the firmware, and so may be what changed.
        alarms: what else is to be known of the runs.
        courses: how many measures of responses were followed.
        confidence: of every interval; and that no change of the newest version is wrongly said to be one, nor one
            that was looked for among all versions.
    """

    versions: Mapping[str, Sequence[RunRecord]]
    changes: tuple[Change, ...]
    flips: tuple[Flip, ...]
    faults: tuple[str, ...]
    others: tuple[str, ...]
    alarms: tuple[str, ...]
    courses: int
    confidence: float

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before the changes."""
        return (*self.faults, *self.others, *self.alarms)

    @property
    def newest(self) -> str:
        """The newest version."""
        return list(self.versions)[-1]


def outcome(found: FirmwareTrend) -> str:
    """Return how the newest version differs: `worse` or `open` by its changes, else `same`."""
    meanings = {c.compared.meaning for c in found.changes if c.firmware == found.newest}
    return next((word for word in ("worse", "open") if word in meanings), "same")


def standing_of_newest(found: FirmwareTrend) -> str:
    """Return how the newest version stands: by its runs (`fail`, `aborted`, `flaky`, `inconclusive`) or its changes."""
    board = tally_of(found.versions[found.newest]).dashboard()
    steady = {row.cells[0].verdict for row in board.rows if row.cells[0] and not row.cells[0].flaky}
    words = {*steady, outcome(found)} | ({"flaky"} if board.flaky else set())
    return next(word for word in _STANDINGS if word in words)


_STANDINGS: Final = ("fail", ABORTED, "flaky", "worse", "inconclusive", "open", "same")


def conclusion(found: FirmwareTrend) -> str:
    """Return in one sentence how the runs of the newest version ended, and what it changed."""
    *before, newest = found.versions
    name = _named(newest)
    runs = found.versions[newest]
    bad = sum(run.verdict != "pass" for run in runs)
    passed = f"all {len(runs)} runs passed" if len(runs) > 1 else "its run passed"
    ended = f"{bad} of {number_of(len(runs), 'run')} did not pass" if bad else passed
    if not before:
        return f"{name}: {ended}; one firmware version only: no trend"
    changed: dict[str, list[str]] = defaultdict(list)
    for change in found.changes:
        if change.firmware == newest:
            changed[change.compared.meaning].append(change.compared.key.profile)
    words = (("worse", "worse"), ("better", "better"), ("open", "inconclusive"))
    counts = [counted_in("measured difference", changed[of], word) for of, word in words if of in changed]
    alone = "; firmware is not the only difference" if found.faults or found.others else ""
    return f"{name}: {ended}; {', '.join(counts) or 'no measured difference'}{alone}"


def cause_of_newest(found: FirmwareTrend) -> str:
    """Return in one sentence what explains how the newest version stands: what failed, or else what changed."""
    newest, stands = found.newest, outcome(found)
    runs = found.versions[newest]
    profiles: dict[str, set[str]] = defaultdict(set)
    for run in runs:
        for finding in run.findings:
            told = (Verdict.FAIL,) if run.verdict == ABORTED else (Verdict.FAIL, Verdict.INCONCLUSIVE)
            if finding.verdict in told and not finding.skipped:
                profiles[brief(finding)].add(run.profile)
        if run.verdict == ABORTED:
            profiles[f"aborted: {run.reason}"].add(run.profile)
    if not profiles:
        perhaps = ", perhaps" if stands == "open" else ""
        for change in found.changes:
            if change.firmware == newest and change.compared.meaning == stands:
                profiles[f"{way(change.compared)}{perhaps}"].add(change.compared.key.profile)
    return cause_sentence(profiles, len(_profiles(runs)), "profile")


def span_of(versions: Sequence[str]) -> str:
    """Return the first and the last of some versions: `2.2 to 2.4`."""
    ends = [name or "not stated" for name in (versions[0], versions[-1])]
    return ends[0] if len(versions) == 1 else f"{ends[0]} to {ends[1]}"


def verdicts_heading(found: FirmwareTrend) -> str:
    """Return what stands above the verdicts that flipped with the newest version."""
    before, newest = newest_two(found)
    return f"changed verdicts of firmware {newest}, against {before}"


def newest_two(found: FirmwareTrend) -> tuple[str, str]:
    """Return what the newest version and the one before it are called, that one first."""
    *_, before, newest = (name or "not stated" for name in found.versions)
    return before, newest


def _named(firmware: str) -> str:
    return f"firmware {firmware}" if firmware else "firmware not stated"


def by_version(found: FirmwareTrend, *, inconclusive: bool) -> list[tuple[str, list[ShiftGroup]]]:
    """Return each version that changed something, the newest first, and its changes by cause.

    Args:
        found: the trend.
        inconclusive: whether changes are among them that may be none.
    """
    changes: dict[str, list[Compared]] = defaultdict(list)
    for change in reversed(found.changes):
        if inconclusive or change.compared.meaning != "open":
            changes[change.firmware].append(change.compared)
    return [(firmware or "not stated", shift_groups(those)) for firmware, those in changes.items()]


def counted_changes(found: FirmwareTrend) -> list[str]:
    """Return how much was compared, and how much of it changed."""
    known = sum(change.compared.meaning != "open" for change in found.changes)
    unknown = len(found.changes) - known
    versions = (
        f"{number_of(found.courses, 'value')} followed over {number_of(len(found.versions), 'version')}"
    )
    lines = [f"{versions}: {number_of(known, 'difference')} beyond the limits."]
    return [*lines, f"Inconclusive: {number_of(unknown, 'more difference')}."] if unknown else lines


def trend(side: Side, limits: ShiftLimits, confidence: float = 0.95) -> FirmwareTrend:
    """Follow every response over the firmware versions that some runs state.

    The newest version is compared with the one before it, as two sides are. Where else a course changes is found by a
    penalised sum of squares, between versions only; what is found is then compared as two sides are. Both are families
    of comparisons, and of each of them the confidence is true.

    Args:
        side: the runs, each counted once.
        limits: shifts that count as the same.
        confidence: strictly between 0 and 1.
    """
    side = replace(side, runs=apart_by_faults(side.runs))
    versions = _versions(side.runs)
    found = {name: responses(complete(runs)) for name, runs in versions.items()}
    courses = _courses(found)
    order = list(versions)
    changes: dict[tuple[str, Key, Measure], Change] = {}
    for change in (
        *_newest(courses, order[-1], limits, confidence),
        *_searched(courses, limits, confidence),
    ):
        place = change.firmware, change.compared.key, change.compared.measure
        kept = changes.get(place)
        if kept is None or kept.compared.meaning in {"open", change.compared.meaning}:
            changes[place] = change  # of two that say the same, the one with more versions before it
    changed = sorted(changes.values(), key=lambda change: order.index(change.firmware))
    return FirmwareTrend(
        versions=versions,
        changes=tuple(changed),
        flips=_flips(versions, confidence),
        faults=tuple(fault_lines_by_version(run for name in reversed(order) for run in versions[name])),
        others=tuple(_others(side)),
        alarms=tuple(_alarms(side, versions)),
        courses=len(courses),
        confidence=confidence,
    )


def _flips(versions: Mapping[str, Sequence[RunRecord]], confidence: float) -> tuple[Flip, ...]:
    """Return what flipped with the newest version, against the one before it."""
    if len(versions) == 1:
        return ()
    before, newest = [side_of(name, runs) for name, runs in versions.items()][-2:]
    return flips(before, newest, confidence)


@final
@dataclass(frozen=True, slots=True)
class _Course:
    """One measure of one response: what each version found, and its windows, the oldest version first."""

    key: Key
    measure: Measure
    findings: Mapping[str, Sequence[Finding]]
    windows: Mapping[str, Sequence[Bounds]]

    def pair(self, before: Sequence[str], since: Sequence[str], limits: ShiftLimits) -> Pair:
        """Return some versions against others."""
        old, new = ([f for name in names for f in self.findings[name]] for names in (before, since))
        return next(pair for pair in pairs(self.key, old, new, limits) if pair.measure == self.measure)


def _courses(found: Mapping[str, Mapping[Key, Sequence[Finding]]]) -> list[_Course]:
    courses = []
    for key in dict.fromkeys(key for by_key in found.values() for key in by_key):
        findings = {name: by_key[key] for name, by_key in found.items() if key in by_key}
        windows = {name: measured(key, those) for name, those in findings.items()}
        for measure in dict.fromkeys(m for those in windows.values() for m in those):
            told = {name: those[measure] for name, those in windows.items() if measure in those}
            courses.append(_Course(key, measure, findings, told))
    return courses


def _newest(courses: Sequence[_Course], newest: str, limits: ShiftLimits, confidence: float) -> list[Change]:
    """Return what the newest version changed: it and the one before it are compared as two sides are, by themselves.

    What else is compared takes no power from it: nothing was looked for, and it is a family of its own.
    """
    places, given = [], []
    for course in courses:
        *before, last = course.windows
        if before and last == newest:
            places.append((before[-1:], [newest]))
            given.append(course.pair(before[-1:], [newest], limits))
    return _changes(places, judged(given, confidence))


def _searched(courses: Sequence[_Course], limits: ShiftLimits, confidence: float) -> list[Change]:
    """Return the changes of courses over more than two versions, wherever they are.

    Since the places were looked for, every boundary that could have been one counts as a comparison.
    """
    places, given, boundaries = [], [], 0
    for course in courses:
        if len(course.windows) < 3:  # noqa: PLR2004 - with the two sides of one boundary there is nothing to look for
            continue
        boundaries += len(course.windows) - 1
        for before, since in pairwise(_segments(course.windows)):
            places.append((before, since))
            given.append(course.pair(before, since, limits))
    return _changes(places, judged(given, confidence, others=boundaries - len(given)))


def _changes(
    places: Sequence[tuple[Sequence[str], Sequence[str]]], found: Sequence[Compared]
) -> list[Change]:
    return [
        Change(since[0], tuple(before), tuple(since), one)
        for (before, since), one in zip(places, found, strict=True)
        if one.meaning != "same"
    ]


def _alarms(side: Side, versions: Mapping[str, Sequence[RunRecord]]) -> Iterator[str]:
    yield from side.gaps
    *before, newest = versions
    if before and (lacking := _profiles(versions[before[-1]]) - _profiles(versions[newest])):
        yield f"{_named(newest)} has no run of {', '.join(sorted(lacking))}: not compared"
    if "virtual" in side.told("clock"):
        yield VIRTUAL


def _others(side: Side) -> Iterator[str]:
    for of, what in (("unit", "units"), ("bench_sha256", "bench files")):
        told = side.told(of)
        by_faults_alone = of == "bench_sha256" and len(side.benches_but_faults) == 1
        if len(told) > 1 and not by_faults_alone:
            yield f"the runs have different {what}, which may be what changed: {', '.join(v[:12] for v in told)}"
    for name, runs in side.profiles.items():
        rules = dict.fromkeys(run.decision for run in runs)
        if len(rules) > 1:
            yield f"the runs of {name} have different decision rules, which may be what changed: {', '.join(rules)}"


def _profiles(runs: Sequence[RunRecord]) -> set[str]:
    return {run.profile for run in runs}


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
    """Yield the runs of versions between which the mean does not change."""
    names = list(told)
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
