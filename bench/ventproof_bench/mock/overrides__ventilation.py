"""Staged ventilation: which stage the house temperature calls for, with hysteresis (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

_GRID_DECIMALS = 9  # tenths of a degree are not exact in binary: 22 - 0.3 and 217 / 10 must compare equal


def next_stage(stage: int, temperature_c: float, stage_at_c: Sequence[float], hysteresis_c: float) -> int:
    """Return the stage that follows `stage` at a house temperature, °C.

    Stage n begins at `stage_at_c[n - 1]`, rising, and ends `hysteresis_c` below that, both limits inclusive;
    with no hysteresis it ends just below where it began.
    """
    temperature_c = round(temperature_c, _GRID_DECIMALS)
    while stage < len(stage_at_c) and temperature_c >= stage_at_c[stage]:
        stage += 1
    while stage and temperature_c <= round(stage_at_c[stage - 1] - hysteresis_c, _GRID_DECIMALS):
        if temperature_c >= stage_at_c[stage - 1]:
            break
        stage -= 1
    return stage
