"""What a table says that no unit can do: contradictions between parts that are right by themselves (pure)."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

from ventproof.table.model import (
    ActiveCondition,
    Condition,
    ContactCondition,
    JoinedCondition,
    OverrideTable,
    ThresholdCondition,
    output_of,
)
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


def contradictions(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield every contradiction in a table whose parts are right by themselves."""
    yield from _hysteresis(table)
    yield from _always_on(table)
    yield from _never_together(table)
    yield from _rank_problems(table)
    yield from _opened(table)
    yield from _circular(table)


def _hysteresis(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, override in table.model.overrides.items():
        for placed in override.placed:
            if isinstance(placed.condition, ThresholdCondition):
                yield from _crossed(table, ("overrides", name, *placed.path), name, placed.condition)


def _crossed(
    table: Loaded[OverrideTable], path: Path, name: str, condition: ThresholdCondition
) -> Iterator[Problem]:
    begins, ends, accuracy = condition.begins_at, condition.ends_at, condition.accuracy
    sign = 1 if condition.rising else -1
    near, far = ("above", "below") if condition.rising else ("below", "above")
    gap = sign * (begins.value - ends.value)
    if gap < 0:
        span = f"begins {near} {begins.text} and would be over at {ends.text} already"
        reason = f"the hysteresis is crossed: {name!r} {span}"
        yield table.problem((*path, "ends_at"), reason, f"write a value {far} {begins.text}")
    elif gap < 2 * accuracy.value:
        earliest, latest = begins.value - sign * accuracy.value, ends.value + sign * accuracy.value
        unit = canonical_symbol(begins.dimension)
        reason = (
            f"released before it began: {name!r} may begin at {earliest:g} {unit} already and end at {latest:g} {unit},"
            f" since the unit may be off by {accuracy.text} at either"
        )
        apart = f"{2 * accuracy.value:g} {unit}"
        hint = f"let {begins.text} and {ends.text} lie {apart} apart at least, or lower `accuracy`"
        yield table.problem((*path, "accuracy"), reason, hint)


def _always_on(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """An override that begins above one value and below a higher one of the same output never ends."""
    for name, override in table.model.overrides.items():
        numbered = [(n, c) for n, c in enumerate(override.when) if isinstance(c, ThresholdCondition)]
        for (_, one), (number, other) in combinations(numbered, 2):
            if not _one_value(one, other) or one.rising == other.rising:
                continue
            high, low = (one, other) if one.rising else (other, one)
            if high.ends_at.value <= low.ends_at.value:
                reason = (
                    f"{name!r} would never end: below {low.ends_at.text} this condition lasts, and above"
                    f" {high.ends_at.text} the other one does"
                )
                yield table.problem(
                    ("overrides", name, "when", number),
                    reason,
                    "leave a span between them in which neither lasts",
                )


def _never_together(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Conditions that exclude each other never hold together."""
    for name, override in table.model.overrides.items():
        for number, alternative in enumerate(override.when):
            if not isinstance(alternative, JoinedCondition):
                continue
            for (_, one), (part, other) in combinations(enumerate(alternative.all), 2):
                path: Path = ("overrides", name, "when", number, "all", part)
                if one == other:
                    yield table.problem(path, f"{name!r} names the same condition twice", "leave one out")
                elif reason := _excluding(one, other):
                    hint = "make them two conditions, each of which calls for it, or leave one out"
                    yield table.problem(path, f"{name!r} would never begin by these: {reason}", hint)


def _excluding(one: Condition, other: Condition) -> str:
    """Return why two conditions never hold together; empty where they can."""
    if isinstance(one, ContactCondition) and isinstance(other, ContactCondition):
        if one.contact != other.contact or one.state == other.state:
            return ""
        return f"{one.contact} is never open and closed at once"
    if not (isinstance(one, ThresholdCondition) and isinstance(other, ThresholdCondition)):
        return ""
    if not _one_value(one, other) or one.rising == other.rising:
        return ""
    high, low = (one, other) if one.rising else (other, one)
    if high.ends_at.value < low.ends_at.value:
        return ""
    span = f"above {high.ends_at.text} and below {low.ends_at.text}"
    return f"{output_of(one)} is never {span} at once"


def _one_value(one: Condition, other: Condition) -> bool:
    """Return whether two conditions are about one value: of an output, and taken over the same time or tips."""
    return output_of(one) == output_of(other) and all(
        getattr(one, key, None) == getattr(other, key, None) for key in ("averaged_over", "tips")
    )


def _rank_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    model = table.model
    if model.precedence == "most-closed" or model.ranks is None:
        return
    listed = [name for rank in model.ranks for name in rank]
    for number, rank in enumerate(model.precedence):
        for name in (rank,) if isinstance(rank, str) else rank:
            if name not in model.overrides:
                reason = f"there is no override {name!r}"
                yield table.problem(("precedence", number), reason, nearest(name, model.overrides))
            elif listed.count(name) > 1:
                yield table.problem(
                    ("precedence", number), f"{name!r} stands in the order twice", "name each once"
                )
    missing = [name for name, its in model.overrides.items() if name not in listed and its.positions]
    if missing:
        reason = f"the order leaves out {', '.join(missing)}"
        yield table.problem(
            ("precedence",), reason, "name every override, or write `most-closed`", at_key=True
        )
    for number, names in enumerate(model.ranks):
        for one, other in combinations([name for name in names if name in model.overrides], 2):
            yield from _disagree(table, number, one, other)


def _disagree(table: Loaded[OverrideTable], number: int, one: str, other: str) -> Iterator[Problem]:
    first, second = table.model.overrides[one], table.model.overrides[other]
    for vent in first.positions:
        if vent not in second.positions:
            continue
        for key in ("positions", "leeward"):
            mine = getattr(first, key).get(vent, first.positions[vent])
            theirs = getattr(second, key).get(vent, second.positions[vent])
            if mine.value != theirs.value or first.only_close != second.only_close:
                line, _ = table.locate(("overrides", other, "positions", vent))
                reason = (
                    f"{one!r} and {other!r} rank equally and disagree on vent {vent!r}: {mine.text} and"
                    f" {theirs.text} (line {line})"
                )
                hint = f"put one before the other: [{one}, {other}] as two entries of the order"
                yield table.problem(("precedence", number), reason, hint)
                return


def _opened(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """An override whose condition is met by what the bench writes to open the vents can never be tested from there."""
    for output, value in table.model.opened_by.items():
        for name, override in table.model.overrides.items():
            for condition in override.when:  # one that must hold together with others does not call by itself
                if not isinstance(condition, ThresholdCondition) or output_of(condition) != output:
                    continue
                sign = 1 if condition.rising else -1
                if sign * (value.value - condition.ends_at.value) > 0:
                    reason = (
                        f"{value.text} opens the vents and keeps {name!r} from ending, which lasts to"
                        f" {condition.ends_at.text}"
                    )
                    yield table.problem(
                        ("opened_by", output), reason, "write a value with which no override lasts"
                    )


def _circular(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Overrides that wait for each other to be active never begin, or never end."""
    for name, override in table.model.overrides.items():
        for placed in override.placed:
            condition = placed.condition
            if isinstance(condition, ActiveCondition) and name in _waits_for(table.model, condition.active):
                reason = f"{name!r} waits for itself: it begins when {condition.active!r} is active"
                path: Path = ("overrides", name, *placed.path, "active")
                yield table.problem(path, reason, "state the weather that begins one of them")


def _waits_for(model: OverrideTable, name: str) -> set[str]:
    """Return an override and all that it waits for, directly or not."""
    found: set[str] = set()
    ahead = [name]
    while ahead:
        its = ahead.pop()
        if its not in found:
            found.add(its)
            ahead += [c.active for c in model.overrides[its].conditions if isinstance(c, ActiveCondition)]
    return found
