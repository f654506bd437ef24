"""The lines of a table: everything that it demands, each with a name of its own (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final, final

from ventproof.table.model import (
    ActiveCondition,
    BusSilentCondition,
    Condition,
    ContactCondition,
    FailedCondition,
    JoinedCondition,
    PlacedCondition,
    ThresholdCondition,
    WindCondition,
    condition_key,
    output_of,
)

if TYPE_CHECKING:
    from ventproof.table.model import OverrideTable, TableOverride
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.fields import FileModel
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_AT_LEAST: Final = 2  # 120 s read better as 2 min, 60 s as they are


@final
@dataclass(frozen=True, slots=True)
class TableRule:
    """Something that a table demands.

    Attributes:
        name: as profiles name it below `proves:`.
        number: 1-based line of the table's text.
        says: what it demands, in words.
        path: where it stands in the table.
    """

    name: str
    number: int
    says: str
    path: Path


def lines(table: Loaded[OverrideTable]) -> list[TableRule]:
    """Return everything that a table demands, in the table's order."""
    found = [
        *_vent_lines(table),
        *_sensor_lines(table),
        *(line for name in table.model.overrides for line in _override_lines(table, name)),
        *_precedence_lines(table),
        *_side_lines(table),
        *_supply_lines(table),
    ]
    return sorted(found, key=lambda line: line.number)


