"""Loading, parts that are wrong, bench fit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.table.contradictions import contradictions
from ventproof.table.doubts import doubts
from ventproof.table.limits import limit_problems, side_problems
from ventproof.table.lines import twin_lines
from ventproof.table.model import (
    VALUE_DIMENSIONS,
    ActiveCondition,
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
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path as FilePath

    from ventproof.table.model import OverrideTable, TableOverride
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.sensors import BucketSensor
    from ventproof_bench.yamlfile.fields import ContactState
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


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
    return table.with_notes(doubts(table))


def _problems(table: Loaded[OverrideTable]) -> list[Problem]:
    problems = [
        *_vent_problems(table),
        *([] if table.lacks else _sensor_problems(table)),
        *_override_problems(table),
        *limit_problems(table),
        *side_problems(table),
        *_twin_signals(table),
        *_latch_problems(table),
    ]
    problems = problems or list(twin_lines(table))  # which are read off what is right
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
    for name, sensor in model.sensors.items():
        path: Path = ("sensors", name)
        if sensor.loop is not None:
            yield from _loop_problems(table, name, sensor.loop)
        elif model.shows_wind(name) and sensor.normal is None:
            for number, mode in enumerate(sensor.modes):
                if mode != "open":
                    reason = f"cups that fail {mode!r} send no pulse either"
                    yield table.problem(
                        (*path, "modes", number), reason, "write [open]: the unit sees no difference"
                    )
        elif sensor.normal is None:
            hint = "add `normal:`, a value with which no override begins"
            yield table.problem(path, f"the normal value of {name!r} is missing", hint, at_key=True)
        elif model.shows_wind(name) and (said := value_fault(sensor.normal, "m/s", f"wind sensor {name!r}")):
            yield table.problem((*path, "normal"), *said)


_BREAKS: Final[Mapping[ContactState, str]] = {"closed": "open", "open": "short"}
"""How the wires of a loop fail that is in this state while its sensor works."""


def _loop_problems(table: Loaded[OverrideTable], name: str, loop: ContactState) -> Iterator[Problem]:
    sensor, path = table.model.sensors[name], ("sensors", name)
    for number, mode in enumerate(sensor.modes):
        if mode != _BREAKS[loop]:
            reason = f"a loop that is {loop} while {name!r} works does not show a failure {mode!r}"
            yield table.problem((*path, "modes", number), reason, f"write [{_BREAKS[loop]}]")
    if sensor.normal is not None:
        yield table.problem((*path, "normal"), "a loop has no level to play", "leave it out", at_key=True)
    for override_name, override in table.model.overrides.items():
        for placed in override.placed:
            if isinstance(placed.condition, ContactCondition) and placed.condition.contact == name:
                reason = (
                    f"{name!r} is a supervised loop: a cut wire is a failure, and this takes it for weather"
                )
                hint = f"write {{failed: {name}}}, or leave out `loop:`"
                yield table.problem(("overrides", override_name, *placed.path), reason, hint)


def _override_problems(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, override in table.model.overrides.items():
        path: Path = ("overrides", name)
        for here, positions in _positioned(name, override):
            vent = str(here[3])
            if vent not in table.model.vents:
                hint = nearest(vent, table.model.vents)
                yield table.problem(here, f"there is no vent {vent!r}", hint, at_key=True)
                continue
            for number, position in enumerate(positions):
                yield from _position(table, (*here, number) if len(positions) > 1 else here, position)
        if override.is_alarm and override.flag is None:
            hint = "name vents below `positions:`, or the signal of an alarm: `flag:`"
            yield table.problem(
                path, f"nothing shows {name!r}: it moves no vent and has no flag", hint, at_key=True
            )
        yield from _leeward_problems(table, name)
        for placed in override.placed:
            condition, here = placed.condition, (*path, *placed.path)
            if isinstance(condition, ActiveCondition) and condition.active not in table.model.overrides:
                hint = nearest(condition.active, table.model.overrides)
                yield table.problem((*here, "active"), f"there is no override {condition.active!r}", hint)
            if isinstance(condition, FailedCondition) and condition.failed not in table.model.sensors:
                hint = nearest(condition.failed, table.model.sensors) or "declare it below `sensors:`"
                yield table.problem((*here, "failed"), f"there is no sensor {condition.failed!r}", hint)
            if isinstance(condition, ThresholdCondition):
                yield from _threshold_problems(table, here, condition)


def _positioned(name: str, override: TableOverride) -> Iterator[tuple[Path, Sequence[Quantity]]]:
    """Yield where an override states positions of a vent, and these."""
    for key in ("positions", "leeward"):
        for vent, position in getattr(override, key).items():
            yield ("overrides", name, key, vent), (position,)
    for vent, limits in override.limits.items():
        yield ("overrides", name, "limits", vent), limits


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
    yield from _sensed(table, bench)
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


def _sensed(table: Loaded[OverrideTable], bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a problem for each wind and each rain that a contact of the bench cannot play as the table reads it."""
    for name, override in table.model.overrides.items():
        for placed in override.placed:
            path, condition = ("overrides", name, *placed.path), placed.condition
            output = bench.model.outputs.get(str(output_of(condition)))
            if not isinstance(output, ContactOutput):
                continue
            sensor = output.sensor
            if isinstance(condition, WindCondition) and not (sensor and sensor.cups):
                yield _senseless(table, (*path, "wind"), condition.wind, "cups", bench.path)
            elif isinstance(condition, RainfallCondition):
                yield from _bucket(table, path, condition, sensor.bucket if sensor else None, bench.path)


def _bucket(
    table: Loaded[OverrideTable],
    path: Path,
    condition: RainfallCondition,
    bucket: BucketSensor | None,
    at: str,
) -> Iterator[Problem]:
    if bucket is None:
        yield _senseless(table, (*path, "rainfall"), condition.rainfall, "bucket", at)
    elif bucket.tip.value != condition.tip.value:
        reason = f"a tip is {condition.tip.text} here, and {bucket.tip.text} on bench {at}"
        yield table.problem((*path, "tip"), reason, "write the rain of one tip of the bucket in both")


def _senseless(table: Loaded[OverrideTable], path: Path, output: str, sensor: str, at: str) -> Problem:
    """Return the problem of an output that has no sensor of the kind that its weather needs."""
    reason = f"output {output!r} of bench {at} plays no {path[-1]}: it has no {sensor}"
    hint = f"add `sensor: {{{sensor}: …}}` to it, or name another output"
    return table.problem(path, reason, hint)


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
        for placed in override.placed:
            path: Path = ("overrides", name, *placed.path)
            match condition := placed.condition:
                case ContactCondition(contact=output):
                    yield (*path, "contact"), output, _CONTACT
                case WindCondition(wind=output) if not model.has_level(output):
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
