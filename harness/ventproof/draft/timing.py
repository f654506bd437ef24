"""Too short; silent (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, floor
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.assembly import Band, found, named, percent
from ventproof.draft.stimuli import (
    READ_BEFORE_S,
    asked,
    begun,
    ended,
    idle,
    lag_s,
    none,
    number,
    plain,
    played,
)
from ventproof.draft.story import LONGEST_WAIT_S, Phase, Scenario, ScenarioBuilder, by
from ventproof.table.lines import condition_name
from ventproof.table.model import (
    BusSilentCondition,
    ContactCondition,
    FailedCondition,
    LevelCondition,
    WindCondition,
    output_of,
)

if TYPE_CHECKING:
    from ventproof.profile.model import Response
    from ventproof.table.model import Condition, OverrideTable, TableOverride
    from ventproof_bench.base.quantities import Quantity


_SPARE_S: Final = 5.0


@final
@dataclass(frozen=True, slots=True)
class _Waits:
    """How long a condition must be there and over, how far off that may be, and the table's lines that say so.

    What came too early would show after `shows_in_s` and `shows_out_s`; a line without them is not shown.
    """

    in_s: float
    out_s: float
    shows_in_s: float
    shows_out_s: float
    off_by_s: float
    why_in: str
    why_out: str
    in_lines: list[str]
    out_lines: list[str]


def too_short(builder: ScenarioBuilder) -> Iterator[Scenario]:
    """Yield the scenarios of every condition that can come and go that fast."""
    for name, override in builder.table.overrides.items():
        for condition in builder.conditions(name):
            if isinstance(condition, ContactCondition | LevelCondition | FailedCondition):
                yield from _too_short(builder, name, override, condition)


def _too_short(
    builder: ScenarioBuilder, name: str, override: TableOverride, condition: Condition
) -> Iterator[Scenario]:
    """Yield what is a little shorter than a delay; a sensor's own times come on top of the override's."""
    output, its = str(output_of(condition)), condition_name(override, condition)
    waits = _waits(name, override, condition, builder.table)
    signal = override.flag or next(iter(builder.table.vents.values())).signal
    edge_s = lag_s(condition) + builder.margins.late_s(signal)
    short_in_s, short_out_s = (
        _tenth(wait_s - waits.off_by_s - edge_s) for wait_s in (waits.in_s, waits.out_s)
    )
    begins, ends = begun(condition), ended(builder.table, condition)
    failing = isinstance(condition, FailedCondition)
    phases = [*builder.given(name, condition)]
    proves: list[str] = []
    if waits.in_lines and short_in_s >= edge_s:
        watch_s = short_in_s + waits.shows_in_s + waits.off_by_s + _SPARE_S
        title = f"{begins.about}, but not for long enough"
        phases.append(Phase(title, ((0.0, begins), (short_in_s, ends)), watch_s, waits.why_in))
        proves += waits.in_lines
    phases.append(builder.phase(begins))
    if waits.out_lines and short_out_s >= edge_s:
        watch_s = short_out_s + waits.shows_out_s + waits.off_by_s + _SPARE_S
        title = f"{ends.about}, but not for long enough"
        why = f"{waits.why_out} and restarts"
        phases.append(Phase(title, ((0.0, ends), (short_out_s, begins)), watch_s, why))
        proves += waits.out_lines
    if not proves:
        return
    about = (
        f"Weather that comes for too short a time must move nothing, and a pause that is too short must not open"
        f" the vents: {plain(name)} waits for its full delays, and restarts them."
    )
    phases.extend(builder.ending(name, override, ends))
    yield builder.scenario(
        f"{name}-{f'{output}-failure' if failing else its}-too-short",
        title=f"{builder.failing(name, output)}, too short" if failing else f"{by(name, its)}, too short",
        about=about,
        overrides=(name,),
        phases=tuple(phases),
        proves=tuple(proves),
    )


def _waits(name: str, override: TableOverride, condition: Condition, table: OverrideTable) -> _Waits:
    in_s, out_s, off_by_s = override.entry_delay, override.release_delay, override.delay_tolerance
    if not isinstance(condition, FailedCondition):
        return _Waits(
            in_s=in_s,
            out_s=out_s,
            shows_in_s=in_s,
            shows_out_s=out_s,
            off_by_s=off_by_s,
            why_in=f"the entry delay is {number(in_s)} s",
            why_out=f"the release delay is {number(out_s)} s",
            in_lines=[f"{name}.entry_delay"],
            out_lines=[f"{name}.release_delay"],
        )
    sensor, line = table.sensors[condition.failed], f"sensors.{condition.failed}"
    # Failed too early it counts until it is trusted again, and trusted too early until it fails again: only an
    # override whose delay is over by then shows it.
    shows_in, shows_out = in_s < sensor.recovers_after, out_s < sensor.fails_after
    return _Waits(
        in_s=sensor.fails_after,
        out_s=sensor.recovers_after,
        shows_in_s=in_s + sensor.fails_after + sensor.recovers_after,
        shows_out_s=out_s + sensor.fails_after + sensor.recovers_after,
        off_by_s=sensor.delay_tolerance,
        why_in=f"it fails after {number(sensor.fails_after)} s",
        why_out=f"it is trusted again after {number(sensor.recovers_after)} s",
        in_lines=[f"{line}.fails_after"] if shows_in else [],
        out_lines=[f"{line}.recovers_after"] if shows_out else [],
    )


def _tenth(span_s: float) -> float:
    return int(span_s * 10) / 10


_LONGEST_SILENCE_S: Final = 3000.0  # in idle time the bus is asked once an hour
_LONGEST_STILL_S: Final = 7 * 86_400.0
_SHORT_BY_S: Final = 10.0
_SILENCE_SPARE_S: Final = 10.0
_LEAST_S: Final = 2.0


def silences(builder: ScenarioBuilder) -> Iterator[Scenario]:
    """Yield a scenario for each override that waits for a silent bus, or for cups that stand still for hours."""
    if builder.margins.bench.interlock is not None:
        return  # it must be read all the time
    for name, override in builder.table.overrides.items():
        if override.flag is None or override.latched:
            continue
        for placed in override.placed:
            condition = placed.condition
            if isinstance(condition, BusSilentCondition) and builder.allowed(name, condition):
                yield from _bus(builder, name, override, condition)
            elif isinstance(condition, FailedCondition) and placed.part is None:
                yield from _still(builder, name, override, condition)


def _bus(
    builder: ScenarioBuilder, name: str, override: TableOverride, condition: BusSilentCondition
) -> Iterator[Scenario]:
    silent_s = condition.bus_silent
    flag, table, on = str(override.flag), builder.table, override.flag_while_active == "on"
    late_s = builder.margins.late_s(flag)
    lasts_s = floor(override.release_delay - override.delay_tolerance - READ_BEFORE_S - late_s - 1)
    if not 2 * _SHORT_BY_S <= silent_s <= _LONGEST_SILENCE_S or lasts_s < _LEAST_S:
        return
    closes_s = max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    begins_s = silent_s + override.entry_delay + override.delay_tolerance
    long_s = _minutes_s(begins_s + closes_s + READ_BEFORE_S + _SILENCE_SPARE_S)
    rests = (_flag_found(builder, flag, on=not on),)
    stands = tuple(
        _stands(builder, vent, position).stays(lasts_s) for vent, position in override.positions.items()
    )
    short_s = 60.0 * floor((silent_s + READ_BEFORE_S - _SHORT_BY_S) / 60)
    phases, others = [], override.together_with(condition)
    if others:
        why = f"{plain(name)} does not begin by a silent bus alone"
        phases = [_unasked(builder, long_s, rests, why=why), *builder.given(name, condition)]
    if short_s > READ_BEFORE_S:
        phases.append(_unasked(builder, short_s, rests, why="the silence was too short"))
    phases.append(_unasked(builder, long_s, (_flag_found(builder, flag, on=on), *stands)))
    about = (
        f"The unit is not polled. Once that lasts for {number(silent_s)} s the unit must treat it as"
        f" {plain(name)}, and be closed when polling begins again. A shorter silence must change nothing. Nothing can"
        f" be read during the silence; reading begins again ten seconds before its end."
    )
    yield builder.scenario(
        f"{name}-bus-silent",
        title=f"{plain(name)} when the bus falls silent",
        about=about,
        overrides=(name,),
        phases=tuple(phases),
        proves=(
            *(f"{name}.{condition_name(override, its)}" for its in (condition, *others)),
            *builder.joint(name, condition),
            *builder.positions(name),
        ),
    )


def _still(
    builder: ScenarioBuilder, name: str, override: TableOverride, condition: FailedCondition
) -> Iterator[Scenario]:
    """Yield cups that fail; only in virtual time where that takes hours."""
    table, sensor = builder.table, builder.table.sensors[condition.failed]
    wind = next(
        (
            c
            for its in table.overrides.values()
            for c in its.conditions
            if isinstance(c, WindCondition) and c.wind == condition.failed and not table.has_level(c.wind)
        ),
        None,
    )
    hours = LONGEST_WAIT_S < sensor.fails_after <= _LONGEST_STILL_S
    if wind is None or sensor.flag is None or not (hours and builder.margins.bench.virtual):
        return
    breeze = played(wind, none(table, wind))
    fails, restores = begun(condition), ended(table, condition)
    flags = ((sensor.flag, True), (str(override.flag), override.flag_while_active == "on"))
    takes_s = sensor.fails_after + sensor.delay_tolerance + override.entry_delay + override.delay_tolerance
    longer_s = _minutes_s(takes_s + max(v.full_travel[1] for v in table.vents.values()) + _SILENCE_SPARE_S)
    still = idle(longer_s)
    phases = (
        builder.phase(breeze),
        Phase(
            f"{fails.about}, and {still.about}",
            ((0.0, fails), (1.0, still), (1.0 + longer_s, asked(table))),
            override.release_delay + override.delay_tolerance + _SILENCE_SPARE_S,
            f"no pulse came for {number(sensor.fails_after)} s",
            tuple(_flag_found(builder, flag, on=on) for flag, on in flags),
        ),
        builder.phase(restores),
    )
    about = (
        f"{plain(condition.failed).capitalize()} that send no pulse for longer than any calm are broken: the unit must"
        f" take that for {plain(name)}, and must release the vents when they turn again."
    )
    line = f"sensors.{condition.failed}"
    yield builder.scenario(
        f"{name}-{condition.failed}-stand-still",
        title=f"{plain(condition.failed)} stand still for too long",
        about=about,
        overrides=(name,),
        phases=phases,
        proves=(f"{name}.{condition.failed}.failed", f"{line}.open", f"{line}.recovers_after"),
    )


def _stands(builder: ScenarioBuilder, name: str, position: Quantity) -> Band:
    """Return where a vent that stood open is found."""
    vent = builder.table.vents[name]
    tolerance = builder.margins.tolerance(vent.signal, vent.tolerance.value)
    at = percent(min(position.value, vent.open.value))
    return Band(vent.signal, at, named(f"{name}_tolerance", tolerance))


def _unasked(builder: ScenarioBuilder, for_s: float, also: tuple[Response, ...], why: str = "") -> Phase:
    """Return a phase in which nobody asks, and what must be found then."""
    silence = idle(for_s)
    return Phase(silence.about, ((0.0, silence), (for_s, asked(builder.table))), why=why, also=also)


def _flag_found(builder: ScenarioBuilder, flag: str, *, on: bool) -> Response:
    """Return a state that is found when reading begins again."""
    margins = builder.margins
    return found(flag, margins.late_s(flag), on=on, watched=margins.watches(flag))


def _minutes_s(span_s: float) -> float:
    return 60.0 * ceil(span_s / 60)
