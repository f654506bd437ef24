"""Whether the vents of a bench fit its signals, outputs and buses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, dimension_of
from ventproof_bench.benchcheck.wiring import answers_problems
from ventproof_bench.benchfile.model import BenchFile, ContactOutput, TerminalOutput
from ventproof_bench.modbus.register_map import plan_reads
from ventproof_bench.yamlfile.fields import FLAG_UNIT
from ventproof_bench.yamlfile.load import Loaded
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.vents import EndSwitch, Plays, Potentiometer, VentSpec
    from ventproof_bench.yamlfile.tree import Path


def vents_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with the bench's vents, with the signals that are their positions, and with jumps."""
    vents = bench.model.vents
    for name, position in bench.model.positions.items():
        if position.position_of not in vents:
            hint = nearest(position.position_of, vents) if vents else "describe it below `vents:`"
            reason = f"there is no vent {position.position_of!r}"
            yield bench.problem(("signals", name, "position_of"), reason, hint)
    for name, vent in vents.items():
        path: Path = ("vents", name)
        yield from _command_problems(bench, path, vent)
        if vent.plays is not None:
            yield from _plays_problems(bench, (*path, "plays"), vent.plays)
    yield from _shared_outputs(bench)
    yield from _jumps_problems(bench)


def _command_problems(bench: Loaded[BenchFile], path: Path, vent: VentSpec) -> Iterator[Problem]:
    if vent.follows is not None:
        signal = bench.model.registers.get(vent.follows)
        if signal is None:
            reason = f"there is no signal {vent.follows!r} in registers"
            yield bench.problem((*path, "follows"), reason, nearest(vent.follows, bench.model.registers))
        elif dimension_of(signal.unit) is not Dimension.PERCENT:
            reason = f"signal {vent.follows!r} is in {signal.unit}"
            yield bench.problem((*path, "follows"), reason, "a drive's command is a position, in %")
        return
    places: list[tuple[Path, str]] = [((*path, "known_at", flag), flag) for flag in vent.known_at]
    contacts = zip(("opens_on", "closes_on"), vent.commanded_by, strict=True)
    wrong = False
    for place, flag in [*(((*path, key), flag) for key, flag in contacts), *places]:
        for problem in _is_flag(bench, place, flag):
            wrong = True
            yield problem
    if not wrong:
        yield from _one_read(bench, path, vent)
        if vent.plays is None:
            yield from _keeps_problems(bench, path, vent)


def _is_flag(bench: Loaded[BenchFile], path: Path, name: str) -> Iterator[Problem]:
    signals = bench.model.registers
    if name not in signals:
        yield bench.problem(path, f"there is no signal {name!r} in registers", nearest(name, signals))
    elif signals[name].unit != FLAG_UNIT:
        yield bench.problem(path, f"signal {name!r} is in {signals[name].unit}", "name a flag")


def _one_read(bench: Loaded[BenchFile], path: Path, vent: VentSpec) -> Iterator[Problem]:
    """Contacts of a drive and flags of places must come in one reply: read apart, they are of different instants."""
    registers, flags = bench.model.registers, vent.flags
    buses = {registers[name].bus for name in flags}
    if buses - bench.model.buses.keys():
        return  # told where the signal stands
    reads: Sequence[set[str]] = ()
    if len(buses) == 1:
        bus = buses.pop()
        its = {name: spec for name, spec in registers.items() if spec.bus == bus}
        try:
            reads = [
                {field[0] for field in read.fields} for read in plan_reads(its, bench.model.buses[bus]).reads
            ]
        except (Refusal, ValueError):
            return  # told where the signal stands
    if any(set(flags) <= read for read in reads):
        return
    hint = "give them neighbouring addresses of one table, or raise `longest_gap`"
    with_contacts = next((read for read in reads if set(flags[:2]) <= read), None)
    if with_contacts is None:
        reason = f"{vent.opens_on!r} and {vent.closes_on!r} are not read in one request"
        yield bench.problem((*path, "closes_on"), reason, hint)
        return
    for flag in (flag for flag in flags[2:] if flag not in with_contacts):
        reason = f"{flag!r} is not read in one request with {vent.opens_on!r} and {vent.closes_on!r}"
        yield bench.problem((*path, "known_at", flag), reason, hint, at_key=True)


