"""The unit's drives as its settings and its faults make them (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.mock.actuator import Actuator, Travel

if TYPE_CHECKING:
    from bench.mock.behaviour import Behaviour
    from bench.mock.settings import MockSettings


def drives(
    settings: MockSettings, behaviour: Behaviour, *, start_s: float, phase: int
) -> dict[str, Actuator]:
    """Return a drive for each vent group, closed at `start_s`; jams and exchanged wires are the first group's."""
    return {
        name: Actuator(
            Travel(
                rate_percent_s=100 / (group.full_travel * behaviour.travel_factor),
                dead_time_s=group.dead_time + behaviour.extra_dead_time_s,
                coast_s=group.coast + behaviour.extra_coast_s,
                stalls_at_percent=None if i else behaviour.stalls_at_percent,
                stalls_opening_percent=None if i else behaviour.stalls_opening_percent,
                creep_percent_s=behaviour.creep_percent_s,
                slips_percent=behaviour.slips_percent,
                deadband_percent=behaviour.deadband_percent,
                skips_every=behaviour.skips_command_every,
                inverted=i == 0 and behaviour.runs_inverted,
            ),
            start_s,
            commands=phase,
        )
        for i, (name, group) in enumerate(settings.vents.items())
    }
