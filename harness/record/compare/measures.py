"""What of each response is compared, with which limits, and what each shift means (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean, median
from typing import TYPE_CHECKING, Final, Literal, final

from harness.judge.shifts import Shift, holm, shift
from harness.judge.verdict import Bounds
from harness.record.compare.side import Key, complete, responses

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from harness.record.compare.side import Side
    from harness.record.results import FindingRecord

Measure = Literal["time", "position", "margin"]
Meaning = Literal["same", "worse", "better", "open"]
"""Same: surely within the limit. Open: nobody can tell."""

POSITION_LIMIT: Final = 1.0
"""Shift of a position that counts as the same unless stated, %. Common practice, no source."""

_POSITION_UNIT: Final = "%"
_SETTLED: Final = frozenset({"reaches", "stays"})
"""Kinds of response at whose end a vent stands where it was sent."""

_UNMEASURED: Final = frozenset({"flag", "state", "count"})
"""Units whose margins measure nothing."""

_WINDOWS: Final = 2.0
"""The limit that is taken unless stated, in windows of the base: what its polling surely tells apart."""


@final
@dataclass(frozen=True, slots=True)
class Limits:
    """Shifts that count as the same, either way and inclusive.

    Attributes:
        time_s: of a response time, s; None: twice the window that the base usually has: what polling tells apart.
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
        missing: runs of the base and of the candidate that responded in no time that is known.
    """

    key: Key
    demand: str
    measure: Measure
    unit: str
    shift: Shift
    adjusted: float | None
    meaning: Meaning
    missing: tuple[int, int] = (0, 0)


@final
@dataclass(frozen=True, slots=True)
class _Pair:
    """Windows of one measure on both sides; `closer` says that the candidate has the greater margin."""

    key: Key
    demand: str
    measure: Measure
    unit: str
    base: Sequence[Bounds]
    candidate: Sequence[Bounds]
    limit: float
    worse_when: Literal["greater", "smaller", "either"]
    missing: tuple[int, int] = (0, 0)
    closer: bool = False


def compared(base: Side, candidate: Side, limits: Limits, confidence: float) -> tuple[Compared, ...]:
    """Compare every measure of every response that both sides have.

    Args:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        limits: shifts that count as the same.
        confidence: of each interval; and 1 - confidence is the probability that any shift of the whole family is
            wrongly said to have changed, where there are repeats.
    """
    old, new = responses(complete(base.runs)), responses(complete(candidate.runs))
    pairs = [pair for key in old if key in new for pair in _pairs(key, old[key], new[key], limits)]
    shifts = [shift(p.base, p.candidate, limit=p.limit, confidence=confidence) for p in pairs]
    adjusted = iter(holm([s.p_within for s in shifts if s.chance]))
    found = []
    for pair, moved in zip(pairs, shifts, strict=True):
        likely = next(adjusted) if moved.chance else None
        flagged = moved.standing == "changed" and (likely is None or likely <= 1 - confidence)
        meaning: Meaning = "same" if moved.standing == "same" else "open"
        if pair.missing[1] > pair.missing[0]:
            meaning = "open"
        if flagged:
            meaning = _direction(pair, moved)
        found.append(
            Compared(pair.key, pair.demand, pair.measure, pair.unit, moved, likely, meaning, pair.missing)
        )
    return tuple(found)


def _pairs(
    key: Key, base: Sequence[FindingRecord], candidate: Sequence[FindingRecord], limits: Limits
) -> Iterator[_Pair]:
    demand, unit = candidate[-1].demand, candidate[-1].unit
    old, new = ([_time(f) for f in side if f.response_s] for side in (base, candidate))
    missing = (len(base) - len(old), len(candidate) - len(new))
    if old and new:
        limit = _usual(old) if limits.time_s is None else limits.time_s
        either: Literal["either", "greater"] = "either" if key.kind == "returns" else "greater"
        yield _Pair(key, demand, "time", "s", old, new, limit, either, missing)
    margins = [[f.margin for f in side if f.margin] for side in (base, candidate)]
    stood = [[Bounds(f.stood, f.stood) for f in side if f.stood is not None] for side in (base, candidate)]
    if key.kind in _SETTLED and unit == _POSITION_UNIT and all(stood):
        yield _Pair(
            key,
            demand,
            "position",
            unit,
            stood[0],
            stood[1],
            limits.position,
            "either",
            closer=_closer(*margins),
        )
    if unit not in _UNMEASURED and all(margins):
        per = f"{unit}/s" if key.kind == "moves_at" else unit
        yield _Pair(key, demand, "margin", per, margins[0], margins[1], _usual(margins[0]), "smaller")


def _direction(pair: _Pair, moved: Shift) -> Meaning:
    """Return what a change means: later is worse, and so is less margin.

    A return that comes earlier is no gain, nor is a position that moved, unless it gained margin.
    """
    if pair.worse_when == "either":
        return "better" if pair.closer else "worse"
    return "worse" if (moved.estimate > 0) == (pair.worse_when == "greater") else "better"


def _closer(base: Sequence[Bounds], candidate: Sequence[Bounds]) -> bool:
    return bool(base and candidate) and fmean(w.low for w in candidate) > fmean(w.low for w in base)


def _time(finding: FindingRecord) -> Bounds:
    assert finding.response_s is not None, "only responses with a time are asked for it"
    return Bounds(finding.response_s.earliest_s, finding.response_s.latest_s)


def _usual(base: Sequence[Bounds]) -> float:
    """Return the limit that the base's windows suggest; without any width a thousandth, which logs round to.

    The candidate's have no say: where it was polled worse, the comparison is to become open and not the limit wider.
    """
    return max(_WINDOWS * median(w.high - w.low for w in base), 1e-3)
