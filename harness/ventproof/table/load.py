"""Loading an override table, with everything checked that its model alone cannot know."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.document import Loaded, in_file_order, load_document, read_document
from bench.errors import FileError, Problem
from bench.fits import difference_fault, value_fault
from bench.overridetable.contradictions import contradictions, indistinct
from bench.overridetable.model import (
    VALUE_DIMENSIONS,
    FailedCondition,
    LevelCondition,
    OverrideTable,
    RainfallCondition,
    ThresholdCondition,
    condition_key,
)
from bench.units import canonical_symbol
from bench.wording import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path as FilePath

    from bench.units import Quantity
    from bench.yamltree import Path


def load_table(path: str | FilePath) -> Loaded[OverrideTable]:
    """Load an override table and check that its parts fit each other and do not contradict each other.

    Args:
        path: the file.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return _checked(load_document(path, OverrideTable))


def read_table(path: str, text: str) -> Loaded[OverrideTable]:
    """Read the text of an override table, as `load_table` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return _checked(read_document(path, text, OverrideTable))


def _checked(table: Loaded[OverrideTable]) -> Loaded[OverrideTable]:
    problems = [
        *_vent_problems(table),
        *_sensor_problems(table),
        *_override_problems(table),
        *_twin_signals(table),
        *_latch_problems(table),
    ]
    if not problems:
        problems = list(contradictions(table))
    if problems:
        raise FileError(in_file_order(problems))
    return table.with_notes([*_notes(table), *indistinct(table)])


def _vent_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, vent in table.model.vents.items():
        path: Path = ("vents", name)
        yield from _position(table, (*path, "open"), vent.open)
        said = difference_fault(vent.tolerance, "%", f"vent {name!r}")
        if said is None and vent.tolerance.value == 0:
            said = (
                "a tolerance of nothing: no vent stands so exactly",
                "write what the drive can keep, '1 %' say",
            )
        if said is not None:
            yield table.problem((*path, "tolerance"), *said)
        shortest_s, longest_s = vent.full_travel
        if shortest_s > longest_s:
            reason = f"the shortest travel {shortest_s:g} s is longer than the longest, {longest_s:g} s"
            yield table.problem((*path, "full_travel"), reason, "write [shortest, longest]")


def _position(table: Loaded[OverrideTable], path: Path, position: Quantity) -> Iterator[Problem]:
    said = value_fault(position, "%", "a vent")
    if said is None and not 0 <= position.value <= 100:  # noqa: PLR2004 - per cent
        said = (f"{position.text!r} is no position", "write from 0 % (closed) to 100 % (open)")
    if said is not None:
        yield table.problem(path, *said)


def _sensor_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    model = table.model
    pulses = {c.wind for o in model.overrides.values() for c in o.when if condition_key(c) == "wind"}  # type: ignore[union-attr]
    for name, sensor in model.sensors.items():
        path: Path = ("sensors", name)
        if name in pulses:
            for number, how in enumerate(sensor.how):
                if how != "open":
                    reason = f"cups that fail {how!r} send no pulse either"
                    yield table.problem(
                        (*path, "how", number), reason, "write [open]: the unit sees no difference"
                    )
            if sensor.good is not None:
                yield table.problem(
                    (*path, "good"), "cups have no level to play", "leave it out", at_key=True
                )
        elif sensor.good is None:
            hint = "add `good:`, a value with which no override begins"
            yield table.problem(path, f"nothing says what {name!r} shows while it is well", hint, at_key=True)


def _override_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, override in table.model.overrides.items():
        path: Path = ("overrides", name)
        for key in ("positions", "leeward"):
            positions: Mapping[str, Quantity] = getattr(override, key)
            for vent, position in positions.items():
                here = (*path, key, vent)
                if vent not in table.model.vents:
                    hint = nearest(vent, table.model.vents)
                    yield table.problem(here, f"there is no vent {vent!r}", hint, at_key=True)
                    continue
                yield from _position(table, here, position)
        yield from _leeward_problems(table, name)
        for number, condition in enumerate(override.when):
            here = (*path, "when", number)
            if isinstance(condition, FailedCondition) and condition.failed not in table.model.sensors:
                hint = nearest(condition.failed, table.model.sensors) or "declare it below `sensors:`"
                yield table.problem((*here, "failed"), f"there is no sensor {condition.failed!r}", hint)
            if isinstance(condition, ThresholdCondition):
                yield from _threshold_problems(table, here, condition)


def _leeward_problems(table: Loaded[OverrideTable], name: str) -> Iterator[Problem]:
    override = table.model.overrides[name]
    for vent in override.leeward:
        here = ("overrides", name, "leeward", vent)
        if vent in table.model.vents and table.model.vents[vent].faces is None:
            hint = f"add `faces:` to vent {vent!r}"
            yield table.problem(here, f"nothing says where vent {vent!r} faces", hint, at_key=True)
        if vent not in override.positions:
            hint = f"name {vent!r} below `positions:` too"
            yield table.problem(here, f"vent {vent!r} has no position to windward", hint, at_key=True)


def _threshold_problems(
    table: Loaded[OverrideTable], path: Path, condition: ThresholdCondition
) -> Iterator[Problem]:
    said = [key for key in ("above", "below") if getattr(condition, key) is not None]
    if len(said) != 1:
        reason = "above and below together" if said else "nothing says at which value it begins"
        yield table.problem(path, reason, "say exactly one of `above:` and `below:`")
        return
    begins = condition.begins_at
    dimension = VALUE_DIMENSIONS.get(condition_key(condition), begins.dimension)  # type: ignore[arg-type]
    unit = canonical_symbol(dimension)
    whose = "rain" if isinstance(condition, RainfallCondition) else condition_key(condition)  # type: ignore[arg-type]
    values = [(said[0], begins), ("ends_at", condition.ends_at)]
    for key, value in values:
        wrong = value_fault(value, unit, f"the {whose}")
        if wrong is None and not isinstance(condition, LevelCondition) and value.value <= 0:
            wrong = (
                f"{value.text!r} is never undercut: no {whose} is below zero",
                f"write more than 0 {unit}",
            )
        if wrong is not None:
            yield table.problem((*path, key), *wrong)
    wrong = difference_fault(condition.accuracy, unit, f"the {whose}")
    if wrong is not None:
        yield table.problem((*path, "accuracy"), *wrong)
    if isinstance(condition, RainfallCondition):
        wrong = value_fault(condition.tip, "mm", "a tip")
        if wrong is None and condition.tip.value <= 0:
            wrong = (f"{condition.tip.text!r} is no tip", "write more than zero, such as '0.2 mm'")
        if wrong is not None:
            yield table.problem((*path, "tip"), *wrong)


def _twin_signals(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    model = table.model
    said: list[tuple[Path, str, str]] = [
        (("vents", name, "signal"), vent.signal, f"vent {name!r}") for name, vent in model.vents.items()
    ]
    said += [
        (("overrides", name, "flag"), override.flag, f"override {name!r}")
        for name, override in model.overrides.items()
        if override.flag
    ]
    said += [
        (("sensors", name, "flag"), sensor.flag, f"sensor {name!r}")
        for name, sensor in model.sensors.items()
        if sensor.flag
    ]
    first: dict[str, str] = {}
    for path, signal, whose in said:
        if first.setdefault(signal, whose) != whose:
            yield table.problem(
                path, f"{signal!r} is the signal of {first[signal]} already", "give each its own"
            )


def _latch_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    latched = [name for name, override in table.model.overrides.items() if override.latched]
    if table.model.reset is None:
        for name in latched:
            hint = "name the contact that resets it: `reset:` at the table's top"
            yield table.problem(("overrides", name, "latched"), f"nothing would ever end {name!r}", hint)
    elif not latched:
        yield table.problem(("reset",), "a reset, and no latched override", "leave it out", at_key=True)


def _notes(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    model = table.model
    conditions = [c for override in model.overrides.values() for c in override.when]
    watched = {c.failed for c in conditions if isinstance(c, FailedCondition)}
    for name in model.sensors:
        if name not in watched:
            yield table.problem(("sensors", name), f"no override begins when {name!r} fails", at_key=True)
    moved = {vent for override in model.overrides.values() for vent in override.positions}
    for name in model.vents:
        if name not in moved:
            yield table.problem(("vents", name), f"no override moves vent {name!r}", at_key=True)
