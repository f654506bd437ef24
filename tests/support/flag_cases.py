"""True courses of flags, how a bus reads them, and what a demand says of a course, by brute force."""

from __future__ import annotations

import random
from bisect import bisect_right
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

from ventproof.drives import formulas as f
from ventproof.judge.flags import FlagsTrace
from ventproof.verdict.finding import Rule, Ruling
from ventproof_bench.base.evidence import Gap, SignalTraits, Window


@dataclass(frozen=True)
class Course:
    """A flag that is `first` at the beginning of time and changes at each of some instants."""

    first: bool
    changes: tuple[float, ...]

    def at(self, t: float) -> bool:
        """Return whether it is on; at a change it has the new value."""
        return self.first ^ (bisect_right(self.changes, t) % 2 == 1)

    def rises(self) -> list[float]:
        """Return when it turns on."""
        return [c for k, c in enumerate(self.changes) if self.first == (k % 2 == 1)]


def _parts(courses: list[Course], a: float, b: float) -> list[tuple[float, float, tuple[bool, ...]]]:
    """Return the time from a to b, cut at every change, with the values in each part."""
    cuts = sorted({a, b, *(c for x in courses for c in x.changes if a < c < b)})
    return [(p, q, tuple(x.at(p) for x in courses)) for p, q in pairwise(cuts)]


def _longest(courses: list[Course], a: float, b: float, bad: set[tuple[bool, ...]]) -> float:
    longest = since = 0.0
    for p, q, values in _parts(courses, a, b):
        since = since + q - p if values in bad else 0.0
        longest = max(longest, since)
    return longest


def holds(formula: f.FlagsFormula, courses: list[Course], s: float, e: float, d: float) -> bool:  # noqa: PLR0911 - one line a kind
    """Return whether a demand holds of courses from s to e, with limits eased by d."""
    match formula:
        case f.NeverTogetherFormula():
            return _longest(courses, s, e, {(True, True)}) <= max(0.0, d)
        case f.RunsAtMostFormula():
            return _longest(courses, s, e, {(True,)}) <= formula.at_most_s + d
        case f.StopsAtEndFormula():
            return _longest(courses, s, e, {(True, True)}) <= formula.within_s + d
        case f.TogetherFormula():
            return _longest(courses, s, e, {(True, False), (False, True)}) <= formula.within_s + d
        case f.StartsAtMostFormula():
            rises = [r for r in courses[0].rises() if s < r <= e]
            spans = (b - a for a, b in zip(rises, rises[formula.number :], strict=False))
            return all(span >= formula.per_s - d for span in spans)
        case f.StartsAtLeastFormula():
            # A start so near to an end of the time that easing the limits takes it in, or out, counts as eased.
            return sum(s - d < r <= e + d for r in courses[0].rises()) >= formula.number
        case f.PausesFormula():
            return all(
                _pause(other, v, s) >= formula.at_least_s - d
                for one, other in (courses, courses[::-1])
                for v in one.rises()
                if s < v <= e
            )
    raise AssertionError(formula)


def _pause(other: Course, v: float, s: float) -> float:
    """Return for how long a flag was off before v, as far as it was on since s at all."""
    falls = [c for c in other.changes if not other.at(c) and s < c <= v]
    if other.at(v):
        return 0.0
    return v - falls[-1] if falls else 1e9


@dataclass(frozen=True)
class Read:
    """What one request read, or nothing: then it is a gap."""

    values: tuple[float | None, ...]
    requested_s: float
    replied_s: float


@dataclass(frozen=True)
class FlagCase:
    """A demand on flags, what was read of them, and their true courses."""

    traits: tuple[SignalTraits, ...]
    evidence: tuple[Read | Gap, ...]
    formula: f.FlagsFormula
    stimulus: Window
    s: float
    courses: tuple[Course, ...]


def course(r: random.Random, keeps: float, until: float, mean: float) -> Course:
    """Draw a course that keeps each value for a while."""
    t, changes = r.uniform(-1, 2), []
    while t < until:
        changes.append(t)
        t += keeps + (r.expovariate(1 / mean) if r.random() < 0.8 else r.uniform(0, 0.1))
    return Course(r.random() < 0.5, tuple(changes))


def question(r: random.Random) -> tuple[f.FlagsFormula, int]:
    """Draw a demand, and of how many flags."""
    for_s = r.choice([4.0, 8.0, 12.0])
    limit = r.choice([0.2, 0.5, 1.0, 2.0])
    return r.choice(
        [
            (f.NeverTogetherFormula(for_s), 2),
            (f.PausesFormula(limit, for_s), 2),
            (f.RunsAtMostFormula(2 * limit, for_s), 1),
            (f.StartsAtMostFormula(r.choice([0, 1, 2, 3]), r.choice([2.0, 4.0, 8.0]), for_s), 1),
            (f.StartsAtLeastFormula(r.choice([1, 2, 3, 5]), for_s), 1),
            (f.StopsAtEndFormula(limit, for_s), 2),
            (f.TogetherFormula(limit, for_s), 2),
        ]
    )


