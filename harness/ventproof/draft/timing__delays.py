"""The scenarios of what is too short for a delay: nothing may come of it (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.overridetable.model import (
    ContactCondition,
    FailedCondition,
    LevelCondition,
    output_of,
)
from harness.prove.scenario import Phase, Scenario
from harness.prove.scenes import ScenarioBuilder, by
from harness.prove.strokes import (
    begun,
    ended,
    lag_s,
    number,
    plain,
)

if TYPE_CHECKING:
    from bench.overridetable.model import Condition, OverrideTable, TableOverride

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
    output = str(output_of(condition))
    waits = _waits(name, override, condition, builder.table)
    signal = override.flag or next(iter(builder.table.vents.values())).signal
    edge_s = lag_s(condition) + builder.margins.late_s(signal)
    short_in_s, short_out_s = (
        _tenth(wait_s - waits.off_by_s - edge_s) for wait_s in (waits.in_s, waits.out_s)
    )
    begins, ends = begun(condition), ended(builder.table, condition)
    failing = isinstance(condition, FailedCondition)
    phases: list[Phase] = []
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
        why = f"{waits.why_out} and begins anew"
        phases.append(Phase(title, ((0.0, ends), (short_out_s, begins)), watch_s, why))
        proves += waits.out_lines
    if not proves:
        return
    about = (
        f"Weather that comes for too short a time must move nothing, and a pause that is too short must not open"
        f" the vents: {plain(name)} waits for its delays to the end, and counts them anew."
    )
    phases.extend(builder.ending(name, override, ends))
    yield builder.scenario(
        f"{name}-{output}{'-failure' if failing else ''}-too-short",
        title=f"{plain(output)} fails, too short" if failing else f"{by(name, output)}, too short",
        about=about,
        overrides=(name,),
        phases=tuple(phases),
        proves=tuple(proves),
    )


def _waits(name: str, override: TableOverride, condition: Condition, table: OverrideTable) -> _Waits:
    in_s, out_s, off_by_s = override.entry_delay, override.release_delay, override.delays_within
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
    shows_in, shows_out = in_s < sensor.mends_after, out_s < sensor.fails_after
    return _Waits(
        in_s=sensor.fails_after,
        out_s=sensor.mends_after,
        shows_in_s=in_s + sensor.fails_after + sensor.mends_after,
        shows_out_s=out_s + sensor.fails_after + sensor.mends_after,
        off_by_s=sensor.delays_within,
        why_in=f"it fails after {number(sensor.fails_after)} s",
        why_out=f"it is trusted again after {number(sensor.mends_after)} s",
        in_lines=[f"{line}.fails_after"] if shows_in else [],
        out_lines=[f"{line}.mends_after"] if shows_out else [],
    )


def _tenth(span_s: float) -> float:
    return int(span_s * 10) / 10
