"""Places and hook-up exist."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import value_fault
from ventproof_bench.benchfile.model import ContactOutput, RegisterOutput, TerminalOutput
from ventproof_bench.benchfile.signals import Location
from ventproof_bench.drivers.driver import find
from ventproof_bench.modbus.register_map import broadcasts_at_zero, resolve, width
from ventproof_bench.yamlfile.fields import COUNT_UNIT, FLAG_UNIT
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.hookup import Answer, HookUp
    from ventproof_bench.benchfile.model import BenchFile, OutputSpec
    from ventproof_bench.benchfile.signals import Signal
    from ventproof_bench.benchfile.terminals import Cable
    from ventproof_bench.drivers.driver import Driver
    from ventproof_bench.yamlfile.fields import FileModel
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_LAST_ON_A_LINE: Final = 247


def location_problems(bench: Loaded[BenchFile], path: Path, location: Location) -> Iterator[Problem]:
    """Yield what is wrong with where a value lives: its bus, its table, its address and its coding."""
    yield from bus_problems(bench, path, location)
    try:
        resolve(location)
    except ValueError as error:
        wrong = Refusal.of(error)
        place = (*path, wrong.key) if wrong.key in location.model_fields_set else path
        yield bench.problem(place, wrong.reason, wrong.hint)


def outputs_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with the outputs: drivers, their own words, two outputs on one relay."""
    first: dict[tuple[str, str], str] = {}
    for name, output in bench.model.outputs.items():
        path: Path = ("outputs", name)
        try:
            driver = find(output.driver)
        except ValueError as error:
            refusal = Refusal.of(error)
            yield bench.problem((*path, "driver"), refusal.reason, refusal.hint)
            continue
        yield from _driver_problems(bench, path, output, driver)
        options, problems = bench.part((*path, "wired"), driver.options)
        yield from problems
        if options is None:
            yield from bus_problems(bench, (*path, "wired"), SimpleNamespace(**output.wired))
            continue
        wrong = list(_wired_problems(bench, (*path, "wired"), options))
        wrong += _unstated_board(bench, (*path, "wired"), output, options)
        yield from wrong
        if wrong:
            continue  # where it is cannot be said
        place = driver.place(options)
        twin = first.setdefault((driver.name, place), name)
        if twin != name:
            reason = f"outputs {twin!r} and {name!r} share the same {place}"
            yield bench.problem((*path, "wired"), reason, "give each output a place of its own", at_key=True)


def _driver_problems(
    bench: Loaded[BenchFile], path: Path, output: OutputSpec, driver: Driver
) -> Iterator[Problem]:
    if output.kind not in driver.serves:
        hint = f"write `kind: {driver.serves[0]}`, or name another driver"
        yield bench.problem((*path, "driver"), f"driver {driver.name!r} serves no {output.kind}", hint)
    if driver.clock == "virtual" and not bench.model.virtual:
        hint = "name the driver of the hardware that is wired"
        yield bench.problem((*path, "driver"), f"driver {driver.name!r} on a bench with real wires", hint)
    if driver.clock == "wall" and bench.model.virtual:
        hint = "in-process time jumps ahead and cannot wait for real wires; use driver 'mock'"
        yield bench.problem((*path, "driver"), f"driver {driver.name!r} on an in-process bench", hint)


def _wired_problems(bench: Loaded[BenchFile], path: Path, options: FileModel) -> Iterator[Problem]:
    if isinstance(options, Location):
        yield from location_problems(bench, path, options)
    else:
        yield from bus_problems(bench, path, options)


def bus_problems(bench: Loaded[BenchFile], path: Path, options: object) -> Iterator[Problem]:
    """Yield what is wrong with the bus that something hangs on, and with its unit id there."""
    name, unit_id = getattr(options, "bus", None), getattr(options, "unit_id", None)
    if not isinstance(name, str):
        return
    bus = bench.model.buses.get(name)
    if bus is None:
        yield bench.problem((*path, "bus"), f"there is no bus {name!r}", nearest(name, bench.model.buses))
    elif isinstance(unit_id, int) and broadcasts_at_zero(bus) and not 1 <= unit_id <= _LAST_ON_A_LINE:
        # MODBUS over Serial Line V1.02, 2.2: 0 is broadcast, 248 to 255 are reserved.
        what = "addresses all units, and none responds," if unit_id == 0 else "is reserved"
        reason = f"unit_id {unit_id} {what} on a serial line"
        hint = f"write the unit's own address, 1 to {_LAST_ON_A_LINE}"
        yield bench.problem((*path, "unit_id"), reason, hint)


