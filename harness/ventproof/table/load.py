"""Loading, contradictions, bench fit."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

from ventproof.table.lines import twin_lines
from ventproof.table.model import (
    VALUE_DIMENSIONS,
    ContactCondition,
    FailedCondition,
    LevelCondition,
    OverrideTable,
    RainfallCondition,
    ThresholdCondition,
    WindCondition,
    condition_key,
    output_of,
)
from ventproof.verdict.old_names import IN_TABLES
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.quantities import canonical_symbol, difference_fault, value_fault
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.yamlfile.fields import FLAG_UNIT
from ventproof_bench.yamlfile.load import Loaded, checked_document, in_file_order, load_checked
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path as FilePath

    from ventproof.table.model import OverrideTable
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


def contradictions(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield every contradiction in a table whose parts are right by themselves."""
    yield from _hysteresis(table)
    yield from _always_on(table)
    yield from _rank_problems(table)
    yield from _opened(table)


def _hysteresis(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, override in table.model.overrides.items():
        for number, condition in enumerate(override.when):
            if isinstance(condition, ThresholdCondition):
                yield from _crossed(table, ("overrides", name, "when", number), name, condition)


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
            if output_of(one) != output_of(other) or one.rising == other.rising:
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
    missing = [name for name in model.overrides if name not in listed]
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
            for condition in override.when:
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


def indistinct(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a note for each two positions of a vent that its tolerance cannot tell apart."""
    for vent_name, vent in table.model.vents.items():
        stands = [
            (name, override.positions[vent_name], ("overrides", name, "positions", vent_name))
            for name, override in table.model.overrides.items()
            if vent_name in override.positions
        ]
        for (one, at, _), (other, there, path) in combinations(stands, 2):
            if 0 < abs(at.value - there.value) < 2 * vent.tolerance.value:
                reason = (
                    f"vent {vent_name!r} stands at {there.text} in {other!r} and at {at.text} in {one!r}: with a"
                    f" tolerance of {vent.tolerance.text} they cannot be distinguished"
                )
                yield table.problem(path, reason)


def load_table(path: str | FilePath) -> Loaded[OverrideTable]:
    """Load an override table and check that its parts fit each other and do not contradict each other.

    Args:
        path: the file.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return _noted(load_checked(path, OverrideTable, _problems, renames=IN_TABLES))


def read_table(path: str, text: str) -> Loaded[OverrideTable]:
    """Read the text of an override table, as `load_table` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return _noted(checked_document(path, text, OverrideTable, _problems, renames=IN_TABLES))


def _noted(table: Loaded[OverrideTable]) -> Loaded[OverrideTable]:
    return table.with_notes([*_notes(table), *indistinct(table)])


def _problems(table: Loaded[OverrideTable]) -> list[Problem]:
    problems = [
        *_vent_problems(table),
        *([] if table.lacks else _sensor_problems(table)),
        *_override_problems(table),
        *_twin_signals(table),
        *_latch_problems(table),
        *twin_lines(table),
    ]
    return problems if problems or table.lacks else list(contradictions(table))


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
        said = (f"{position.text!r} is not a position", "write from 0 % (closed) to 100 % (open)")
    if said is not None:
        yield table.problem(path, *said)


def _sensor_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    model = table.model
    pulses = {c.wind for o in model.overrides.values() for c in o.when if condition_key(c) == "wind"}  # type: ignore[union-attr]
    for name, sensor in model.sensors.items():
        path: Path = ("sensors", name)
        if name in pulses:
            for number, mode in enumerate(sensor.modes):
                if mode != "open":
                    reason = f"cups that fail {mode!r} send no pulse either"
                    yield table.problem(
                        (*path, "modes", number), reason, "write [open]: the unit sees no difference"
                    )
            if sensor.normal is not None:
                yield table.problem(
                    (*path, "normal"), "cups have no level to play", "leave it out", at_key=True
                )
        elif sensor.normal is None:
            hint = "add `normal:`, a value with which no override begins"
            yield table.problem(path, f"the normal value of {name!r} is missing", hint, at_key=True)


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
            wrong = (f"{condition.tip.text!r} is not a tip", "write more than zero, such as '0.2 mm'")
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


_CONTACT = "contact"


def fitting_table(path: str | FilePath, bench: Loaded[BenchFile]) -> Loaded[OverrideTable]:
    """Load an override table for a bench.

    Raises:
        FileError: something in it is wrong, or the bench lacks what it names.
    """
    table = load_table(path)
    problems = list(fit_problems(table, bench))
    if problems:
        raise FileError(in_file_order(problems))
    return table


def fit_problems(table: Loaded[OverrideTable], bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a problem for everything that the table names and the bench lacks, or has otherwise."""
    for path, name, need in _outputs(table.model):
        yield from _output(table, path, name, need, bench)
    for path, name, unit in _signals(table.model):
        signal = bench.model.signals.get(name)
        if signal is None:
            hint = nearest(name, bench.model.signals)
            yield table.problem(path, f"bench {bench.path} has no signal {name!r}", hint)
        elif signal.unit != unit:
            reason = f"signal {name!r} of bench {bench.path} is in {signal.unit}"
            yield table.problem(path, reason, f"expected {unit} here")


def _output(
    table: Loaded[OverrideTable], path: Path, name: str, need: str, bench: Loaded[BenchFile]
) -> Iterator[Problem]:
    output = bench.model.outputs.get(name)
    if output is None:
        hint = nearest(name, bench.model.outputs)
        yield table.problem(path, f"bench {bench.path} has no output {name!r}", hint)
        return
    has = _CONTACT if isinstance(output, ContactOutput) else output.unit
    if has != need:
        said = "a contact" if has == _CONTACT else f"a value in {has}"
        wanted = "a contact" if need == _CONTACT else f"a value in {need}"
        reason = f"output {name!r} of bench {bench.path} is {said}"
        yield table.problem(path, reason, f"expected {wanted} here")


def _outputs(model: OverrideTable) -> Iterator[tuple[Path, str, str]]:
    """Yield every output that a table names, with its place and what it must be."""
    for name, value in model.opened_by.items():
        yield ("opened_by", name), name, canonical_symbol(value.dimension)
    for name, sensor in model.sensors.items():
        need = _CONTACT if sensor.normal is None else canonical_symbol(sensor.normal.dimension)
        yield ("sensors", name), name, need
    yield from _condition_outputs(model)
    if model.reset is not None:
        yield ("reset",), model.reset, _CONTACT
    if model.direction is not None:
        yield ("direction",), model.direction, "°"
    if model.supply is not None:
        yield ("supply", "contact"), model.supply.contact, _CONTACT


def _condition_outputs(model: OverrideTable) -> Iterator[tuple[Path, str, str]]:
    for name, override in model.overrides.items():
        for number, condition in enumerate(override.when):
            path: Path = ("overrides", name, "when", number)
            match condition:
                case ContactCondition(contact=output):
                    yield (*path, "contact"), output, _CONTACT
                case WindCondition(wind=output):
                    yield (*path, "wind"), output, _CONTACT
                case RainfallCondition(rainfall=output):
                    yield (*path, "rainfall"), output, _CONTACT
                case LevelCondition(level=output):
                    yield (*path, "level"), output, canonical_symbol(condition.begins_at.dimension)


def _signals(model: OverrideTable) -> Iterator[tuple[Path, str, str]]:
    for name, vent in model.vents.items():
        yield ("vents", name, "signal"), vent.signal, "%"
    for kind, parts in (("sensors", model.sensors), ("overrides", model.overrides)):
        for name, part in parts.items():
            if part.flag is not None:
                yield (kind, name, "flag"), part.flag, FLAG_UNIT
