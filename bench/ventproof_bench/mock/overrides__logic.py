"""The override logic: which target a vent has, from its stage and from one override (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.mock.behaviour import Behaviour


@final
@dataclass(frozen=True, slots=True)
class OverrideRule:
    """Where the vents go while the override is active.

    Attributes:
        positions: override position of each vent group, %; groups not named keep to their stage.
        only_close: a vent below its override position stays there; none opens during the override.
    """

    positions: Mapping[str, float]
    only_close: bool


def faulty_rule(rule: OverrideRule, behaviour: Behaviour) -> OverrideRule:
    """Return the rule as a unit of this behaviour carries it out."""
    rule = shifted(rule, behaviour.first_position_shift_percent)
    rule = shifted(rule, behaviour.last_position_shift_percent, group=-1)
    names = list(rule.positions)
    positions = dict(rule.positions)
    if len(names) > 1 and behaviour.positions_swapped:
        positions[names[0]], positions[names[1]] = positions[names[1]], positions[names[0]]
    if names and behaviour.skips_last_vent:
        del positions[names[-1]]
    return OverrideRule(positions, rule.only_close and not behaviour.opens_to_override)


def shifted(rule: OverrideRule, by_percent: float, *, group: int = 0) -> OverrideRule:
    """Return the rule with the position of one vent group, counted as a list's index, moved."""
    names = list(rule.positions)
    if not names or not by_percent:
        return rule
    moved = min(100.0, max(0.0, rule.positions[names[group]] + by_percent))
    return OverrideRule({**rule.positions, names[group]: moved}, rule.only_close)


def override_target(rule: OverrideRule, vent: str, stage_percent: float, ceiling_percent: float) -> float:
    """Return a vent's target during the override, %.

    Args:
        rule: the override.
        vent: name of the vent group.
        stage_percent: position that the ventilation stage calls for.
        ceiling_percent: where the vent stood when the override began, or its last target since then. Feeding
            each target back as the next ceiling is what keeps a vent from opening while it rains.
    """
    if vent not in rule.positions:
        return stage_percent
    if not rule.only_close:
        return rule.positions[vent]
    return min(rule.positions[vent], stage_percent, ceiling_percent)
