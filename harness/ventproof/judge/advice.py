"""What would decide an open ruling: computed, and tried on the evidence before it is said (pure)."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any, Final, cast, final

from ventproof.deciders import formulas
from ventproof.deciders.base import Decider
from ventproof.deciders.choose import decider_of
from ventproof.deciders.formulas import Formula
from ventproof.envelope.readings import ReadingStats
from ventproof.envelope.spans import EPS, INF, Piece, Track
from ventproof.verdict.finding import Ruling, Verdict
from ventproof.verdict.text import decimals_for, outward, value_text
from ventproof_bench.base.evidence import SignalTraits, Window
from ventproof_bench.plant.contacts import ReckonedTraits

_NOUNS: Final[dict[type[Formula], str]] = {
    formulas.ReachesFormula: "a tolerance",
    formulas.StaysFormula: "a tolerance",
    formulas.ReturnsFormula: "a tolerance",
    formulas.UnchangedFormula: "a tolerance",
    formulas.MovesAtFormula: "a tolerance",
    formulas.StartsMovingFormula: "a movement",
    formulas.OvershootsAtMostFormula: "an overshoot",
    formulas.NeverReversesFormula: "a reversal",
}

_POINTS: Final[dict[type[Formula], int]] = {
    formulas.ReachesFormula: 1,
    formulas.StaysFormula: 1,
    formulas.ReturnsFormula: 1,
    formulas.UnchangedFormula: 2,
    formulas.StartsMovingFormula: 2,
    formulas.NeverReversesFormula: 2,
}
"""How many points of the trajectory a margin compares; polling is never advised for the other kinds."""

_QUICKEST_S: Final = 0.01
"""Polling more often than this is nothing that a bus can do."""

_BEST: Final = 16.0
"""What must be so many times as good is nothing that can be had."""

_HALVINGS: Final = 5
"""A fact that would decide is looked for in so many steps: the last one is a tenth of it."""

_WORDS: Final = {
    "every_s": "a reading every {} s",
    "age_s": "a register refreshed every {} s",
    "error": "readings to ± {}{}",
}


def _limit_field(formula: Formula) -> str:
    """Return the name of the number in a formula that would be moved to ease it; empty where there is none."""
    match formula:
        case formulas.StaysFormula(low=low):
            return "high" if low is None else "low"
        case (
            formulas.StartsMovingFormula()
            | formulas.OvershootsAtMostFormula()
            | formulas.NeverReversesFormula()
        ):
            return "by"
        case (
            formulas.ReachesFormula()
            | formulas.ReturnsFormula()
            | formulas.MovesAtFormula()
            | formulas.UnchangedFormula()
        ):
            return "tolerance"
    return ""


def limit_of(formula: Formula) -> float | None:
    """Return the number in a formula that would be moved to ease it, in the signal's unit."""
    if isinstance(formula, formulas.StaysFormula) and formula.low is not None and formula.high is not None:
        return (formula.high - formula.low) / 2
    field = _limit_field(formula)
    return getattr(formula, field) if field else None


def eases(formula: Formula) -> int:
    """Return in which direction that number eases the formula: 1 up, -1 down."""
    below = isinstance(formula, formulas.StaysFormula) and formula.high is None
    return -1 if below or isinstance(formula, formulas.StartsMovingFormula) else 1


def with_limit(formula: Formula, limit: float) -> Formula:
    """Return the formula with that number replaced."""
    if isinstance(formula, formulas.StaysFormula) and formula.low is not None and formula.high is not None:
        middle = (formula.low + formula.high) / 2
        return replace(formula, low=middle - limit, high=middle + limit)
    if field := _limit_field(formula):
        moved: Formula = replace(cast("Any", formula), **{field: limit})
        return moved
    raise AssertionError(f"{type(formula).__name__} has no limit to move")