def draw(seed: int, *, close: bool = False) -> FlagCase:
    """Draw a case: courses, how they are read (windows, refresh, lost replies, one request or two), and a demand.

    With `close` both flags are read every 20 ms, at once, without delay or loss.
    """
    r = random.Random(seed)
    formula, count = question(r)
    keeps = r.choice([0.15, 0.3, 0.6])
    until, every, trip = 20.0, r.choice([0.02, 0.05, 0.1, 0.2]), r.choice([0.0, 0.005, 0.03])
    if close:
        keeps, every, trip = max(keeps, 0.3), 0.02, 0.0
    courses = _courses(r, count, keeps, until)
    ages = [r.choice([0.0, 0.0, 0.01, 0.15])] * count
    at_once = r.random() < 0.6 or close
    if close:
        ages = [0.0] * count
    elif r.random() < 0.1 and count > 1:
        ages[1] = ages[0] + 0.05
    declared = keeps if r.random() < 0.95 or close else None
    traits = tuple(
        SignalTraits(name=name, unit="flag", refreshed_every_s=age, keeps_for_s=declared)
        for name, age in zip(("opens", "closes"), ages, strict=False)
    )
    lost = 0.0 if close else r.choice([0.0, 0.0, 0.0, 0.02, 0.1])
    evidence = []
    shown = [-10.0] * count
    t = -2.0
    while t < until:
        for group in [range(count)] if at_once else [[k] for k in range(count)]:
            requested, replied = t, t + trip * r.random()
            if r.random() < lost:
                evidence.append(Gap("io", requested, replied + 0.01, "timeout"))
            else:
                u = r.random()
                same = len({ages[k] for k in group}) == 1
                values: list[float | None] = [None] * count
                for k in group:
                    share = u if same else r.random()
                    at = requested - ages[k] + share * (replied - requested + ages[k])
                    shown[k] = max(shown[k], at)
                    values[k] = float(courses[k].at(shown[k]))
                evidence.append(Read(tuple(values), requested, replied))
            t = replied
        t += every * r.uniform(0.5, 1.0)
    s = r.uniform(0.5, 5.0)
    wide = 0.0 if close else r.choice([0.0, 0.01, 0.3])
    s1 = s - r.random() * wide
    return FlagCase(traits, tuple(evidence), formula, Window(s1, s1 + wide), s, courses)


def _courses(r: random.Random, count: int, keeps: float, until: float) -> tuple[Course, ...]:
    """Draw courses: apart from each other, in turns as a drive's, or nearly alike as those of a pair."""
    mean = r.choice([0.2, 1.0, 3.0])
    first = course(r, keeps, until, mean)
    if count == 1:
        return (first,)
    how = r.choice(["any", "turns", "alike"])
    if how == "any":
        return first, course(r, keeps, until, mean)
    if how == "alike":
        late = r.choice([0.01, 0.1, 0.4])
        return first, Course(first.first, tuple(c + late + r.uniform(0, 0.05) for c in first.changes))
    changes: tuple[list[float], list[float]] = ([], [])
    t = r.uniform(0, 1)
    while t < until:
        which = r.randrange(2)
        run = keeps + r.expovariate(1 / mean)
        if not changes[which] or t >= changes[which][-1] + keeps:
            changes[which].extend([t, t + run])
        t += run + r.choice([0.05, 0.3, 0.6, 1.2]) * r.uniform(0.8, 1.2)
    return Course(first=False, changes=tuple(changes[0])), Course(first=False, changes=tuple(changes[1]))


def play(case: FlagCase, *, until: int | None = None, opened_at: float | None = None) -> Ruling:
    """Return what the judge says on the evidence, or on its first items."""
    trace = FlagsTrace(case.traits, Rule.GUARDED)
    trace.remember_from(-1e9)
    opened_s = case.stimulus.latest_s if opened_at is None else opened_at
    watch = None
    now = case.evidence[0].requested_s if isinstance(case.evidence[0], Read) else 0.0
    flags = range(len(case.traits))
    for item in case.evidence[:until]:
        now = item.to_s if isinstance(item, Gap) else item.replied_s
        if watch is None and now >= opened_s:
            watch = trace.watch(case.formula, case.stimulus)
        if isinstance(item, Gap):
            trace.gap(item, flags)
        else:
            trace.observe(item.values, item.requested_s, item.replied_s)
    if watch is None:
        watch = trace.watch(case.formula, case.stimulus)
    return watch.close(now)


@cache
def pairs_that_keep(seeds: int) -> list[int]:
    """Return the cases of two flags that keep their values as declared, longer than most readings are apart."""
    return [seed for seed in range(seeds) if _keeps(draw(seed))]


def _keeps(case: FlagCase) -> bool:
    declared = [(one.keeps_for_s or 0.0, x.changes) for one, x in zip(case.traits, case.courses, strict=True)]
    return len(declared) == 2 and all(
        keeps_s >= 0.3 and all(b - a >= keeps_s for a, b in pairwise(changes))
        for keeps_s, changes in declared
    )
