"""How findings tell of a position that is reckoned from drive contacts, and what would decide an open one (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.deciders import formulas
from ventproof.envelope.spans import clip
from ventproof.judge.advice import around_middle, tried
from ventproof.verdict.finding import Bounds, Verdict
from ventproof.verdict.text import decimals_for, number_text, outward, range_text, value_text
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from ventproof.deciders.base import Decider
    from ventproof.deciders.formulas import Formula
    from ventproof.envelope.readings import ReadingStats
    from ventproof.verdict.finding import Ruling
    from ventproof_bench.base.evidence import Gap, SignalTraits

_WHOLE_PERCENT: Final = 100.0
_ANYWHERE_PERCENT: Final = 50.0
"""Where this much is open the vent was at no end yet: no run from there leaves so much."""
_HALVINGS: Final = 8
_LEAST_PERCENT: Final = 0.05
"""Closer than this nothing is known of a vent by its contacts."""


def sourced(said: str, traits: SignalTraits) -> str:
    """Return a sentence about what was seen, with what it rests on where that is no reading of the value."""
    return f"{said}, reckoned from its drive contacts" if isinstance(traits, ReckonedTraits) else said


def not_bridged(gap: Gap | None, traits: SignalTraits) -> Gap | None:
    """Return a gap, if it is one: of contacts, one that is shorter than they keep their state opens nothing."""
    if gap is None or not isinstance(traits, ReckonedTraits):
        return gap
    return gap if gap.to_s - gap.from_s >= (traits.keeps_for_s or 0.0) / 2 else None


def place_unknown(decider: Decider, traits: SignalTraits) -> str:
    """Return why it is not known where the vent stood at the stimulus, and what to do; empty where it is known."""
    if not isinstance(traits, ReckonedTraits):
        return ""
    parts = [part for piece in decider.pieces if (part := clip(piece, decider.s1, decider.s2)) is not None]
    if not parts:
        return ""
    stood = Bounds(min(part.l0 for part in parts), max(part.u0 for part in parts))
    if stood.high - stood.low < _ANYWHERE_PERCENT:
        return ""
    longest_s = max(traits.travel.open_s[1], traits.travel.close_s[1])
    return (
        f"{traits.name} may have been anywhere from {range_text(stood, ' %')}: its drive contacts had not driven it "
        f"to an end; let it run to an end before, for {number_text(longest_s)} s or longer"
    )


def nearer(
    found: Ruling, formula: Formula, decider: Decider, traits: ReckonedTraits, seen: ReadingStats
) -> str:
    """Return how closely the position would have to be known, and what brings that; empty where nothing would.

    A position in the middle of what the contacts leave, known that closely, is what is decided again.

    Args:
        found: the ruling, without its sentence.
        formula: what was demanded.
        decider: what left it open.
        traits: what is declared of the position.
        seen: how densely its contacts were read.
    """
    room = _deciding_room(found, formula, decider, traits)
    if room is None:
        return ""
    decimals = decimals_for(traits.error)
    known = value_text(outward(room, decimals, up=False), decimals)
    return f"a position known to ± {known} % would decide it: {', or '.join(_cures(traits, seen))}"


def _deciding_room(found: Ruling, formula: Formula, decider: Decider, traits: ReckonedTraits) -> float | None:
    if isinstance(formula, formulas.StaysFormula):  # keeps no pieces; its margin is exact
        room = abs(found.margin.low + found.margin.high) / 2 if found.margin is not None else 0.0
        return room if room >= _LEAST_PERCENT else None

    def decides(room: float) -> bool:
        tube = around_middle(decider.pieces, room)
        return tried(formula, decider, tube, traits.rate_per_s).verdict is not Verdict.INCONCLUSIVE

    near, far = _LEAST_PERCENT, _WHOLE_PERCENT / 2
    if not decides(near):
        return None
    for _ in range(_HALVINGS):
        middle = (near + far) / 2
        near, far = (middle, far) if decides(middle) else (near, middle)
    return near


def _cures(traits: ReckonedTraits, seen: ReadingStats) -> list[str]:
    """Return what narrows the interval, in the order of what is had most easily."""
    cures = []
    if seen.spacing_s:
        contacts = " and ".join(traits.flags[:2])
        cures.append(f"read {contacts} more often than every {value_text(seen.spacing_s, 3)} s")
    travel = traits.travel
    spans = {span for span in (travel.open_s, travel.close_s) if span[0] < span[1]}
    if spans:
        low, high = max(spans, key=lambda span: span[1] / span[0])
        cures.append(f"declare a narrower full_travel than {number_text(low)} to {number_text(high)} s")
    cures.append(
        "let it run to an end shortly before" if traits.known_at else "read an end switch (`known_at`)"
    )
    return cures
