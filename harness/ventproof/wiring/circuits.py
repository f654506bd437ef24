"""From the outputs of a bench file, and the inputs of its modules, to their wires (pure)."""

from __future__ import annotations

from itertools import count
from shlex import quote
from typing import TYPE_CHECKING, Final, final

from ventproof.verdict.text import short_span
from ventproof.wiring.model import LOOSE, Circuit, Conductor, Terminal
from ventproof.wiring.places import UNIT, Devices, device_of, options_of
from ventproof_bench.base.quantities import Dimension
from ventproof_bench.base.text import number_of
from ventproof_bench.benchfile.model import (
    ContactOutput,
    LevelOutput,
    RegisterOutput,
    ResistanceOutput,
    SupplyOutput,
)
from ventproof_bench.benchfile.terminals import Wire
from ventproof_bench.drivers.driver import fastest_edge_s
from ventproof_bench.modbus.register_map import resolve
from ventproof_bench.yamlfile.fields import FLAG_UNIT

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.wiring.model import Symbol
    from ventproof_bench.benchfile.boards import ContactLimits, RelaySpec
    from ventproof_bench.benchfile.model import BenchFile, OutputSpec, TerminalOutput
    from ventproof_bench.benchfile.terminals import Cable


_NO_WIRE: Final = Wire()
_SENSES: Final = ("high_sense", "low_sense")
_PAIRS: Final[Mapping[str, tuple[str, str]]] = {
    "current": ("output +", "output -"),
    "voltage": ("output", "0 V"),
}

ISOLATE_ENDS: Final = (
    "Supply and return feed a real sensor: where the relay stands for it, insulate their ends, unless the unit watches "
    "the current of the supply."
)
"""Common practice, no source."""


BY_HAND_NOTE: Final = (
    "No wire of the bench: these are the wires of the real sensor or switch. One of two wires has neither supply nor "
    "return: strike these out. A sensor's housing is opened dry and closed dry, seal in place."
)
"""Common practice, no source."""