def _keeps_problems(bench: Loaded[BenchFile], path: Path, vent: VentSpec) -> Iterator[Problem]:
    """What may change and change back between two readings tells of no position."""
    for key, name in zip(("opens_on", "closes_on"), vent.commanded_by, strict=True):
        flag = bench.model.registers[name]
        if flag.bus not in bench.model.buses:
            continue  # told where the signal stands
        span_s = bench.model.buses[flag.bus].poll_every + flag.refreshed_every
        if (flag.keeps_for or 0.0) <= span_s:
            reason = f"{name!r} may change and change back between two readings, {span_s:g} s apart"
            hint = (
                f"declare how long it keeps a value, `keeps_for`, more than {span_s:g} s, or poll more often"
            )
            yield bench.problem((*path, key), reason, hint)


def _plays_problems(bench: Loaded[BenchFile], path: Path, plays: Plays) -> Iterator[Problem]:
    for key, switch in (("closed_switch", plays.closed_switch), ("open_switch", plays.open_switch)):
        if switch is not None:
            yield from _switch_problems(bench, (*path, key), switch)
    if plays.position is not None:
        yield from _position_problems(bench, (*path, "position"), plays.position)
    for key, answers in (("both_ends", plays.both_ends), ("wire_open", plays.wire_open)):
        yield from answers_problems(bench, (*path, key), answers, bench.model.registers)


def _switch_problems(bench: Loaded[BenchFile], path: Path, switch: EndSwitch) -> Iterator[Problem]:
    contacts = {n: o for n, o in bench.model.outputs.items() if isinstance(o, ContactOutput)}
    if switch.output not in contacts:
        yield bench.problem(
            (*path, "output"), f"there is no contact {switch.output!r}", nearest(switch.output, contacts)
        )
    if switch.at.dimension is not Dimension.PERCENT or not 0 <= switch.at.value <= 100:  # noqa: PLR2004 - per cent
        yield bench.problem((*path, "at"), f"{switch.at.text!r} is not a position", "write 0 % to 100 %")


def _position_problems(bench: Loaded[BenchFile], path: Path, position: Potentiometer) -> Iterator[Problem]:
    levels = {n: o for n, o in bench.model.outputs.items() if isinstance(o, TerminalOutput)}
    output = levels.get(position.output)
    if output is None:
        reason = f"there is no level or resistance {position.output!r}"
        yield bench.problem((*path, "output"), reason, nearest(position.output, levels))
    elif dimension_of(output.unit) is not Dimension.PERCENT:
        reason = f"output {position.output!r} is in {output.unit}"
        yield bench.problem((*path, "output"), reason, "a position is in %: `range: [0 %, 100 %]`")
    for key, share in (("accuracy", position.accuracy), ("unit_deadband", position.unit_deadband)):
        if share is not None and (share.dimension is not Dimension.PERCENT or share.value < 0):
            yield bench.problem((*path, key), f"{share.text!r} is not a share of the travel", "write it in %")


def _shared_outputs(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    owners = bench.model.played_outputs
    for name, vent in bench.model.vents.items():
        for output in vent.plays.outputs if vent.plays is not None else ():
            if owners[output] != name:
                reason = f"output {output!r} is played by {owners[output]!r}, too"
                yield bench.problem(("vents", name, "plays"), reason, "give each vent its own", at_key=True)
            spec = bench.model.outputs.get(output)
            if spec is not None and spec.hookup is not None:
                reason = f"output {output!r} shows where vent {name!r} stands: nothing else may drive it"
                path: Path = ("outputs", output, "hookup")
                yield bench.problem(path, reason, "leave `hookup:` out", at_key=True)


def _jumps_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    for name, signal in bench.model.registers.items():
        for index, value in enumerate(signal.jumps_to or ()):
            if value.dimension is not dimension_of(signal.unit):
                path: Path = ("signals", name, "jumps_to", index)
                yield bench.problem(
                    path, f"{value.text!r} is not in {signal.unit}", f"write it in {signal.unit}"
                )
        if signal.jumps_to is not None and signal.full_travel is None:
            reason = "a signal without full_travel may jump anyhow"
            yield bench.problem(("signals", name, "jumps_to"), reason, "declare `full_travel`", at_key=True)