def _unstated_board(
    bench: Loaded[BenchFile], path: Path, output: OutputSpec, options: FileModel
) -> Iterator[Problem]:
    """Yield a problem for a relay board that is taken for the controller because nothing says which it is."""
    shared = _also_at(bench, output, options)
    if shared is not None and "unit_id" not in options.model_fields_set:
        reason = f"nothing says which unit the relay board is, and unit 1 is that of {shared}"
        yield bench.problem(path, reason, "add the board's own `unit_id`", at_key=True)


def _also_at(bench: Loaded[BenchFile], output: OutputSpec, options: FileModel) -> str | None:
    """Return what else is read or written at the unit where a relay board is, other relays apart."""
    place = getattr(options, "bus", None), getattr(options, "unit_id", None)
    if not isinstance(output, ContactOutput) or None in place:
        return None
    for name, signal in bench.model.registers.items():
        if (signal.bus, signal.unit_id) == place:
            return f"signal {name!r}"
    for name, other in bench.model.outputs.items():
        if isinstance(other, RegisterOutput):
            wired = other.wired
            if (wired.get("bus"), wired.get("unit_id", 1)) == place:
                return f"output {name!r}"
    return None


def board_notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a note for each relay whose stated unit is that of a signal or value: right, or a grave slip.

    What a vent plays stands on an I/O module rightly, beside the inputs that read the drive.
    """
    played = bench.model.played_outputs
    for name, output in bench.model.outputs.items():
        if name in played:
            continue
        driver = find(output.driver)
        options = driver.options.model_validate(output.wired)
        shared = _also_at(bench, output, options)
        if shared is not None:
            reason = f"output {name!r} switches {driver.place(options)}, the unit of {shared}"
            hint = "right only if both are of the relay board, or this is a test input of the controller"
            yield bench.problem(("outputs", name, "wired", "unit_id"), reason, hint)


def overlap_notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a note for each signal or output whose registers another one takes as well: one of them may be a slip.

    An output that a signal reads back whole shares its registers rightly, and so do different bits of one.
    """
    taken: list[tuple[Path, Location, int]] = []
    for path, location in _located(bench):
        table, first = resolve(location)
        for other, its, at in taken:
            same_place = (its.bus, its.unit_id, resolve(its)[0]) == (location.bus, location.unit_id, table)
            apart = first >= at + width(its) or at >= first + width(location)
            other_bit = None not in {location.bit, its.bit} and location.bit != its.bit
            read_back = path[0] != other[0] and (first, width(location)) == (at, width(its))
            if not same_place or apart or other_bit or read_back:
                continue
            reason = f"{path[1]!r} and {other[1]!r} share {table} {max(first, at)} of unit {location.unit_id}"
            hint = "right only if both are views of one value; look at their addresses and types"
            yield bench.problem(path, reason, hint, at_key=True)
        taken.append((path, location, first))


_SHARED: Final = ("common", "supply", "return")
"""What several inputs of a unit often have together."""


def terminal_notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a note for each terminal of the unit that two wires go to: right if they are parallel on purpose."""
    first: dict[str, Path] = {}
    cables: list[tuple[Path, Cable | None]] = []
    for name, output in bench.model.outputs.items():
        if not isinstance(output, RegisterOutput):
            cables.append((("outputs", name, "wires"), output.wires))
    cables += [(("signals", name, "wires"), signal.wires) for name, signal in bench.model.registers.items()]
    for path, cable in cables:
        for role, wire in {} if cable is None else cable.by_role.items():
            here: Path = (*path, role, "unit")
            if wire.unit is None or role in _SHARED:
                continue
            twin = first.setdefault(wire.unit, here)
            if twin != here:
                reason = f"{path[1]!r} and {twin[1]!r} are both wired to terminal {wire.unit} of the unit"
                yield bench.problem(here, reason, "right only if they are meant to be parallel")


def _located(bench: Loaded[BenchFile]) -> Iterator[tuple[Path, Location]]:
    for name, signal in bench.model.registers.items():
        yield ("signals", name), signal
    for name, output in bench.model.outputs.items():
        options = find(output.driver).options.model_validate(output.wired)
        if isinstance(options, Location):
            yield ("outputs", name), options


def hookup_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with `feedback`, `counted_by` and `hookup` of every output."""
    for name, output in bench.model.outputs.items():
        path: Path = ("outputs", name)
        if isinstance(output, ContactOutput):
            for key, unit in (("feedback", FLAG_UNIT), ("counted_by", COUNT_UNIT)):
                yield from _reads(bench, (*path, key), getattr(output, key), unit)
        if output.hookup is not None:
            yield from _hookup(bench, (*path, "hookup"), name, output, output.hookup)


def _reads(bench: Loaded[BenchFile], path: Path, signal: str | None, unit: str) -> Iterator[Problem]:
    signals = bench.model.registers
    if signal is None:
        return
    if signal not in signals:
        yield bench.problem(path, f"there is no signal {signal!r}", nearest(signal, signals))
    elif signals[signal].unit != unit:
        yield bench.problem(path, f"signal {signal!r} is in {signals[signal].unit}", f"name a {unit}")