@final
class Circuits:
    """Makes the circuits of a bench, and numbers all wires of the sheet in one row.

    Args:
        file: the bench.
        path: of the bench file, for the commands that try a circuit.
    """

    def __init__(self, file: BenchFile, path: str) -> None:
        self.file = file
        self.devices = Devices.of(file)
        self._bench = quote(path)
        self._numbers = count(1)
        self._broken_by = {
            output.breaks_with: name
            for name, output in file.outputs.items()
            if isinstance(output, LevelOutput | ResistanceOutput | SupplyOutput) and output.breaks_with
        }

    def conductor(self, begin: Terminal, end: Terminal, colour: str | None = None) -> Conductor:
        """Return a wire with the next number."""
        return Conductor(f"W{next(self._numbers)}", begin, end, colour or "")

    def of_outputs(self) -> Iterator[Circuit]:
        """Yield the circuit of each output that has wires of its own."""
        for name, output in self.file.outputs.items():
            if isinstance(output, ContactOutput):
                if name not in self._broken_by:
                    by_hand = name in self.file.by_hand
                    yield self._sensor(name, output) if by_hand else self._contact(name, output)
            elif not isinstance(output, RegisterOutput):
                yield self._level(name, output)

    def without_wires(self) -> Iterator[tuple[str, str]]:
        """Yield the outputs that have no circuit of their own, each with the reason."""
        for name, output in self.file.outputs.items():
            if isinstance(output, RegisterOutput):
                yield (
                    name,
                    f"a setting of the unit, in {output.unit}: written over the bus ({device_of(output)})",
                )
            elif name in self._broken_by:
                where = f"in the wire of {self._broken_by[name]}, and drawn there ({device_of(output)})"
                yield name, f"a contact {where}"
        for name, signal in self.file.positions.items():
            vent = self.file.vents[signal.position_of]
            how = "played by the bench" if vent.plays is not None else "followed from its drive contacts"
            yield name, f"the position of vent {signal.position_of}, {how}: it is read from no wire"

    def _contact(self, name: str, output: ContactOutput) -> Circuit:
        device, wires = device_of(output), _by_role(output.wires)
        made = "NO" if output.at_rest == "open" else "NC"
        roles = {"contact": (made, "input"), "common": ("COM", "common of input")}
        four = [role for role in ("supply", "return") if role in wires]
        roles |= (
            {role: (loose, role) for loose, role in zip(LOOSE, ("supply", "return"), strict=False)}
            if four
            else {}
        )
        return Circuit(
            name=name,
            kind=f"dry contact, normally {output.at_rest}",
            bench=device,
            unit=UNIT,
            symbol="normally open" if made == "NO" else "normally closed",
            conductors=tuple(self._wires(device, wires, roles)),
            shield=_shield(output.wires),
            notes=(*self._contact_notes(output), *([ISOLATE_ENDS] if four else []), *self._of_vents(name)),
            tries=tuple(self._tries(name, output)),
        )

    def _sensor(self, name: str, output: ContactOutput) -> Circuit:
        """Return the circuit of a sensor or switch that a person works: its contact, and its supply if it has one."""
        options, wires = options_of(output), _by_role(output.wires)
        who = str(getattr(options, "who", ""))
        device = f"sensor or switch, worked by {who}"
        roles = {role: (role, role) for role in ("supply", "return")}
        roles = {"contact": ("contact", "input"), "common": ("common", "common of input"), **roles}
        acts = (f"{key}: {getattr(options, key, '')}" for key in ("closed", "open"))
        return Circuit(
            name=name,
            kind=f"worked by hand: {who}",
            bench=device,
            unit=UNIT,
            symbol="sensor",
            conductors=tuple(self._wires(device, wires, roles)),
            shield=_shield(output.wires),
            notes=(*acts, BY_HAND_NOTE),
        )

    def _wires(
        self,
        device: str,
        wires: Mapping[str, Wire],
        roles: Mapping[str, tuple[str, str]],
        *,
        unit: str = UNIT,
        series: str = "",
    ) -> Iterator[Conductor]:
        """Yield the wires of these roles; `series` names the contact that stands in the first of them."""
        for at, (role, (here, there)) in enumerate(roles.items()):
            wire = wires.get(role, _NO_WIRE)
            begin, end = Terminal(device, here, wire.bench or ""), Terminal(unit, there, wire.unit or "")
            if series and at == 0:
                common, made = self._contact_ends(series)
                yield self.conductor(begin, common, wire.colour)
                yield self.conductor(made, end, wire.colour)
            else:
                yield self.conductor(begin, end, wire.colour)

    def _contact_ends(self, name: str) -> tuple[Terminal, Terminal]:
        """Return the common and the other terminal of a contact that stands in another output's wire."""
        relay = self.file.outputs[name]
        assert isinstance(relay, ContactOutput), "loading a bench file sees to it"
        device, wires = device_of(relay), _by_role(relay.wires)
        common, made = (wires.get(role, _NO_WIRE).bench or "" for role in ("common", "contact"))
        rest = "NO" if relay.at_rest == "open" else "NC"
        return Terminal(device, "COM", common), Terminal(device, rest, made)

    def _contact_notes(self, output: ContactOutput) -> Iterator[str]:
        yield (
            f"Without power the contact is {output.at_rest}; safe is {output.safe}. No voltage of the bench's on it."
        )
        if output.sensor is not None:
            cups, bucket = output.sensor.cups, output.sensor.bucket
            fastest = short_span(fastest_edge_s(output, self.file.buses))
            if bucket is not None:
                closed = short_span(bucket.closed_for)
                yield f"Pulses: plays a tipping bucket, {bucket.tip} a tip, closed for {closed} at each."
            if cups is not None:
                yield f"Pulses: plays wind cups, {number_of(cups.pulses_a_turn, 'closure')} a turn."
            yield f"An edge every {fastest} at most; a filter on the unit's input must let such pulses pass."
        if output.feedback:
            yield f"A spare pole of this relay goes to the input that {output.feedback} reads."
        if output.counted_by:
            yield f"{output.counted_by} counts its closures."
        if output.relay is not None:
            yield _relay_note(output.relay)
        if output.limits is not None and (said := _limits_said(output.limits)):
            yield f"No profile drives it beyond: {said}."

    def _level(self, name: str, output: TerminalOutput) -> Circuit:
        device, wires = device_of(output), _by_role(output.wires)
        roles, symbol, kind = _level_form(output, wires)
        series = output.breaks_with or ""
        return Circuit(
            name=name,
            kind=kind,
            bench=device,
            unit=UNIT,
            symbol=symbol,
            conductors=tuple(self._wires(device, wires, roles, series=series)),
            series=series,
            shield=_shield(output.wires),
            notes=(*_level_notes(output, len(roles)), *self._of_vents(name)),
            tries=tuple(self._tries(name, output)),
        )

    def of_inputs(self) -> Iterator[Circuit]:
        """Yield the circuit of each input of a module that reads an output of the unit, or a relay's spare pole."""
        poles = {
            output.feedback: name
            for name, output in self.file.outputs.items()
            if isinstance(output, ContactOutput) and output.feedback
        }
        for name in self.devices.wired_signals(self.file):
            signal = self.file.registers[name]
            table, address = resolve(signal)
            place = signal.bus, signal.unit_id
            bit = "" if signal.bit is None else f" bit {signal.bit}"
            device = (
                f"{self.devices.called(place)}, {table} {address}{bit} of unit {place[1]} on bus {place[0]}"
            )
            end = f"spare pole of the relay of {poles[name]}" if name in poles else UNIT
            contact = signal.unit == FLAG_UNIT
            shows = "off and on as the contact is" if contact else "what the unit puts out"
            roles = {
                "signal": ("input", "contact" if contact else "output"),
                "common": ("common", "common"),
            }
            yield Circuit(
                name=name,
                kind="input of the bench's module"
                + (", reads a contact" if contact else f", reads {signal.unit}"),
                bench=device,
                unit=end,
                symbol="input",
                conductors=tuple(self._wires(device, _by_role(signal.wires), roles, unit=end)),
                shield=_shield(signal.wires),
                notes=tuple(self._input_notes(name)),
                tries=(f"`ventproof read {name} --bench {self._bench}`: {shows}",),
            )

    def _input_notes(self, name: str) -> Iterator[str]:
        for vent_name, vent in self.file.vents.items():
            ways = {vent.opens_on: "drives it open", vent.closes_on: "drives it closed"}
            if name in ways:
                yield f"Vent {vent_name}: on while the unit {ways[name]}."
            if name == vent.follows:
                yield f"Vent {vent_name}: the position that the unit commands."
            if name in vent.known_at:
                yield f"Vent {vent_name}: on while it stands at {vent.known_at[name]}."
        yield "The module's own low voltage only: a drive contact of the unit may carry mains in service."

    def _of_vents(self, name: str) -> Iterator[str]:
        for vent_name, vent in self.file.vents.items():
            plays = vent.plays
            if plays is None or name not in plays.outputs:
                continue
            for switch, way in ((plays.closed_switch, "down"), (plays.open_switch, "up")):
                if switch is not None and switch.output == name:
                    at = f"from {switch.at} {way}"
                    yield f"Stands for an end switch of vent {vent_name}: {switch.reached} {at}."
            if plays.position is not None and plays.position.output == name:
                yield f"Stands for the position of vent {vent_name}."
            yield f"Connect no drive in the place of vent {vent_name}: it would be moved past its end."

    def _tries(self, name: str, output: OutputSpec) -> Iterator[str]:
        hookup = output.hookup
        once = isinstance(output, ContactOutput) and (hookup is None or hookup.values is None)
        if once and name not in self.file.played_outputs:
            command = f"`ventproof switch {name} --bench {self._bench}`"
        elif hookup is not None:
            command = f"`ventproof selfcheck --wiring --bench {self._bench}`"
        else:
            return
        if hookup is None:
            yield f"{command}: the input that it is wired to, and no other"
            return
        before = [f"{other} at {value}" for other, value in hookup.first.items()]
        if hookup.values is not None:
            before.append(f"from {hookup.values[0]} to {hookup.values[1]}")
        so = f" ({', '.join(before)})" if before else ""
        yield f"{command}{so}: " + ", ".join(
            f"{signal} {answer}" for signal, answer in hookup.answers.items()
        )


