"""Limits of a rule that fall with the wind or the rain: as a bench file states them, and how far a vent may be open."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from pydantic import Field, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension
from ventproof_bench.mock.rules.terms import RainTerm, WindTerm
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, Name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.rules.terms import Term


_FULL_PERCENT = 100.0


class LimitSettings(FileModel):
    """Limits that fall with what the rule's wind or rain term measures."""

    limits: dict[Name, tuple[AnyQuantity, AnyQuantity]] = Field(default_factory=dict)
    """How far each vent group may be open at most while the rule is active: at the first value of
    `fall_between`, and at its second."""
    fall_between: tuple[AnyQuantity, AnyQuantity] | None = None
    """Values of wind or rain between which the limits fall."""

    @model_validator(mode="after")
    def _limits_fall(self) -> Self:
        if bool(self.limits) != (self.fall_between is not None):
            raise Refusal(
                "`limits` and `fall_between` need each other",
                "state both, or leave out both",
                key="fall_between",
            )
        for first, last in self.limits.values():
            if any(its.dimension is not Dimension.PERCENT for its in (first, last)) or not (
                _FULL_PERCENT >= first.value > last.value >= 0
            ):
                reason = f"the limits {first.text} and {last.text} do not fall"
                raise Refusal(reason, "write [higher limit, lower limit]", key="limits")
        if self.fall_between is not None and not 0 <= self.fall_between[0].value < self.fall_between[1].value:
            reason = f"`fall_between` does not rise: from {self.fall_between[0].text} to {self.fall_between[1].text}"
            raise Refusal(reason, "write [lower value, higher value]", key="fall_between")
        return self

    def check_measured(self, when: Sequence[Sequence[Term]]) -> None:
        """Refuse limits by what nothing in the terms of a rule measures. Raises `ValueError`."""
        if self.fall_between is None:
            return
        measured = {type(term) for terms in when for term in terms} & {WindTerm, RainTerm}
        wants = Dimension.SPEED if measured == {WindTerm} else Dimension.RAIN_INTENSITY
        if len(measured) != 1 or any(its.dimension is not wants for its in self.fall_between):
            reason = f"nothing in `when` measures {self.fall_between[0].text} to {self.fall_between[1].text}"
            raise Refusal(
                reason,
                "add `wind_over` for limits by m/s, `rain_from` for limits by mm/h",
                key="fall_between",
            )

    def at(self, value: float, behaviour: Behaviour) -> dict[str, float]:
        """Return how far each vent group may be open at most, %, at a wind or a rain in its canonical unit."""
        if self.fall_between is None:
            return {}
        begin, end = (its.value * behaviour.limit_scale_factor for its in self.fall_between)
        share = 0.0 if behaviour.limits_fixed else min(1.0, max(0.0, (value - begin) / (end - begin)))
        return {
            vent: min(
                _FULL_PERCENT,
                first.value + share * (last.value - first.value) + behaviour.limit_shift_percent,
            )
            for vent, (first, last) in self.limits.items()
        }
