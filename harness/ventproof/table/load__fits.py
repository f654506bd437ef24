"""Whether a bench has the outputs and signals that an override table names, of the right kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.document import in_file_order
from bench.errors import FileError
from bench.fields import FLAG_UNIT
from bench.overridetable.load import load_table
from bench.overridetable.model import ContactCondition, LevelCondition, RainfallCondition, WindCondition
from bench.units import canonical_symbol
from bench.wiring import ContactOutput
from bench.wording import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path as FilePath

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.overridetable.model import OverrideTable
    from bench.wiring import BenchFile
    from bench.yamltree import Path

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
            yield table.problem(path, reason, f"{unit} is wanted here")


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
        yield table.problem(path, reason, f"{wanted} is wanted here")


def _outputs(model: OverrideTable) -> Iterator[tuple[Path, str, str]]:
    """Yield every output that a table names, with its place and what it must be."""
    for name, value in model.opened_by.items():
        yield ("opened_by", name), name, canonical_symbol(value.dimension)
    for name, sensor in model.sensors.items():
        need = _CONTACT if sensor.good is None else canonical_symbol(sensor.good.dimension)
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
