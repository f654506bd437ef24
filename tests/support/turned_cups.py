"""Cups that turn in a stated wind: their pulses, given to the mock as a bench would."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof.oracle.timeline import WeatherChange
    from ventproof_bench.mock.unit import MockUnit


def turn_cups(unit: MockUnit, weather: Iterable[WeatherChange], until_s: float) -> None:
    """Close the contact of the cups once a turn, as each wind lasts, until an instant of the unit's time."""
    winds = [c for c in weather if c.kind == "wind"]
    turned = 0.5  # of the way to the next pulse: cups keep turning when the wind changes
    for change, until in zip(winds, [*winds[1:], None], strict=False):
        at_s, end_s = change.at_s, until.at_s if until else until_s
        hertz = max(0.0, (change.value - 0.4) / 1.2)
        while hertz and at_s + (1 - turned) / hertz < end_s:
            at_s, turned = at_s + (1 - turned) / hertz, 0.0
            unit.set_contact("cups", at_s, closed=True)
            unit.set_contact("cups", at_s + 0.02, closed=False)
        turned += (end_s - at_s) * hertz
