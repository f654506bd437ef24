"""What a position that the unit itself reckons cannot prove (pure).

A unit without feedback counts how long it drove, and sets its position right when it believes to be at an end. Until
then the position may be wrong by as much as it jumps; and what makes it jump is the unit's belief, not the vent. So
that it reads 0 % never shows that the vent is shut.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ventproof.deciders import formulas
from ventproof.envelope.spans import EPS
from ventproof.judge.contrast import Role
from ventproof.verdict.finding import Ruling, Verdict
from ventproof.verdict.text import number_text

if TYPE_CHECKING:
    from ventproof.deciders.formulas import Formula
    from ventproof_bench.base.evidence import SignalTraits


def believed_place(formula: Formula, traits: SignalTraits) -> float | None:
    """Return the place that a demand wants reached and to which the unit may have set its position; None: no such.

    Args:
        formula: what is demanded.
        traits: what is declared of the signal.
    """
    if not isinstance(formula, formulas.ReachesFormula | formulas.ReturnsFormula):
        return None
    near = (place for place in traits.jumps_to if abs(place - formula.target) <= formula.tolerance + EPS)
    return next(near, None)


def unproved(place: float, traits: SignalTraits) -> tuple[str, str]:
    """Return why a pass there is none, and what would be right.

    Args:
        place: where the unit may have set its position to.
        traits: what is declared of the signal.
    """
    at = f"{number_text(place)} {traits.unit}"
    why = (
        f"{traits.name} is reckoned by the unit, which sets it to {at} when it believes that the vent is there: that "
        f"it reads {at} does not show it"
    )
    return (
        why,
        "require it of the vent's position by its drive contacts (`position_of`), or of an end switch",
    )


def believed(found: Ruling, formula: Formula, traits: SignalTraits, role: Role) -> Ruling:
    """Return a ruling; a pass that rests on the unit's own belief is none.

    Args:
        found: what the readings say.
        formula: what is demanded.
        traits: what is declared of the signal.
        role: a condition has nothing to prove.
    """
    if found.verdict is not Verdict.PASS or role is Role.CONDITION:
        return found
    place = believed_place(formula, traits)
    if place is None:
        return found
    return replace(found, verdict=Verdict.INCONCLUSIVE, why="; ".join(unproved(place, traits)))
