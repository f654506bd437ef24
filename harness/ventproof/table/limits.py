"""Limits that fall with the wind or the rain, and sides of vents: what is wrong and what is doubtful in them (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.table.model import (
    VALUE_DIMENSIONS,
    OverrideTable,
    RainfallCondition,
    WindCondition,
    condition_key,
)
from ventproof_bench.base.quantities import canonical_symbol, difference_fault, value_fault

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.table.model import TableOverride
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_QUARTER_TURN: Final = 90.0


def limit_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a problem for everything that is wrong in limits and in what they fall between."""
    for name, override in table.model.overrides.items():
        path: Path = ("overrides", name)
        if override.limits and override.fall_between is None:
            hint = "add `fall_between: [8 m/s, 14 m/s]`, wind or rain at the first and at the second limit"
            yield table.problem(
                (*path, "limits"), f"the limits of {name!r} have no `fall_between`", hint, at_key=True
            )
        if override.fall_between is None:
            continue
        if not override.limits:
            hint = "add `limits:`, or leave it out"
            yield table.problem(
                (*path, "fall_between"), f"`fall_between` of {name!r} limits no vent", hint, at_key=True
            )
        yield from _falling(table, name, override)
        yield from _span_problems(table, name, override)


def _falling(table: Loaded[OverrideTable], name: str, override: TableOverride) -> Iterator[Problem]:
    for vent, (first, last) in override.limits.items():
        if first.value <= last.value:
            reason = f"the limit of vent {vent!r} does not fall: from {first.text} to {last.text}"
            hint = "write [higher limit, lower limit]"
            yield table.problem(("overrides", name, "limits", vent), reason, hint)
        if vent in override.positions:
            reason = f"{name!r} sends vent {vent!r} to {override.positions[vent].text} and limits it, too"
            hint = "leave out the limit or the position"
            yield table.problem(("overrides", name, "limits", vent), reason, hint, at_key=True)


def _span_problems(table: Loaded[OverrideTable], name: str, override: TableOverride) -> Iterator[Problem]:
    path: Path = ("overrides", name, "fall_between")
    measuring = [its for its in override.conditions if isinstance(its, WindCondition | RainfallCondition)]
    if len(measuring) != 1:
        reason = f"{len(measuring)} wind or rainfall conditions could set the limits of {name!r}"
        yield table.problem(path, reason, "state exactly one, with `above:`", at_key=True)
        return
    if measuring[0].below is not None:
        reason = f"the limits of {name!r} would fall below {measuring[0].below.text} only"
        yield table.problem(path, reason, "begin the override with `above:`", at_key=True)
        return
    unit = canonical_symbol(VALUE_DIMENSIONS[condition_key(measuring[0])])
    assert override.fall_between is not None, "whoever asks sees to it"
    begin, end = override.fall_between
    wrong = [
        (n, fault)
        for n, its in enumerate((begin, end))
        if (fault := value_fault(its, unit, "`fall_between`"))
    ]
    for number, fault in wrong:
        yield table.problem((*path, number), *fault)
    if not wrong and not 0 <= begin.value < end.value:
        reason = f"`fall_between` of {name!r} does not rise: from {begin.text} to {end.text}"
        yield table.problem(path, reason, "write [lower value, higher value]")


def side_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a problem for everything that is wrong in when vents change their side."""
    sides = table.model.sides
    for key in ("dead_band", "accuracy"):
        value = getattr(sides, key)
        wrong = difference_fault(value, "°", f"the {key.replace('_', ' ')}")
        if wrong is None and value.value >= _QUARTER_TURN:
            wrong = (f"{value.text} is a quarter of a turn or more", "write less than 90 °, such as '15 °'")
        if wrong is not None:
            yield table.problem(("sides", key), *wrong)
    if sides.model_fields_set and not any(its.leeward for its in table.model.overrides.values()):
        reason = "sides, and no override has a position on the lee side"
        yield table.problem(("sides",), reason, "add `leeward:` to an override, or leave it out", at_key=True)


def limit_doubts(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a note for limits that limit nothing, or do not fall while they hold."""
    for name, override in table.model.overrides.items():
        for vent, (_, last) in override.limits.items():
            opens = table.model.vents[vent].open
            if opens.value <= last.value:
                reason = f"{name!r} never limits vent {vent!r}: it normally stands at {opens.text}"
                hint = f"write a last limit below {opens.text}"
                yield table.problem(("overrides", name, "limits", vent), reason, hint)
        if override.fall_between is None:
            continue
        begins, end = override.measures.begins_at, override.fall_between[1]
        if begins.value >= end.value:
            reason = f"the limits of {name!r} have fallen at {end.text}, before it begins at {begins.text}"
            hint = f"write a second value above {begins.text}, or `positions:`"
            yield table.problem(("overrides", name, "fall_between"), reason, hint)


def side_doubts(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a note for sides that nothing can show, and for a dead band that the accuracy of the vane uses up."""
    sides, overrides = table.model.sides, table.model.overrides
    leeward = [(name, vent, at) for name, its in overrides.items() for vent, at in its.leeward.items()]
    if leeward and table.model.direction is None:
        name, vent, _ = leeward[0]
        reason = "no output plays where the wind comes from: no test can show a side"
        hint = "name it at the table's top: `direction: OUTPUT`"
        yield table.problem(("overrides", name, "leeward", vent), reason, hint, at_key=True)
    for name, vent, at in leeward:
        if at.value == overrides[name].positions[vent].value:
            reason = f"vent {vent!r} stands at {at.text} on either side: no test can show which it is"
            yield table.problem(("overrides", name, "leeward", vent), reason, "leave it out")
    if 0 < sides.dead_band.value <= sides.accuracy.value:
        reason = f"a dead band of {sides.dead_band.text} ± {sides.accuracy.text} can be none at all"
        yield table.problem(("sides", "dead_band"), reason, f"write more than {sides.accuracy.text}")