def answers_problems(
    bench: Loaded[BenchFile], path: Path, answers: Mapping[str, Answer], signals: Mapping[str, Signal]
) -> Iterator[Problem]:
    """Yield what is wrong with what should answer: there is no such signal, or it cannot answer so."""
    for signal, wanted in answers.items():
        if signal in signals:
            yield from _answer(bench, (*path, signal), wanted, signal, signals[signal])
        else:
            reason = f"there is no signal {signal!r}"
            yield bench.problem((*path, signal), reason, nearest(signal, signals), at_key=True)


def _hookup(
    bench: Loaded[BenchFile], path: Path, name: str, output: OutputSpec, hookup: HookUp
) -> Iterator[Problem]:
    yield from answers_problems(bench, (*path, "answers"), hookup.answers, bench.model.signals)
    yield from answers_problems(bench, (*path, "broken"), hookup.broken, bench.model.registers)
    if hookup.broken and not isinstance(output, TerminalOutput):
        hint = "leave `broken` out: it is for a level or a resistance"
        reason = f"output {name!r} has no sensor wire that could break"
        yield bench.problem((*path, "broken"), reason, hint, at_key=True)
    yield from _first(bench, (*path, "first"), name, hookup)
    yield from _values(bench, path, name, output, hookup)


def _first(bench: Loaded[BenchFile], path: Path, name: str, hookup: HookUp) -> Iterator[Problem]:
    outputs = bench.model.outputs
    numbers = [key for key, found in outputs.items() if not isinstance(found, ContactOutput) and key != name]
    for other, value in hookup.first.items():
        takes = outputs.get(other)
        if takes is None or isinstance(takes, ContactOutput) or other == name:
            reason = f"{other!r} is not another output that takes a number"
            yield bench.problem((*path, other), reason, nearest(other, numbers), at_key=True)
        elif said := value_fault(value, takes.unit, f"output {other!r}"):
            yield bench.problem((*path, other), *said)


def _values(
    bench: Loaded[BenchFile], path: Path, name: str, output: OutputSpec, hookup: HookUp
) -> Iterator[Problem]:
    if isinstance(output, ContactOutput):
        yield from _pulsed(bench, path, name, output, hookup)
        return
    if hookup.values is None:
        hint = "add `values: [18 °C, 30 °C]`, the value at the beginning and the one written then"
        yield bench.problem(
            path, f"output {name!r} takes a number and the hook-up gives none", hint, at_key=True
        )
    for index, value in enumerate(hookup.values or ()):
        if said := value_fault(value, output.unit, f"output {name!r}"):
            yield bench.problem((*path, "values", index), *said)


def _pulsed(
    bench: Loaded[BenchFile], path: Path, name: str, output: ContactOutput, hookup: HookUp
) -> Iterator[Problem]:
    """Yield what is wrong with the values that a contact is to play as its sensor's pulses."""
    if hookup.values is None:
        return
    if output.sensor is None:
        hint = "leave `values` out: it opens and closes"
        yield bench.problem(
            (*path, "values"), "a contact without a sensor takes no values", hint, at_key=True
        )
        return
    unit = "m/s" if output.sensor.cups is not None else "mm/h"
    wrong = False
    for index, value in enumerate(hookup.values):
        if said := value_fault(value, unit, f"output {name!r}"):
            wrong = True
            yield bench.problem((*path, "values", index), *said)
    if not wrong and (hookup.values[0].value != 0 or hookup.values[1].value < 0):
        hint = f"write [0 {unit}, what is played then]"
        yield bench.problem((*path, "values"), "pulses begin from rest", hint)


def _answer(
    bench: Loaded[BenchFile], path: Path, wanted: Answer, name: str, signal: Signal
) -> Iterator[Problem]:
    flag = signal.unit == FLAG_UNIT
    if wanted.states is not None:
        yield from _states(bench, path, wanted.states, name, signal)
    elif wanted.way != "stays" and flag != (wanted.way in ("on", "off")):
        hint = "a flag answers `on` or `off`" if flag else f"write up, down, or two values in {signal.unit}"
        yield bench.problem(path, f"{wanted.text!r} is not an answer of {name!r}, in {signal.unit}", hint)
    for value in wanted.values or ():
        if not flag and (said := value_fault(value, signal.unit, f"signal {name!r}")):
            yield bench.problem(path, *said)


def _states(
    bench: Loaded[BenchFile], path: Path, states: tuple[str, str], name: str, signal: Signal
) -> Iterator[Problem]:
    known = signal.states or {}
    for state in states:
        if state not in known:
            hint = nearest(state, known) if known else "declare its `states:`, or write two values"
            yield bench.problem(path, f"{name!r} has no state {state!r}", hint)
            return
