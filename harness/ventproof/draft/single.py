"""The scenarios of one override: that it begins, holds and ends, and where its edges are (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import ceil
from typing import TYPE_CHECKING, Final

from ventproof.draft.changing import changing, following
from ventproof.draft.stimuli import (
    PULSES_LATE_S,
    begun,
    close,
    cut,
    ended,
    just_beyond,
    just_lasting,
    just_over,
    lag_s,
    number,
    plain,
    played,
    pulsed,
    quantity,
    short_of,
    turned,
)
from ventproof.draft.story import Phase, Scenario, ScenarioBuilder, by
from ventproof.table.lines import condition_name
from ventproof.table.model import (
    ContactCondition,
    FailedCondition,
    LevelCondition,
    RainfallCondition,
    WindCondition,
)
from ventproof_bench.base.quantities import Dimension

if TYPE_CHECKING:
    from ventproof.draft.stimuli import TimedStimuli
    from ventproof.table.model import Condition, TableOverride


Threshold = WindCondition | RainfallCondition | LevelCondition
_OPPOSITE: Final = 180.0
_SPARE_S: Final = 5.0
_MS: Final = 1e-3


def alone(builder: ScenarioBuilder, name: str) -> Iterator[Scenario]:
    """Yield the scenarios of one override, those of each of its conditions together."""
    override = builder.table.overrides[name]
    for condition in builder.conditions(name):
        if not isinstance(condition, FailedCondition):
            yield _course(builder, name, override, condition)
        if isinstance(condition, WindCondition | RainfallCondition | LevelCondition):
            yield _edges(builder, name, override, condition)
        if isinstance(condition, WindCondition) and averages(builder, override, condition):
            yield _averaging(builder, name, override, condition)
        if isinstance(condition, ContactCondition):
            yield from _chatter(builder, name, override, condition)
            yield from _cut(builder, name, override, condition)
    if override.leeward:
        yield from _leeward(builder, name, override)
    yield from changing(builder, name, override)
    yield from following(builder, name, override)


def _course(builder: ScenarioBuilder, name: str, override: TableOverride, condition: Condition) -> Scenario:
    begins, ends = begun(condition), ended(builder.table, condition)
    its = condition_name(override, condition)
    about = (
        f"The house is warm and every vent stands open. Then: {begins.about}. The {plain(name)} override must begin"
        f" after its entry delay, and the vents must go to their positions in time and stay there. When the"
        f" condition is over they wait for the release delay, and only then open again."
    )
    joint = builder.joint(name, condition)
    proves = (f"{name}.{its}", *joint, *builder.flag_lines(name), *builder.positions(name))
    phases = (
        *builder.given(name, condition),
        builder.phase(begins),
        *builder.ending(name, override, ends),
    )
    if override.latched:
        proves = (*proves, f"{name}.latched")
    title = f"{by(name, its)} begins, holds and ends"
    return builder.scenario(
        f"{name}-by-{its}", title=title, about=about, overrides=(name,), phases=phases, proves=proves
    )


def _edges(builder: ScenarioBuilder, name: str, override: TableOverride, condition: Threshold) -> Scenario:
    its = condition_name(override, condition)
    slow_s = lag_s(condition) + override.delay_tolerance + 5
    begins, ends = condition.begins_at, condition.ends_at
    near, far = ("below", "above") if condition.rising else ("above", "below")
    about = (
        f"The {plain(name)} override begins at {begins} and lasts to {ends}, where the unit may be off by"
        f" {condition.accuracy}. Just short of the threshold nothing may happen; just beyond it the override must"
        f" begin. It must last until the value is back past {ends}, and end just beyond that."
    )

    def step(value: float, title: str, watch_s: float, why: str, *, lasts: bool = False) -> Phase:
        return Phase(title, ((0.0, played(condition, value, lasts=lasts)),), watch_s, why)

    waits_s = slow_s + override.entry_delay
    short = step(short_of(condition), f"just {near} {begins}", waits_s, f"the threshold is {begins}")
    if _has_longer_mean(override, condition):
        # It may not last: the longer mean would begin the override.
        calm = (waits_s, ended(builder.table, condition))
        short = replace(short, title=f"{short.title}, and calm", stimuli=(*short.stimuli, calm))
    phases: tuple[Phase, ...] = (
        *builder.given(name, condition),
        short,
        step(just_beyond(condition), f"just {far} {begins}", 10.0, ""),
        step(
            just_lasting(condition),
            f"just {far} {ends}",
            slow_s + override.release_delay,
            f"it lasts to {ends}",
            lasts=True,
        ),
    )
    if not override.latched:
        phases = (*phases, step(just_over(condition), f"just {near} {ends}", 10.0, "", lasts=True))
    proves = (f"{name}.{its}", f"{name}.{its}.ends_at")
    title = f"{by(name, its)}, at the edges of its hysteresis"
    return builder.scenario(
        f"{name}-edges-of-{its}",
        title=title,
        about=about,
        overrides=(name,),
        phases=phases,
        proves=proves,
    )


def _has_longer_mean(override: TableOverride, condition: Threshold) -> bool:
    """Return whether a mean of the same wind over a longer time calls for the override, too."""
    return isinstance(condition, WindCondition) and any(
        isinstance(its, WindCondition)
        and its.wind == condition.wind
        and its.averaged_over > condition.averaged_over
        for its in override.when
    )


def averages(builder: ScenarioBuilder, override: TableOverride, condition: WindCondition) -> bool:
    """Return whether a bench can tell a mean of the wind from the wind itself.

    In a wind just beyond the threshold that rises from nothing, a mean must come so much later that a unit without one
    would surely have been seen to begin too early.
    """
    if override.flag is None or not builder.margins.watches(override.flag):
        return False
    reaches = (condition.begins_at.value - condition.accuracy.value) / just_beyond(condition)
    early_s = (
        condition.averaged_over * reaches - override.delay_tolerance - builder.margins.late_s(override.flag)
    )
    return condition.rising and early_s > override.delay_tolerance + PULSES_LATE_S


def _averaging(
    builder: ScenarioBuilder, name: str, override: TableOverride, condition: WindCondition
) -> Scenario:
    its = condition_name(override, condition)
    rises = played(condition, just_beyond(condition))
    about = (
        f"After a calm the wind rises to just beyond {condition.begins_at}. The mean over"
        f" {number(condition.averaged_over)} s reaches the threshold only when nearly all of that time has passed:"
        f" {plain(name)} must not begin as soon as the wind does."
    )
    return builder.scenario(
        f"{name}-mean-of-{its}",
        title=f"{plain(name)} goes by the mean of the {plain(its)}",
        about=about,
        overrides=(name,),
        phases=builder.during(name, condition, builder.phase(rises)),
        proves=(f"{name}.{its}.averaged_over",),
    )


def _chatter(
    builder: ScenarioBuilder, name: str, override: TableOverride, condition: ContactCondition
) -> Iterator[Scenario]:
    """Yield openings that are too short to be believed: a unit without a debounce would begin its delay anew."""
    open_s, closed_s = round(condition.debounce / 2, 3), round(override.entry_delay / 3, 1)
    fastest_s = builder.margins.fastest_edge_s(condition.contact)
    if override.flag is None or open_s < max(fastest_s, _MS) or closed_s < 2 * condition.debounce:
        return
    travel_s = max(vent.starts_within + vent.full_travel[1] for vent in builder.table.vents.values())
    times = ceil(
        (override.entry_delay + override.delay_tolerance + travel_s + _SPARE_S) / (open_s + closed_s)
    )
    if condition.state == "closed":
        train = pulsed(condition.contact, times, closed_s=closed_s, open_s=open_s)
        # The train outlasts whatever is expected of it, so that its end does not matter.
        chatter: TimedStimuli = ((0.0, replace(train, changes=train.changes[:-1])),)
    else:
        train = pulsed(condition.contact, times, closed_s=open_s, open_s=closed_s)
        chatter = ((0.0, begun(condition)), (closed_s, train))
    back = "openings" if condition.state == "closed" else "closures"
    about = (
        f"Contact {plain(condition.contact)} is {condition.state} but for {back} of {number(1000 * open_s)} ms. The"
        f" unit must not believe a state that lasts less than {number(1000 * condition.debounce)} ms: the"
        f" {plain(name)} override must begin as if the contact had stayed {condition.state}."
    )
    yield builder.scenario(
        f"{name}-chatter-of-{condition.contact}",
        title=f"{plain(condition.contact)} chatters",
        about=about,
        overrides=(name,),
        phases=(*builder.given(name, condition), Phase(train.about, chatter)),
        proves=(f"{name}.{condition.contact}.debounce",),
    )


def _cut(
    builder: ScenarioBuilder, name: str, override: TableOverride, condition: ContactCondition
) -> Iterator[Scenario]:
    """Yield a cut wire of a normally closed loop, which the unit cannot tell from an open contact."""
    if condition.state == "closed":
        return
    cuts, works = cut(condition.contact, closed=True)
    about = (
        f"The {plain(condition.contact)} is normally closed, so that a cut wire opens it too. The unit cannot see the"
        f" difference: the {plain(name)} override must begin, and end when the wire works again."
    )
    # Stated once, so that the start closes it: what a mended wire shows must be known.
    whole = Phase(f"the {plain(condition.contact)} is whole", ((0.0, close(condition.contact)),))
    yield builder.scenario(
        f"{name}-{condition.contact}-is-cut",
        title=f"the wire of the {plain(condition.contact)} is cut",
        about=about,
        overrides=(name,),
        phases=(
            *builder.given(name, condition),
            whole,
            builder.phase(cuts),
            *builder.ending(name, override, works),
        ),
        proves=(f"{name}.{condition_name(override, condition)}", *builder.flag_lines(name)),
    )


def _leeward(builder: ScenarioBuilder, name: str, override: TableOverride) -> Iterator[Scenario]:
    conditions = builder.conditions(name)
    if builder.table.direction is None or not conditions:
        return
    for vent in override.leeward:
        faces = builder.table.vents[vent].faces
        assert faces is not None, "loading sees to it"
        begins, ends = begun(conditions[0]), ended(builder.table, conditions[0])
        behind, ahead = (
            turned(builder.table.direction, quantity(degrees, Dimension.DIRECTION))
            for degrees in ((faces + _OPPOSITE) % (2 * _OPPOSITE), faces)
        )
        about = (
            f"Vent {plain(vent)} opens away from the wind. In {plain(name)} it may stand further open than to"
            f" windward; when the wind turns it must close as far as the other side must."
        )
        phases = (
            *builder.given(name, conditions[0]),
            Phase(f"{begins.about}, from behind", ((0.0, behind), (builder.turned_s, begins))),
            builder.phase(ahead),
            *builder.ending(name, override, ends),
        )
        yield builder.scenario(
            f"{name}-leeward-{vent}",
            title=f"{plain(name)} on the lee side of {plain(vent)}",
            about=about,
            overrides=(name,),
            phases=phases,
            proves=(f"{name}.leeward.{vent}", f"{name}.positions.{vent}"),
        )