def deciding_limits(
    found: Ruling, formula: Formula, decider: Decider, traits: SignalTraits, rate_per_s: float | None
) -> dict[Verdict, float]:
    """Return the nearest limits of a formula with which the same evidence passes, and with which it fails.

    Rounded away from the limit as it is. A verdict without such a limit is missing.
    """
    limit, margin = limit_of(formula), found.margin
    if limit is None or margin is None:
        return {}
    decimals = decimals_for(traits.error)
    limits: dict[Verdict, float] = {}
    # A fail has to lie farther off than the EPS by which deciders widen what they compare with.
    for verdict, room in ((Verdict.PASS, -margin.low), (Verdict.FAIL, -margin.high - 4 * EPS)):
        step = room * eases(formula)
        moved = outward(limit + step, decimals, up=step > 0)
        band = not isinstance(formula, formulas.StaysFormula) or None not in {formula.low, formula.high}
        # Rounding may have left no step, and a band needs a width.
        if step * (moved - limit) <= 0 or (band and moved <= 0):
            continue
        if isinstance(formula, formulas.StaysFormula):  # keeps no pieces; its margin is exact
            exact = not (verdict is Verdict.FAIL and band and margin.high >= limit - EPS)
        else:
            exact = tried(with_limit(formula, moved), decider, decider.pieces, rate_per_s).verdict is verdict
        if exact:
            limits[verdict] = moved
    return limits


@final
@dataclass(frozen=True, slots=True)
class Facts:
    """What better evidence would be better in.

    Attributes:
        every_s: from one reading to the next.
        age_s: how much older than its request a reading may be.
        error: how far a reading may be from the truth, in the signal's unit.
    """

    every_s: float
    age_s: float
    error: float

    def better(self, names: Iterable[str], times: float) -> Facts:
        """Return facts some of which are so many times as good, rounded to what is better still."""
        rounded = {name: outward(getattr(self, name) / times, 3, up=False) for name in names}
        return replace(self, **rounded)


_ALONE: Final = (("every_s",), ("age_s",), ("error",))
_TOGETHER: Final = ("every_s", "age_s", "error")


def deciding_facts(
    found: Ruling, formula: Formula, decider: Decider, traits: SignalTraits, seen: ReadingStats
) -> tuple[Facts, Facts, float] | None:
    """Return the present facts, the nearest that would decide it, and how near to its limit the truth may then be.

    With evidence of such facts the envelope is nowhere further from the truth than

        room = 2 error + rate * (every + age + trip)

    so a course in the middle of the present envelope, so much room to either side, is what is decided again. One fact
    alone is asked for before all together; of these the one that must become better by the least.
    """
    rate, points = traits.rate_per_s, _POINTS.get(type(formula))
    if not rate or points is None or found.margin is None:
        return None
    present = Facts(seen.spacing_s, traits.refreshed_every_s, traits.error)
    wide_s = seen.trip_s + decider.s2 - decider.s1

    def room(facts: Facts) -> float:
        return 2 * facts.error + rate * (facts.every_s + facts.age_s + wide_s)

    def decides(facts: Facts) -> bool:
        if facts.every_s < max(_QUICKEST_S, seen.trip_s):
            return False
        if isinstance(formula, formulas.StaysFormula):  # keeps no pieces; its margin is exact
            blind = traits.error + rate * (seen.trip_s + traits.refreshed_every_s) / 2
            return found.margin is not None and room(facts) <= found.margin.high - blind
        tube = around_middle(decider.pieces, room(facts))
        return tried(formula, decider, tube, rate).verdict is not Verdict.INCONCLUSIVE

    best = None
    for names in (*_ALONE, _TOGETHER):
        improved = _nearest(present, names, decides)
        if improved is not None and (best is None or (names in _ALONE and improved[0] < best[0])):
            best = improved
    return (present, best[1], points * room(best[1])) if best is not None else None