def _by_role(cable: Cable | None) -> dict[str, Wire]:
    return {} if cable is None else cable.by_role


def _shield(cable: Cable | None) -> str:
    return "" if cable is None else cable.shield or ""


def _relay_note(relay: RelaySpec) -> str:
    """Return what makes a contact: its kind, which one, and how long it lasts."""
    which = f" ({relay.fitted})" if relay.fitted else ""
    if relay.kind == "solid-state":
        return (
            f"Relay: solid-state{which}. It leaks: measure that the unit's input does not take it for closed."
        )
    life = f", good for {relay.life} operations" if relay.life else ""
    return f"Relay: electromechanical{which}{life}."


def _limits_said(limits: ContactLimits) -> str:
    spans = {
        "closed at least": limits.shortest_closed,
        "open at least": limits.shortest_open,
        "away from safe at most": limits.longest_driven,
    }
    often = [f"{limits.operations_an_hour} closures an hour"] if limits.operations_an_hour else []
    return ", ".join(
        [*often, *(f"{words} {short_span(span_s)}" for words, span_s in spans.items() if span_s is not None)]
    )


def _level_form(
    output: TerminalOutput, wires: Mapping[str, Wire]
) -> tuple[dict[str, tuple[str, str]], Symbol, str]:
    """Return the roles of a level's wires at both ends, what is drawn, and what it is."""
    if isinstance(output, SupplyOutput):
        roles = {"supply": ("+, fused", "supply +"), "return": ("-", "supply - (0 V)")}
        return roles, "supply", f"supply of the unit, {output.limits[0]} to {output.limits[1]}"
    if isinstance(output, ResistanceOutput):
        senses = [role for role in _SENSES if role in wires]
        order = ["high", *(["high_sense"] if "high_sense" in senses else []), "low"]
        order += ["low_sense"] if "low_sense" in senses else []
        words = {role: role.replace("_", " ") for role in order}
        track = output.sensor in ("potentiometer", "vane")
        many = f", {len(order)} wires" if senses else ""
        return (
            {role: (word, word) for role, word in words.items()},
            "potentiometer" if track else "resistance",
            f"resistance, {output.sensor}{many}",
        )
    current = output.carries is Dimension.CURRENT
    here = _PAIRS["current" if current else "voltage"]
    there = ("input +", "input -") if current else ("input", "0 V of input")
    roles = {"signal": (here[0], there[0]), "common": (here[1], there[1])}
    if output.supply is not None or "supply" in wires:
        roles["supply"] = (LOOSE[-1], "supply for sensor")
    kind = "voltage for a potentiometer" if output.supply is not None else output.signal
    return roles, "source", kind


def _level_notes(output: TerminalOutput, wires: int) -> Iterator[str]:
    if isinstance(output, LevelOutput):
        ends = f"{output.range[0]} to {output.range[1]}"
        if output.supply is not None:
            supply = f"The unit's supply stays open: measure it, it must be {output.supply}."
            yield f"0 V to {output.supply} for {ends}. {supply}"
        elif output.carries is Dimension.CURRENT:
            yield f"{output.signal} for {ends}. One supply in the loop: either the output feeds it or the unit's input."
        else:
            yield f"{output.signal} for {ends}. The common of the output and that of the input become one."
    elif isinstance(output, ResistanceOutput):
        counts = ": two wires, whose own resistance counts" if wires == len(("high", "low")) else ""
        yield f"Both ends free of earth and of any voltage{counts}."
    else:
        yield "Fuse the plus wire at the source. Limit voltage and current at the source before it is connected."
    if output.limits is not None:
        yield f"Never beyond {output.limits[0]} to {output.limits[1]}."
    if output.safe is not None:
        unit = {Dimension.CURRENT: "mA", Dimension.VOLTAGE: "V"}.get(output.carries, "ohm")
        yield f"Left at {output.safe:g} {unit} after a run."
