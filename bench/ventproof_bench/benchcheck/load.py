"""Bench file loaded and checked."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import yaml

from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.quantities import (
    PLAIN_UNITS,
    Dimension,
    Quantity,
    difference_fault,
    dimension_of,
    value_fault,
)
from ventproof_bench.benchcheck.boards import board_guard_notes, boards_problems
from ventproof_bench.benchcheck.levels import breaking_problems, put_problems
from ventproof_bench.benchcheck.loop import hole_problems, hunting_notes
from ventproof_bench.benchcheck.people import people_problems
from ventproof_bench.benchcheck.traffic import carrying_problems
from ventproof_bench.benchcheck.vents import vents_problems
from ventproof_bench.benchcheck.wiring import (
    board_notes,
    hookup_problems,
    location_problems,
    outputs_problems,
    overlap_notes,
    terminal_notes,
)
from ventproof_bench.benchfile.model import (
    PERSON,
    BenchFile,
    ContactOutput,
    InProcessBus,
    RegisterOutput,
    WiredBus,
)
from ventproof_bench.benchfile.signals import SignalSpec
from ventproof_bench.yamlfile.fields import FLAG_UNIT, STATE_UNIT
from ventproof_bench.yamlfile.load import Loaded, checked_document, in_file_order, load_checked
from ventproof_bench.yamlfile.renames import ANY, Renames
from ventproof_bench.yamlfile.tree import Table, as_data
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path as FilePath

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_RENAMES: Final[Renames] = {("mock", "rules", ANY): {"scale": "fall_between"}}
"""Names of version 0.5, by place."""


def load_bench(path: str | FilePath) -> Loaded[BenchFile]:
    """Load a bench file and check that its parts fit each other, and that its buses can carry polls and vents.

    Args:
        path: the file.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    bench = _noted(load_checked(path, BenchFile, _problems, renames=_RENAMES))
    problems = [*carrying_problems(bench), *hole_problems(bench)]
    if problems:
        raise FileError(in_file_order(problems))
    return bench


