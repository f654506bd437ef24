"""What of each response is compared, with which limits, and what each shift means (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean, median
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.compare.side import Key, complete, responses
from ventproof.statistics.shifts import Shift, holm, shift
from ventproof.verdict.finding import Bounds
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.compare.side import Side
    from ventproof.verdict.finding import Finding


Measure = Literal["time", "position", "margin"]
Meaning = Literal["same", "worse", "better", "open"]
"""Same: surely within the limit. Open: nobody can tell."""

POSITION_LIMIT: Final = 1.0
"""Shift of a position that counts as the same unless stated, %. Common practice, no source."""

_POSITION_UNIT: Final = "%"
_SETTLED: Final = frozenset({"reaches", "stays"})
"""Kinds of response at whose end a vent stands where it was sent."""

_WINDOWS: Final = 2.0
"""The limit that is taken unless stated, in windows of the base: the same twice, its polling surely shows within it."""

_APART: Final = 1.0
"""Unless a limit is stated, what repeats show to be more than so many windows has changed: two windows further apart
hold two truths. With one run each nobody knows the chance, and what changed is beyond the limit."""

_LEAST: Final[dict[Measure, float]] = {"time": 0.1, "position": 0.0, "margin": 0.01}
"""The least limit that is taken unless stated, in the measure's unit. A window can be without any width, and then the
jitter of polling alone would count as a change. Common practice, no source."""


@final
@dataclass(frozen=True, slots=True)
class ShiftLimits:
    """Shifts that count as the same, either way and inclusive.

    Attributes:
        time_s: of a response time, s; None: twice the window that the base usually has, and 0.1 s at the least.
        position: of a position, %.
    """

    time_s: float | None = None
    position: float = POSITION_LIMIT


@final
@dataclass(frozen=True, slots=True)
class Compared:
    """One measure of one response on both sides.

    Attributes:
        key: the response.
        demand: what is demanded of it, as the candidate's profile says it.
        measure: what is compared.
        unit: of the shift.
        shift: by how much it differs.
        adjusted: probability of so great a shift, were the true one within the limit, adjusted for the number of
            comparisons (Holm); None with one run each, of which no probability is known.
        meaning: what it comes to.
        spans: the least and the greatest value of the base's runs, and of the candidate's.
        missing: runs of the base and of the candidate that responded in no time that is known.
    """

    key: Key
    demand: str
    measure: Measure
    unit: str
    shift: Shift
    adjusted: float | None
    meaning: Meaning
    spans: tuple[Bounds, Bounds]
    missing: tuple[int, int] = (0, 0)


@final
@dataclass(frozen=True, slots=True)
class Pair:
    """Windows of one measure on both sides.

    Attributes:
        key: the response.
        demand: what is demanded of it, as the candidate's profile says it.
        measure: what is compared.
        unit: of the shift.
        base: the windows of the last good version.
        candidate: those of the new one.
        limit: shift that counts as the same.
        least: what is surely more than this has changed; at most the limit.
        missing: runs of either side that responded in no time that is known.
        closer: whether the candidate has the greater margin.
    """

    key: Key
    demand: str
    measure: Measure
    unit: str
    base: Sequence[Bounds]
    candidate: Sequence[Bounds]
    limit: float
    least: float
    missing: tuple[int, int]
    closer: bool


def compared(base: Side, candidate: Side, limits: ShiftLimits, confidence: float) -> tuple[Compared, ...]:
    """Compare every measure of every response that both sides have.

    Args:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        limits: shifts that count as the same.
        confidence: as `judged` takes it.
    """
    old, new = responses(complete(base.runs)), responses(complete(candidate.runs))
    return judged(
        [p for key in old if key in new for p in pairs(key, old[key], new[key], limits)], confidence
    )


def judged(given: Sequence[Pair], confidence: float, others: int = 0) -> tuple[Compared, ...]:
    """Say of every pair what its shift comes to.

    Args:
        given: what is compared.
        confidence: of each interval; and 1 - confidence is the probability that any shift of the whole family is
            wrongly said to have changed, where there are repeats.
        others: further comparisons of the family that were looked at and are not among the pairs.
    """
    shifts = [shift(p.base, p.candidate, limit=p.limit, least=p.least, confidence=confidence) for p in given]
    adjusted = iter(holm([s.p_within for s in shifts if s.chance] + [1.0] * others))
    found = []
    for pair, moved in zip(given, shifts, strict=True):
        likely = next(adjusted) if moved.chance else None
        flagged = moved.standing == "changed" and (likely is None or likely <= 1 - confidence)
        meaning: Meaning = "same" if moved.standing == "same" else "open"
        if pair.missing[1] > pair.missing[0]:
            meaning = "open"
        if flagged:
            meaning = _direction(pair, moved)
        spans = _span(pair.base), _span(pair.candidate)
        found.append(
            Compared(
                pair.key, pair.demand, pair.measure, pair.unit, moved, likely, meaning, spans, pair.missing
            )
        )
    return tuple(found)


def _span(windows: Sequence[Bounds]) -> Bounds:
    return Bounds(min(window.low for window in windows), max(window.high for window in windows))


def measured(key: Key, findings: Sequence[Finding]) -> dict[Measure, list[Bounds]]:
    """Return the windows of each measure that a response has; of a finding that shows nothing there is none."""
    unit = findings[-1].unit
    findings = [f for f in findings if f.shows]
    found: dict[Measure, list[Bounds]] = {"time": [_time(f) for f in findings if f.response_s]}
    if key.kind in _SETTLED and unit == _POSITION_UNIT:
        found["position"] = [Bounds(f.stood, f.stood) for f in findings if f.stood is not None]
    if not is_discrete(unit):
        found["margin"] = [f.margin for f in findings if f.margin]
    return {measure: windows for measure, windows in found.items() if windows}


def pairs(
    key: Key, base: Sequence[Finding], candidate: Sequence[Finding], limits: ShiftLimits
) -> Iterator[Pair]:
    """Yield what can be compared of one response.

    The candidate's windows have no say in the limit: where it was polled worse, the comparison is to become open and
    not the limit wider.
    """
    old, new = measured(key, base), measured(key, candidate)
    closer = _closer(old.get("margin", ()), new.get("margin", ()))
    for measure, windows in old.items():
        others = new.get(measure)
        if not others:
            continue
        unit = {"time": "s", "position": _POSITION_UNIT}.get(measure) or candidate[-1].unit
        if measure == "margin" and key.kind == "moves_at":
            unit += "/s"
        stated = {"time": limits.time_s, "position": limits.position}.get(measure)
        missing = (len(base) - len(windows), len(candidate) - len(others)) if measure == "time" else (0, 0)
        usual = median(w.high - w.low for w in windows)
        limit = max(_WINDOWS * usual, _LEAST[measure]) if stated is None else stated
        repeated = len(windows) > 1 or len(others) > 1
        least = max(_APART * usual, _LEAST[measure]) if stated is None and repeated else limit
        demand = candidate[-1].demand
        yield Pair(key, demand, measure, unit, windows, others, limit, least, missing, closer)


def _direction(pair: Pair, moved: Shift) -> Meaning:
    """Return what a change means: later is worse, and so is less margin.

    A return that comes earlier is no gain, nor is a position that moved, unless it gained margin.
    """
    if pair.measure == "position":
        return "better" if pair.closer else "worse"
    if pair.measure == "time" and pair.key.kind == "returns":
        return "worse"
    return "worse" if (moved.estimate > 0) == (pair.measure == "time") else "better"


def _closer(base: Sequence[Bounds], candidate: Sequence[Bounds]) -> bool:
    return bool(base and candidate) and fmean(w.low for w in candidate) > fmean(w.low for w in base)


def _time(finding: Finding) -> Bounds:
    assert finding.response_s is not None, "only responses with a time are asked for it"
    return Bounds(finding.response_s.earliest_s, finding.response_s.latest_s)