def deciding_deadline(formula: Formula, decider: Decider, rate_per_s: float | None) -> float | None:
    """Return the nearest later deadline with which the same evidence passes; None where there is none that helps."""
    if not isinstance(
        formula, formulas.ReachesFormula | formulas.ReturnsFormula | formulas.StartsMovingFormula
    ):
        return None

    def passes(within_s: float) -> bool:
        return (
            tried(replace(formula, within_s=within_s), decider, decider.pieces, rate_per_s).verdict
            is Verdict.PASS
        )

    # Later than this nothing of the evidence belongs to every instant of the stimulus.
    early, late = formula.within_s, formula.within_s + decider.s2 - decider.s1
    if late <= early or not passes(late):
        return None
    for _ in range(_HALVINGS):
        middle = (early + late) / 2
        early, late = (early, middle) if passes(middle) else (middle, late)
    rounded_s = outward(late, 3, up=True)
    return rounded_s if passes(rounded_s) else None


def _nearest(
    present: Facts, names: tuple[str, ...], decides: Callable[[Facts], bool]
) -> tuple[float, Facts] | None:
    """Return by how many times some facts must be better, and these facts; None where that cannot be had."""
    times, enough = 1.0, _BEST
    if not any(getattr(present, name) for name in names) or not decides(present.better(names, enough)):
        return None
    for _ in range(_HALVINGS):
        middle = sqrt(times * enough)
        times, enough = (times, middle) if decides(present.better(names, middle)) else (middle, enough)
    return enough, present.better(names, enough)


def advice(
    found: Ruling,
    formula: Formula,
    decider: Decider,
    traits: SignalTraits,
    seen: ReadingStats,
    *,
    rate_per_s: float | None,
) -> str:
    """Return what would decide it, as the end of a sentence; empty when nothing is certain to."""
    decimals = decimals_for(traits.error)
    unit = f" {traits.unit}" + ("/s" if isinstance(formula, formulas.MovesAtFormula) else "")
    one_sided = isinstance(formula, formulas.StaysFormula) and None in {formula.low, formula.high}
    limits = deciding_limits(found, formula, decider, traits, rate_per_s)
    nouns = ("a limit" if one_sided else _NOUNS[type(formula)], "one")
    ways: list[str] = []
    read = rate_per_s and not isinstance(traits, ReckonedTraits)
    facts = deciding_facts(found, formula, decider, traits, seen) if read else None
    if facts is not None:
        present, better, within = facts
        nearest = value_text(outward(within, decimals, up=True), decimals)
        asked = [
            words.format(value_text(getattr(better, name), 3), unit)
            for name, words in _WORDS.items()
            if getattr(better, name) < getattr(present, name)
        ]
        ways.append(
            f"{', '.join(asked)} would decide it, unless {traits.name} really came within {nearest}{unit} of its limit"
        )
    # Better evidence before an easier requirement.
    ways.append(
        ", ".join(
            f"{noun} of {value_text(limit, decimals)}{unit} would {verdict}"
            for noun, (verdict, limit) in zip(nouns, limits.items(), strict=False)
        )
    )
    if (within_s := deciding_deadline(formula, decider, rate_per_s)) is not None:
        ways.append(f"a deadline of {value_text(within_s, 3)} s would pass")
    return "; ".join(way for way in ways if way)


def tried(formula: Formula, decider: Decider, pieces: Iterable[Piece], rate_per_s: float | None) -> Decider:
    """Return a decider that has judged pieces by another formula, or others by the same one."""
    trial = decider_of(formula, Window(decider.s1, decider.s2), rate_per_s, continuous=True)
    for piece in pieces:
        trial.piece(piece)
    if trial.verdict is None:
        trial.finish()
    return trial


def around_middle(pieces: Track, room: float) -> Iterator[Piece]:
    """Yield an envelope so wide to either side of the middle of another; nothing where nothing is known."""
    for t0, l0, u0, t1, l1, u1 in pieces:
        if u0 == INF or l0 == -INF:
            return
        at0, at1 = (l0 + u0) / 2, (l1 + u1) / 2
        yield Piece(t0, at0 - room, at0 + room, t1, at1 - room, at1 + room)