def twin_lines(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a problem for each line whose name another one has: nobody could tell which of them is proved."""
    first: dict[str, TableRule] = {}
    for line in lines(table):
        if first.setdefault(line.name, line) is not line:
            reason = f"two lines are named {line.name!r}: the other one is line {first[line.name].number}"
            hint = "say it once, or give the override or the output another name"
            yield table.problem(line.path, reason, hint, at_key=True)


_ENDS: Final[Mapping[type[FileModel], str]] = {FailedCondition: ".failed", ActiveCondition: ".active"}


def condition_names(override: TableOverride) -> list[str]:
    """Return a name for each condition of an override: its output, `cups`; of several on one value `cups_2`, ...

    A gust and a mean of the same cups are two conditions, and so is a contact that stands alone and beside others. Any
    others on one output say the same and keep one name.
    """
    seen: Counter[str] = Counter()
    names = []
    for placed in override.placed:
        condition = placed.condition
        name = condition.active if isinstance(condition, ActiveCondition) else output_of(condition)
        name = name or condition_key(condition)
        end = _ENDS.get(type(condition), "")
        seen[name + end] += 1
        differs = isinstance(condition, ThresholdCondition) or placed.part is not None
        number = f"_{seen[name + end]}" if differs and seen[name + end] > 1 else ""
        names.append(name + number + end)
    return names


def condition_name(override: TableOverride, condition: Condition) -> str:
    """Return the name of one of an override's conditions."""
    named = zip(condition_names(override), override.conditions, strict=True)
    return next(name for name, its in named if its is condition)


def joint_names(override: TableOverride) -> dict[int, str]:
    """Return, by the number of each alternative of several conditions, a name for it: `all`, `all_2`, ..."""
    joint = [number for number, its in enumerate(override.when) if isinstance(its, JoinedCondition)]
    return {number: "all" if place == 1 else f"all_{place}" for place, number in enumerate(joint, start=1)}


def shared(table: OverrideTable, one: str, other: str) -> bool:
    """Return whether two overrides send a vent to different places."""
    first, second = table.overrides[one], table.overrides[other]
    return any(
        vent in second.positions and second.positions[vent].value != position.value
        for vent, position in first.positions.items()
    )


def _line(table: Loaded[OverrideTable], name: str, path: Path, says: str) -> TableRule:
    return TableRule(name, table.locate(path)[0], says, path)


def _vent_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    for name, vent in table.model.vents.items():
        says = (
            f"vent {name} moves within {span_said(vent.starts_within)}, travels in {span_said(vent.full_travel[0])} to"
            f" {span_said(vent.full_travel[1])} and stands within {vent.tolerance}"
        )
        yield _line(table, f"vents.{name}", ("vents", name), says)


def _sensor_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    for name, sensor in table.model.sensors.items():
        path: Path = ("sensors", name)
        for number, mode in enumerate(sensor.modes):
            yield _line(
                table,
                f"sensors.{name}.{mode}",
                (*path, "modes", number),
                f"{name} that fails {mode!r} is noticed",
            )
        fails = f"{name} counts as failed after {span_said(sensor.fails_after)}"
        yield _line(table, f"sensors.{name}.fails_after", (*path, "fails_after"), fails)
        mends = f"{name} is trusted again after {span_said(sensor.recovers_after)}"
        yield _line(table, f"sensors.{name}.recovers_after", (*path, "recovers_after"), mends)


def _override_lines(table: Loaded[OverrideTable], name: str) -> Iterator[TableRule]:
    override, path = table.model.overrides[name], ("overrides", name)
    for number, its in joint_names(override).items():
        yield _line(table, f"{name}.{its}", (*path, "when", number, "all"), _joint(override, name, number))
    for its, placed in zip(condition_names(override), override.placed, strict=True):
        yield from _condition_lines(table, (*path, *placed.path), f"{name}.{its}", placed)
    for key, word in (("entry_delay", "begins"), ("release_delay", "ends")):
        says = (
            f"{name} {word} after {span_said(getattr(override, key))} ± {span_said(override.delay_tolerance)}"
        )
        yield _line(table, f"{name}.{key}", (*path, key), says)
    if override.flag_while_active == "off":
        says = f"{override.flag} is off while {name} is active, and on otherwise"
        yield _line(table, f"{name}.flag_while_active", (*path, "flag_while_active"), says)
    for key, where in (("positions", ""), ("leeward", " on the lee side")):
        for vent, position in getattr(override, key).items():
            yield _line(
                table, f"{name}.{key}.{vent}", (*path, key, vent), f"{name} sends {vent} to {position}{where}"
            )
    yield from _limit_lines(table, name, override)
    yield from _manners(table, name, override)


def _limit_lines(table: Loaded[OverrideTable], name: str, override: TableOverride) -> Iterator[TableRule]:
    if override.fall_between is None:
        return
    begin, end = override.fall_between
    path: Path = ("overrides", name)
    for vent, (first, last) in override.limits.items():
        says = f"{name} limits {vent} to {first} up to {begin}, falling to {last} at {end}"
        yield _line(table, f"{name}.limits.{vent}", (*path, "limits", vent), says)
    says = f"the limits of {name} fall from {begin} to {end} of {output_of(override.measures)}"
    yield _line(table, f"{name}.fall_between", (*path, "fall_between"), says)


def _manners(table: Loaded[OverrideTable], name: str, override: TableOverride) -> Iterator[TableRule]:
    path = ("overrides", name)
    if override.positions:
        opens = "no vent" if override.only_close else "vents that stand below its positions"
        says = f"{name} opens {opens}"
        yield _line(table, f"{name}.only_close", (*path, "only_close"), says)
    if override.latched:
        yield _line(table, f"{name}.latched", (*path, "latched"), f"{name} stays until it is reset")


def _joint(override: TableOverride, name: str, number: int) -> str:
    names = zip(condition_names(override), override.placed, strict=True)
    parts = [its for its, placed in names if placed.alternative == number]
    return f"{name} begins when {', '.join(parts[:-1])} and {parts[-1]} hold together"


def _condition_lines(
    table: Loaded[OverrideTable], path: Path, name: str, placed: PlacedCondition
) -> Iterator[TableRule]:
    condition = placed.condition
    override, output = name.partition(".")[0], output_of(condition)
    here = (*path, condition_key(condition))
    begins = f"{override} begins" if placed.part is None else f"{override} can begin"
    when = "when" if placed.part is None else "only when"
    match condition:
        case FailedCondition():
            yield _line(table, name, here, f"{begins} {when} {output} has failed")
        case ActiveCondition(active=other):
            yield _line(table, name, here, f"{begins} {when} {other} is active")
        case BusSilentCondition(bus_silent=silent_s):
            yield _line(table, name, here, f"{begins} {when} the bus is silent for {span_said(silent_s)}")
        case ContactCondition(debounce=debounce_s):
            yield _line(table, name, here, f"{begins} {when} {output} is {condition.state}")
            if debounce_s:
                says = f"{output} must keep a state for {span_said(debounce_s)}"
                yield _line(table, f"{name}.debounce", (*path, "debounce"), says)
        case ThresholdCondition():
            side = "above" if condition.rising else "below"
            only = "" if placed.part is None else "only "
            says = f"{begins} {only}{side} {condition.begins_at} of {output}, ± {condition.accuracy}"
            yield _line(table, name, here, says)
            says = f"{override} lasts to {condition.ends_at} of {output}, ± {condition.accuracy}"
            yield _line(table, f"{name}.ends_at", (*path, "ends_at"), says)
    if isinstance(condition, WindCondition):
        says = f"{output} is averaged over {span_said(condition.averaged_over)}"
        yield _line(table, f"{name}.averaged_over", (*path, "averaged_over"), says)


def _precedence_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    model = table.model
    for one, other in combinations(model.overrides, 2):
        if shared(model, one, other):
            rule = "the most closed position counts" if model.ranks is None else _before(table, one, other)
            yield _line(
                table, f"precedence.{one}.{other}", ("precedence",), f"{one} and {other} together: {rule}"
            )


def _before(table: Loaded[OverrideTable], one: str, other: str) -> str:
    ranked = (name for rank in table.model.ranks or () for name in rank if name in {one, other})
    first = next(ranked, one)  # where the order leaves out both, which is another problem
    return f"{first} decides"


def _side_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    sides = table.model.sides
    if sides.dead_band.value:
        says = f"a vent changes its side {sides.dead_band} past 90 degrees from the wind, ± {sides.accuracy}"
        yield _line(table, "sides.dead_band", ("sides", "dead_band"), says)
    if sides.settles_after:
        says = f"a vent changes its side after {span_said(sides.settles_after)} ± {span_said(sides.delay_tolerance)}"
        yield _line(table, "sides.settles_after", ("sides", "settles_after"), says)


def _supply_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    supply = table.model.supply
    if supply is None:
        return
    says = {
        "rides_through": f"an interruption of {span_said(supply.rides_through)} is not felt",
        "boots_for": f"the unit acts {span_said(supply.boots_for)} after its supply is back",
        "restart": "it then runs every vent to its closed end"
        if supply.restart == "reference"
        else "it then goes on from where the vents stand",
    }
    for key, demand in says.items():
        yield _line(table, f"supply.{key}", ("supply", key), demand)


def span_said(span_s: float) -> str:
    """Return a span of time as a person writes it."""
    for unit, seconds in (("h", 3600), ("min", 60)):
        if span_s >= _AT_LEAST * seconds and span_s % seconds == 0:
            return f"{span_s / seconds:g} {unit}"
    return f"{1000 * span_s:g} ms" if 0 < span_s < 1 else f"{span_s:g} s"