def read_bench(path: str, text: str) -> Loaded[BenchFile]:
    """Read the text of a bench file, as `load_bench` does; `path` only names it in messages.

    What its buses can carry is not asked: a run on an overloaded bus is evidence all the same.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return _noted(checked_document(path, text, BenchFile, _problems, renames=_RENAMES))


def _noted(bench: Loaded[BenchFile]) -> Loaded[BenchFile]:
    return bench.with_notes(_notes(bench))


def _problems(bench: Loaded[BenchFile]) -> list[Problem]:
    problems = [
        *([] if bench.lacks else _link_problems(bench)),
        *_mock_problems(bench),
        *_interlock_problems(bench),
        *_signals_problems(bench),
        *_leaves_problems(bench),
        *outputs_problems(bench),
        *hookup_problems(bench),
        *people_problems(bench),
        *vents_problems(bench),
        *boards_problems(bench),
        *breaking_problems(bench),
    ]
    return problems or list(put_problems(bench))


def _link_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    buses = bench.model.buses
    inside = [name for name, bus in buses.items() if isinstance(bus, InProcessBus)]
    if inside and len(inside) < len(buses):
        for name in buses:
            if name not in inside:
                reason = f"bus {name!r} is real but bus {inside[0]!r} is in-process"
                hint = (
                    "in-process time jumps ahead and cannot wait for real wires; make all in-process or none"
                )
                yield bench.problem(("buses", name, "link"), reason, hint)
    for name, bus in buses.items():
        if bus.reconnect_at_most < bus.reconnect_after:
            path = ("buses", name, "reconnect_at_most")
            reason = f"reconnect_at_most is {bus.reconnect_at_most:g} s, below reconnect_after"
            yield bench.problem(path, reason, f"write at least {bus.reconnect_after:g} s")
        if isinstance(bus, WiredBus) and bus.answers_within is not None and bus.answers_within > bus.timeout:
            reason = f"answers_within is {bus.answers_within:g} s, but after the timeout of {bus.timeout:g} s"
            hint = "raise the timeout, or declare the time that answers really take"
            yield bench.problem(("buses", name, "answers_within"), f"{reason} no answer counts", hint)


def _mock_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    model = bench.model
    if model.virtual and model.mock is None:
        hint = "add `mock:`, or give the bus a real link: tcp, rtu-over-tcp, rtu or ascii"
        yield bench.problem(
            ("buses",),
            "an in-process bus leads to the mock, and the file has no mock settings",
            hint,
            at_key=True,
        )
    if not model.virtual and model.mock is not None:
        hint = "leave `mock:` out, or make every bus `link: in-process`"
        yield bench.problem(("mock",), "mock settings on a bench with real wires", hint, at_key=True)


def _difference(
    bench: Loaded[BenchFile], path: Path, quantity: Quantity | None, unit: str, whose: str
) -> Iterator[Problem]:
    said = None if quantity is None else difference_fault(quantity, unit, whose)
    if said is not None:
        yield bench.problem(path, *said)


def _interlock_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    interlock, signals = bench.model.interlock, bench.model.registers
    if interlock is None:
        return
    path = ("interlock", "signal")
    if interlock.signal not in signals:
        hint = nearest(interlock.signal, signals)
        yield bench.problem(path, f"there is no signal {interlock.signal!r}", hint)
    elif signals[interlock.signal].unit != FLAG_UNIT:
        reason = f"the interlock's signal {interlock.signal!r} is in {signals[interlock.signal].unit}"
        yield bench.problem(path, reason, "an interlock must be a flag")


def _signals_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    for name, signal in bench.model.registers.items():
        path: Path = ("signals", name)
        yield from location_problems(bench, path, signal)
        yield from _coding_problems(bench, path, signal)
        yield from _unit_problems(bench, path, signal)
        for key in ("resolution", "accuracy"):
            yield from _difference(bench, (*path, key), getattr(signal, key), signal.unit, f"signal {name!r}")


def _coding_problems(bench: Loaded[BenchFile], path: Path, signal: SignalSpec) -> Iterator[Problem]:
    if signal.unit in PLAIN_UNITS and signal.type != "bit":
        yield from _plain_problems(bench, path, signal)
    if signal.unit in PLAIN_UNITS and signal.type == "f32":
        yield bench.problem((*path, "type"), f"a {signal.unit} of type f32", "use bit, u16, s16, u32 or s32")
    if signal.unit == "count" and signal.type == "bit":
        yield bench.problem((*path, "type"), "a counter of one bit", "write `unit: flag`, or an integer type")
    if signal.type == "bit" and signal.unit not in PLAIN_UNITS:
        yield bench.problem(
            (*path, "unit"), f"one bit has no value in {signal.unit}", "write `unit: flag`, or another type"
        )


def _plain_problems(bench: Loaded[BenchFile], path: Path, signal: SignalSpec) -> Iterator[Problem]:
    if signal.scale != 1:
        yield bench.problem(
            (*path, "scale"), f"a {signal.unit} with scale {signal.scale:g}", "leave `scale` out"
        )
    if signal.offset != 0:
        yield bench.problem(
            (*path, "offset"), f"a {signal.unit} with offset {signal.offset:g}", "leave `offset` out"
        )


def _unit_problems(bench: Loaded[BenchFile], path: Path, signal: SignalSpec) -> Iterator[Problem]:
    unit = signal.unit
    if signal.states is not None:
        if unit != STATE_UNIT:
            yield bench.problem(
                (*path, "states"), f"state names for a signal in {unit}", "write `unit: state`", at_key=True
            )
        yield from _twin_states(bench, path, signal.states)
    if signal.keeps_for is not None and unit not in {FLAG_UNIT, STATE_UNIT}:
        hint = "use `full_travel` for a position"
        yield bench.problem((*path, "keeps_for"), "keeps_for is for flags and states", hint, at_key=True)
    if unit in PLAIN_UNITS:
        for key in ("full_travel", "range"):
            if getattr(signal, key) is not None:
                reason = f"a {unit} has no {key}"
                yield bench.problem((*path, key), reason, f"leave `{key}` out", at_key=True)
    elif signal.range is not None:
        yield from _range_problems(bench, (*path, "range"), signal.range, unit)


def _range_problems(
    bench: Loaded[BenchFile], path: Path, ends: tuple[Quantity, Quantity], unit: str
) -> Iterator[Problem]:
    for index, end in enumerate(ends):
        said = value_fault(end, unit, "the signal")
        if said is not None:
            yield bench.problem((*path, index), *said)
    low, high = ends
    if low.dimension is high.dimension and low.value >= high.value:
        yield bench.problem(path, f"{low.text!r} is not below {high.text!r}", "write [lowest, highest]")


def _twin_states(bench: Loaded[BenchFile], path: Path, states: Mapping[str, int]) -> Iterator[Problem]:
    first: dict[int, str] = {}
    for name, value in states.items():
        if first.setdefault(value, name) != name:
            reason = f"state {name!r} has the value {value} of state {first[value]!r}"
            yield bench.problem((*path, "states", name), reason, "give each state a value of its own")
        if name in {"on", "off"}:
            yield bench.problem(
                (*path, "states", name), f"{name!r} is a word for flags", "use another name", at_key=True
            )


def _leaves_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    for name, output in bench.model.outputs.items():
        if isinstance(output, RegisterOutput) and output.leaves is not None:
            said = value_fault(output.leaves, output.unit, f"output {name!r}")
            if said is not None:
                yield bench.problem(("outputs", name, "leaves"), *said)


def _notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    for name, output in bench.model.outputs.items():
        if not isinstance(output, ContactOutput) or output.driver == PERSON:
            continue
        if output.safe != output.at_rest:
            reason = f"output {name!r} is safe when {output.safe} but rests {output.at_rest}"
            hint = "a relay without power goes to rest: wire its other contact if you can"
            yield bench.problem(("outputs", name, "safe"), reason, hint)
    yield from board_notes(bench)
    yield from board_guard_notes(bench)
    yield from overlap_notes(bench)
    yield from terminal_notes(bench)
    yield from travel_notes(bench)
    yield from hunting_notes(bench)


def travel_notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a note for each signal in % whose travel nothing bounds; what commands a drive may jump."""
    commands = {name for vent in bench.model.vents.values() for name in vent.commanded_by}
    for name, signal in bench.model.registers.items():
        if (
            name not in commands
            and signal.full_travel is None
            and dimension_of(signal.unit) is Dimension.PERCENT
        ):
            reason = f"signal {name!r} has no full_travel: nothing is known of it between two readings"
            hint = "for a vent, declare the shortest time that it needs from end to end"
            yield bench.problem(("signals", name), reason, hint, at_key=True)


