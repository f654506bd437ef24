"""What a case for the judge is: what was read, what is asked, and a true course; and what is wrong with a verdict.

A generator is a function from a seed to a `Case`; those in `judge_campaign.GENERATORS` are played by the campaign, and
a slice of each by the suite. To add one, draw a true course, read it as a bus would (within `traits`), ask a formula,
and put into `Case`:

    traits    what is declared of the signal: error, greatest rate or keeping time, refresh; all true of the course
    evidence  readings and gaps in the order of their polls; a reading was true at some instant from
              `requested_s - refreshed_every_s` to `replied_s`, within `error`; none shows what
              is older than what the one before it showed
    formula   what is asked (`ventproof.deciders.formulas`)
    stimulus  the window that contains the instant of the stimulus
    s         the true instant of the stimulus, inside that window
    truth     the true course, from before the first reading to after the last judged instant

No course may come within `D` of a limit without being taken for either side: `wrong` forgives that much.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from ventproof.deciders import formulas as f
from ventproof.envelope.spans import INF
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Ruling, Verdict
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

D = 1e-5  # truths closer to their limit than this are nobody's error


@dataclass(frozen=True)
class Truth:
    """A piecewise linear trajectory (or, with `steps`, one that jumps at its knots)."""

    ts: list[float]
    xs: list[float]
    steps: bool = False

    def at(self, t: float) -> float:
        """Value at an instant."""
        i = bisect_right(self.ts, t) - 1
        if i < 0:
            return self.xs[0]
        if self.steps or i + 1 >= len(self.ts):
            return self.xs[i]
        t0, t1 = self.ts[i], self.ts[i + 1]
        return self.xs[i] + (self.xs[i + 1] - self.xs[i]) * (t - t0) / (t1 - t0)

    def between(self, a: float, b: float) -> list[tuple[float, float]]:
        """Values at a, at the knots between, and at b."""
        inside = [(t, x) for t, x in zip(self.ts, self.xs, strict=True) if a < t < b]
        return [(a, self.at(a)), *inside, (b, self.at(b))]

    def crossings(self, a: float, b: float, levels: tuple[float, ...]) -> list[tuple[float, float]]:
        """Like `between`, with the points where a level is crossed."""
        points = self.between(a, b)
        found = []
        for (t0, x0), (t1, x1) in pairwise(points):
            found.append((t0, x0))
            marks = [(t0 + (t1 - t0) * (y - x0) / (x1 - x0), y) for y in levels if (x0 - y) * (x1 - y) < 0]
            found.extend(sorted(marks))
        return [*found, points[-1]]


def runs_in(x: Truth, a: float, b: float, low: float, high: float) -> list[tuple[float, float]]:
    """Return when a course is in a band, from a to b."""
    points = x.crossings(a, b, (low, high))
    runs: list[tuple[float, float]] = []
    for (t0, x0), (t1, x1) in pairwise(points):
        middle = (x0 + x1) / 2
        if low <= middle <= high and low - 1e-9 <= min(x0, x1) and max(x0, x1) <= high + 1e-9:
            if runs and runs[-1][1] == t0:
                runs[-1] = (runs[-1][0], t1)
            else:
                runs.append((t0, t1))
    return runs


def _reaches(q: f.ReachesFormula, x: Truth, s: float, d: float) -> bool:
    runs = runs_in(
        x, s, s + q.within_s + q.holds_s + 1, q.target - q.tolerance - d, q.target + q.tolerance + d
    )
    return any(p <= s + q.within_s + d and e - p >= q.holds_s - d for p, e in runs)


def _stays(q: f.StaysFormula, x: Truth, s: float, d: float) -> bool:
    values = [v for _, v in x.between(s, s + q.for_s - d)]
    low = -1e9 if q.low is None else q.low
    high = 1e9 if q.high is None else q.high
    return min(values) >= low - d and max(values) <= high + d


def _returns(q: f.ReturnsFormula, x: Truth, s: float, d: float) -> bool:
    tight = q.tolerance - d
    early = (
        runs_in(x, s, s + q.not_before_s - d, q.target - tight, q.target + tight)
        if q.not_before_s > d
        else []
    )
    wide = q.tolerance + d
    late = runs_in(x, s + q.not_before_s - d, s + q.within_s + d, q.target - wide, q.target + wide)
    return not early and bool(late)


def drift_of(x: Truth, s: float, span: float) -> float:
    """Return how far a course gets from where it was at s."""
    return max(abs(v - x.at(s)) for _, v in x.between(s, s + span))


def _overshoots(q: f.OvershootsAtMostFormula, x: Truth, s: float, d: float) -> bool:
    values = [v for _, v in x.between(s, s + q.for_s - d)]
    rise = x.at(s) <= q.target + d and max(values) <= q.target + q.by + d
    fall = x.at(s) >= q.target - d and min(values) >= q.target - q.by - d
    return rise or fall


def reversal_of(x: Truth, s: float, span: float) -> float:
    """Return by how much a course both falls and rises."""
    values = [v for _, v in x.between(s, s + span)]
    top, bottom, fall, rise = values[0], values[0], 0.0, 0.0
    for v in values:
        top, bottom = max(top, v), min(bottom, v)
        fall, rise = max(fall, top - v), max(rise, v - bottom)
    return min(fall, rise)


def _reverses(q: f.NeverReversesFormula, x: Truth, s: float, d: float) -> bool:
    return reversal_of(x, s, q.for_s - d) <= q.by + d


def _moves(q: f.MovesAtFormula, x: Truth, s: float, d: float) -> bool:
    y0 = x.at(s)
    way = q.target - y0
    if abs(way) < 1e-3:
        return d > 0
    levels = (y0 + 0.1 * way, y0 + 0.9 * way)
    points = x.crossings(s, s + q.within_s + d, levels)
    first = [next((t for t, v in points if (v - y) * way >= -1e-9), None) for y in levels]
    if first[0] is None or first[1] is None:
        return False
    rate = 0.8 * abs(way) / max(1e-12, first[1] - first[0])
    return abs(rate - q.rate) <= q.tolerance + d


def holds(q: Any, x: Truth, s: float, d: float) -> bool:  # noqa: C901, PLR0911 - one line a kind
    """Whether the formula is true of the trajectory; d > 0 takes every limit that much wider."""
    match q:
        case f.ReachesFormula():
            return _reaches(q, x, s, d)
        case f.StaysFormula():
            return _stays(q, x, s, d)
        case f.ReturnsFormula():
            return _returns(q, x, s, d)
        case f.StartsMovingFormula():
            return drift_of(x, s, q.within_s + d) > q.by - d
        case f.UnchangedFormula() if q.tolerance is not None:
            return drift_of(x, s, q.for_s - d) <= q.tolerance + d
        case f.UnchangedFormula():
            return drift_of(x, s, q.for_s - d) == 0
        case f.OvershootsAtMostFormula():
            return _overshoots(q, x, s, d)
        case f.NeverReversesFormula():
            return _reverses(q, x, s, d)
        case f.MovesAtFormula():
            return _moves(q, x, s, d)
        case f.EqualsFormula():
            return any(v == q.value for _, v in x.between(s, s + q.within_s + d))
    raise AssertionError(q)


@dataclass
class Case:
    """What is known, what is asked, and what is true; see above."""

    traits: SignalTraits
    evidence: list[Sample | Gap]
    formula: Any
    stimulus: Window
    s: float
    truth: Truth


def play(one: Case, *, opened_after_s: float = 0.5, until: int | None = None) -> Ruling:
    """Feed the evidence, opening the watch a little after the stimulus; close it when the evidence ends."""
    trace = SignalTrace(one.traits)
    trace.remember_from(one.stimulus.earliest_s)
    watch = None
    for item in one.evidence[:until]:
        now = item.to_s if isinstance(item, Gap) else item.replied_s
        if watch is None and now > one.stimulus.latest_s + opened_after_s:
            watch = trace.watch(one.formula, one.stimulus)
        if isinstance(item, Gap):
            (trace.withdraw if item.reason == "withdrawn" else trace.gap)(item)
        else:
            trace.observe(item)
        if watch is not None and watch.ruling is not None:
            return watch.ruling
    if watch is None:
        watch = trace.watch(one.formula, one.stimulus)
    return watch.close(one.stimulus.latest_s + 80)


def _counted(one: Case, before: Sample) -> int:
    """Return the most that was counted between a reading and the limit."""
    read_s = before.requested_s - one.traits.refreshed_every_s
    return round(one.truth.at(one.s + one.formula.within_s) - one.truth.at(read_s))


def _miscounted(one: Case, found: Ruling) -> str | None:
    """A count is what was read before the stimulus and around the limit, and left open where that differs."""
    samples = [item for item in one.evidence if isinstance(item, Sample)]
    late_s = one.stimulus.latest_s + one.formula.within_s + one.traits.refreshed_every_s
    before = [x for x in samples if x.replied_s <= one.stimulus.earliest_s]
    after = [x for x in samples if x.requested_s >= late_s]
    if not (before and after):
        counted = _counted(one, before[-1]) if before else 0
        early = found.verdict is Verdict.FAIL and counted > one.formula.required.high
        early |= found.verdict is Verdict.PASS and counted >= one.formula.number and one.formula.most == INF
        return None if found.verdict is Verdict.INCONCLUSIVE or early else "decided without the readings"
    first = next(i for i, x in enumerate(before) if all(y.value == before[-1].value for y in before[i:]))
    stood_still = before[first].replied_s <= before[-1].requested_s - one.traits.refreshed_every_s
    if not stood_still:
        return None if found.verdict is Verdict.INCONCLUSIVE else "decided on a counter that was running"
    in_time = [x for x in samples if x.replied_s <= one.stimulus.earliest_s + one.formula.within_s]
    least, most = (x.value - before[-1].value for x in (in_time[-1], after[0]))
    if one.traits.wraps_at:
        least, most = least % one.traits.wraps_at, most % one.traits.wraps_at
    limit_s = one.s + one.formula.within_s
    assert least <= _counted(one, before[-1]), "the campaign's own arithmetic"
    assert most >= round(one.truth.at(limit_s) - one.truth.at(one.s)), "the campaign's own arithmetic"
    low, high = one.formula.required
    right = Verdict.FAIL
    if least <= high and low <= most:
        right = Verdict.PASS if low <= least and most <= high else Verdict.INCONCLUSIVE
    return None if found.verdict is right else f"counted {least:g} to {most:g}, said {found.verdict}"


def wrong(one: Case, found: Ruling) -> str | None:
    """Return what is wrong with a finding, or None."""
    if isinstance(one.formula, f.CountsFormula):
        return _miscounted(one, found)
    if found.verdict is Verdict.PASS and not holds(one.formula, one.truth, one.s, D):
        return "false pass"
    if found.verdict is Verdict.FAIL and holds(one.formula, one.truth, one.s, -D):
        return "false fail"
    return None
