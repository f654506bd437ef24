"""The scenarios of limits and sides, which change while an override lasts, and of what follows an override (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from ventproof.draft.stimuli import begun, ended, number, plain, played, quantity, turned
from ventproof.draft.story import Phase, Scenario, ScenarioBuilder
from ventproof.table.lines import condition_name
from ventproof.table.model import ActiveCondition
from ventproof_bench.base.quantities import Dimension

if TYPE_CHECKING:
    from ventproof.draft.stimuli import PlannedStimulus
    from ventproof.table.model import TableOverride


_ABEAM_DEG: Final = 90.0
_TURN_DEG: Final = 360.0
_CLEAR_DEG: Final = 1.0
_BEYOND: Final = 1.25
"""Of the accuracy: how far beyond it a value lies that the unit must tell from its threshold."""
_SPARE_S: Final = 5.0


def changing(builder: ScenarioBuilder, name: str, override: TableOverride) -> Iterator[Scenario]:
    """Yield the scenarios in which an override lasts and sends the vents elsewhere."""
    if override.limits and override.measures in builder.conditions(name):
        yield _limits(builder, name, override)
    if not override.leeward or builder.table.direction is None or not builder.conditions(name):
        return
    sides, vent = builder.table.sides, next(iter(override.leeward))
    if sides.dead_band.value > _BEYOND * sides.accuracy.value:
        yield _wavering(builder, name, vent)
        yield _nearly_behind(builder, name, vent)
    if sides.settles_after > 2 * sides.delay_tolerance + _SPARE_S:
        yield _short_turn(builder, name, vent)


def _limits(builder: ScenarioBuilder, name: str, override: TableOverride) -> Scenario:
    """Return winds, or rains, from where limits begin to fall to where they have fallen, and back."""
    assert override.fall_between is not None, "whoever asks sees to it"
    condition = override.measures
    begin, end = override.fall_between
    low, high = begin.value, end.value
    off_by = _BEYOND * condition.accuracy.value
    values = (low - off_by, (low + high) / 2, high + off_by, (low + high) / 2)
    lasting = (max(value, condition.begins_at.value + off_by) for value in values)
    about = (
        f"While {plain(name)} lasts the vents may stand open no further than its limits, and these fall from"
        f" {begin} to {end}. When it abates the limits rise again, and the vents follow them."
    )
    return builder.scenario(
        f"{name}-limits",
        title=f"{plain(name)} limits the vents",
        about=about,
        overrides=(name,),
        phases=builder.during(
            name, condition, *(builder.phase(played(condition, round(value, 2))) for value in lasting)
        ),
        proves=(*(f"{name}.limits.{vent}" for vent in override.limits), f"{name}.fall_between"),
    )


def _wavering(builder: ScenarioBuilder, name: str, vent: str) -> Scenario:
    """Return a wind that turns to just within the dead band, and then past it."""
    sides = builder.table.sides
    near, past = sides.dead_band.value - _BEYOND * sides.accuracy.value, _past(builder)
    within, beyond = (_turn(builder, vent, -by) for by in (near, past))
    why = f"a vent changes its side {sides.dead_band} past straight across"
    phases = (
        Phase(within.about, ((0.0, within),), sides.settles_after + sides.delay_tolerance + _SPARE_S, why),
        builder.phase(beyond),
    )
    about = (
        f"A wind that wavers about straight across vent {plain(vent)} must not move it to and fro: it changes its side"
        f" only once the wind is {sides.dead_band} past that."
    )
    title = f"{plain(name)} wavers across {plain(vent)}"
    return _in_the_lee(
        builder,
        name,
        vent,
        file=f"{name}-wavers",
        title=title,
        about=about,
        phases=phases,
        proves=("sides.dead_band",),
    )


def _nearly_behind(builder: ScenarioBuilder, name: str, vent: str) -> Scenario:
    """Return a wind that turns from ahead to just within the dead band before the override begins.

    What only closes does not open in the lee: so the way into the lee shows by where the vent is sent at first.
    """
    sides, condition = builder.table.sides, builder.conditions(name)[0]
    nearly = _turn(builder, vent, sides.dead_band.value - _BEYOND * sides.accuracy.value)
    begins = begun(condition)
    about = (
        f"A wind that has turned from ahead of vent {plain(vent)} to less than {sides.dead_band} past straight across"
        f" does not bring it into the lee: {plain(name)} must send it where it sends a vent that faces the wind."
    )
    return builder.scenario(
        f"{name}-nearly-behind",
        title=f"{plain(name)} nearly from behind {plain(vent)}",
        about=about,
        overrides=(name,),
        phases=builder.during(
            name,
            condition,
            Phase(f"{begins.about}, nearly from behind", ((0.0, nearly), (builder.turned_s, begins))),
        ),
        proves=(f"{name}.positions.{vent}",),
    )


def _short_turn(builder: ScenarioBuilder, name: str, vent: str) -> Scenario:
    """Return a wind that turns to the other side for too short a time, and then for long enough."""
    sides, past = builder.table.sides, _past(builder)
    behind, ahead = (_turn(builder, vent, by) for by in (past, -past))
    short_s = float(int(sides.settles_after - sides.delay_tolerance - 1))
    why = f"a vent changes its side after {number(sides.settles_after)} s"
    shortly = ((0.0, ahead), (short_s, behind))
    phases = (
        Phase(f"{ahead.about}, but not for long enough", shortly, 2 * sides.settles_after + _SPARE_S, why),
        builder.phase(ahead),
    )
    about = (
        f"A wind that turns for a moment moves no vent: {plain(vent)} changes its side when the wind has come from"
        f" there for {number(sides.settles_after)} s."
    )
    title = f"{plain(name)} turns for a moment"
    return _in_the_lee(
        builder,
        name,
        vent,
        file=f"{name}-turns",
        title=title,
        about=about,
        phases=phases,
        proves=("sides.settles_after",),
    )


def _past(builder: ScenarioBuilder) -> float:
    """Return an angle beyond straight across that is clear of the dead band."""
    sides = builder.table.sides
    return sides.dead_band.value + max(_BEYOND * sides.accuracy.value, _CLEAR_DEG)


def _turn(builder: ScenarioBuilder, vent: str, beyond_deg: float) -> PlannedStimulus:
    """Return a wind that comes from so far beyond straight across a vent, to the lee side."""
    faces, direction = builder.table.vents[vent].faces, builder.table.direction
    assert faces is not None and direction is not None, "loading sees to it"  # noqa: PT018 - one thought
    return turned(direction, quantity((faces + _ABEAM_DEG + beyond_deg) % _TURN_DEG, Dimension.DIRECTION))


def _in_the_lee(
    builder: ScenarioBuilder,
    name: str,
    vent: str,
    *,
    file: str,
    title: str,
    about: str,
    phases: tuple[Phase, ...],
    proves: tuple[str, ...],
) -> Scenario:
    """Return a scenario that begins with a vent in the lee."""
    condition = builder.conditions(name)[0]
    behind, begins = _turn(builder, vent, _past(builder)), begun(condition)
    first = Phase(f"{begins.about}, from behind", ((0.0, behind), (builder.turned_s, begins)))
    return builder.scenario(
        file,
        title=title,
        about=about,
        overrides=(name,),
        phases=builder.during(name, condition, first, *phases),
        proves=proves,
    )


def following(builder: ScenarioBuilder, name: str, override: TableOverride) -> Iterator[Scenario]:
    """Yield the scenarios of an override that begins with another one: by the first weather that begins that."""
    for condition in override.conditions:
        if not isinstance(condition, ActiveCondition) or not builder.conditions(condition.active):
            continue
        first, its = condition.active, condition_name(override, condition)
        weather, leads = builder.conditions(first)[0], builder.table.overrides[first]
        about = (
            f"{plain(name)} follows {plain(first)}, whatever weather that begins by. It must begin with it, and end"
            f" when that is over and its own release delay has passed."
        )
        yield builder.scenario(
            f"{name}-follows-{first}",
            title=f"{plain(name)} follows {plain(first)}",
            about=about,
            overrides=(first, name),
            phases=(
                *builder.given(name, condition),
                *builder.given(first, weather),
                builder.phase(begun(weather)),
                *builder.ending(first, leads, ended(builder.table, weather)),
            ),
            proves=(f"{name}.{its}", *builder.flag_lines(name), *builder.positions(name)),
        )