_WHOLE_SECONDS: Final = re.compile(r"(\d+)\.0 s")


def with_mock(bench: Loaded[BenchFile], mock: Mapping[str, Any]) -> Loaded[BenchFile]:
    """Return a bench file with another mock section; the rest stays as it was written.

    Args:
        bench: a bench file that has a mock.
        mock: the section, as YAML data.

    Raises:
        FileError: the section is wrong.
    """
    return read_bench(bench.path, _spliced(bench, dict(mock)))


def with_faults(bench: Loaded[BenchFile], faults: Mapping[str, float]) -> Loaded[BenchFile]:
    """Return a bench file whose mock unit has these faults beside its own, each with its severity.

    Args:
        bench: a bench file that has a mock.
        faults: known faults that the unit can have.
    """
    if not faults:
        return bench
    assert bench.model.mock is not None, "who asks has looked"
    tree = bench.tree
    assert isinstance(tree, Table), "a bench file is a mapping"
    mock = as_data(tree)["mock"]
    return with_mock(bench, {**mock, "faults": {**bench.model.mock.faults, **faults}})


def _spliced(bench: Loaded[BenchFile], mock: dict[str, Any]) -> str:
    """Return the bench file's text with another mock section; the rest stays as it was written."""
    tree = bench.tree
    assert isinstance(tree, Table), "a bench file is a mapping"
    if any(entry.column > 1 for entry in tree.entries.values()):  # written in braces
        return yaml.safe_dump({**as_data(tree), "mock": mock}, sort_keys=False, allow_unicode=True)
    entries = sorted(tree.entries.items(), key=lambda item: item[1].line)
    section = yaml.safe_dump(
        {"mock": mock}, sort_keys=False, allow_unicode=True, default_flow_style=None, width=110
    )
    section = _WHOLE_SECONDS.sub(r"\1 s", section)
    lines = bench.text.splitlines(keepends=True)
    begin = next(entry.line for key, entry in entries if key == "mock") - 1
    after = [entry.line - 1 for _, entry in entries if entry.line - 1 > begin]
    end = after[0] if after else len(lines)
    return "".join((*lines[:begin], section, *lines[end:]))
