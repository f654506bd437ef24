"""From a bench file to all that its wiring sheet says (pure)."""

from __future__ import annotations

from importlib.metadata import version
from shlex import quote
from typing import TYPE_CHECKING, Final

from ventproof.report.model import Fact, ReportedTable, short_code
from ventproof.wiring.circuit_drawing import circuit_figure
from ventproof.wiring.circuits import Circuits
from ventproof.wiring.line_drawing import line_figure, links_figure
from ventproof.wiring.lines import NETWORK, links, serial_lines
from ventproof.wiring.model import CheckList, SheetPart, WiringSheet
from ventproof_bench.base.text import CAUTIONS
from ventproof_bench.benchfile.model import InProcessBus, RegisterOutput
from ventproof_bench.modbus.register_map import resolve

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from ventproof.wiring.model import Circuit, ComputerCable, Conductor, SerialLine
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.signals import SignalSpec
    from ventproof_bench.yamlfile.load import Loaded


_DIGIT: Final = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}
_LONGEST_REFERENCE: Final = 9999
_MOST_CABLES: Final = 16
TICK: Final = "☐"
_TO_FILL: Final = ("Unit, serial number", "Wired by, date", "Checked by, date")

_CAUTIONS: Final = (
    "Isolate first: switch off, lock out, and prove dead before a terminal is touched. Nothing is wired live.",
    "A sensor's housing is opened and closed dry: damp that is shut in corrodes it.",
)
"""Common practice, no source."""

_NETWORK_NOTE: Final = (
    "A network of its own, and no other client at the boards: it could move what the bench drives."
)
_LINE_NOTES: Final = (
    "The line runs from device to device, without stubs; the order here is by unit id: note the order as it is wired.",
    "Terminate both ends and nothing in between, as the makers say (150 ohm; with bias 120 ohm and 1 nF in series).",
    "Bias in one place. Makers name A and B differently: if nothing answers, exchange them at the device.",
    "Each device: its own unit id, and the same speed, parity and stop bits.",
)
"""Modbus over Serial Line V1.02, 3.4.2, 3.4.5 and 3.4.6; how makers name A and B: common practice, no source."""

_BEFORE: Final = (
    "Drives, mains and every other supply of the unit are isolated, locked out and proved dead.",
    "All circuits of this sheet are extra-low voltage; whatever is mains is left to licensed people.",
    "The unit's manual is here; blank terminals on this sheet are written in from it.",
    "Terminals of inputs are for what they get: a dry contact, a current, a voltage, or a resistance.",
    "Housings of sensors are dry inside; they are closed again dry, seals in place.",
)
_AFTER: Final = (
    "Every wire of the list is ticked, pulled gently, and marked with its number.",
    "Plus and minus, A and B, supply and return: each compared with the drawing once more.",
    "One supply in each current loop, and no voltage across any dry contact (measured).",
    "Each shield is on earth at one end only.",
)
_JUDGED: Final = "bench and hook-up judged. Vents and drives clear first."
_LINE_CHECK: Final = (
    "Bus {}: with all power off, A to B measures about half of one terminator (both are in), and no short to the "
    "common."
)
"""Common practice, no source; two equal resistances side by side make half of one."""


def sheet_of(bench: Loaded[BenchFile]) -> WiringSheet:
    """Return the wiring sheet of a bench.

    Args:
        bench: its file, loaded and found right.
    """
    file, made = bench.model, Circuits(bench.model, bench.path)
    cables, lines = tuple(links(made)), tuple(serial_lines(made))
    circuits = (*made.of_outputs(), *made.of_inputs())
    return WiringSheet(
        title=file.bench,
        about=" ".join(file.about.split()),
        facts=(Fact("Bench file", bench.path), Fact("Its digest begins", short_code(bench.digest))),
        to_fill=_TO_FILL,
        cautions=(*_CAUTIONS, *CAUTIONS),
        alarms=tuple(_alarms(file)),
        lines=(
            *(_cables_part(some, f"cables-{at}") for at, some in enumerate(_batched(cables), 1)),
            *(_line_part(line, f"line-{at}") for at, line in enumerate(lines, 1)),
        ),
        circuits=tuple(_part(circuit, f"circuit-{at}") for at, circuit in enumerate(circuits, 1)),
        unwired=_unwired(made),
        wires=ReportedTable(
            "Wire by wire",
            ("wire", "of", "bench end", "terminal", "unit end", "terminal", "colour", "wired", "checked"),
            tuple(_wires(cables, lines, circuits)),
            "What is empty is to be written in.",
        ),
        signals=_signals(made),
        lists=tuple(_lists(bench, lines)),
        maker=f"ventproof {version('ventproof')}",
    )


def _alarms(file: BenchFile) -> Iterator[str]:
    if file.virtual:
        yield (
            "This bench is the mock inside the process: there is nothing to wire. The sheet shows which wires a real "
            "unit would need."
        )
    if played := [name for name, vent in file.vents.items() if vent.plays is not None]:
        yield (
            f"This bench plays vents ({', '.join(played)}): no drive may be connected in their place, since feedback "
            "that is not its own would move it past its end."
        )


def _batched(cables: Sequence[ComputerCable]) -> Iterator[Sequence[ComputerCable]]:
    """Yield as many cables at a time as one page holds."""
    for at in range(0, len(cables), _MOST_CABLES):
        yield cables[at : at + _MOST_CABLES]


def _cables_part(cables: Sequence[ComputerCable], ident: str) -> SheetPart:
    notes = [note for link in cables for note in link.notes]
    if any(link.kind == NETWORK for link in cables):
        notes.append(_NETWORK_NOTE)
    return SheetPart("Cables", "", links_figure(cables, ident), tuple(notes))


def _line_part(line: SerialLine, ident: str) -> SheetPart:
    return SheetPart(f"Bus {line.name}", line.kind, line_figure(line, ident), _LINE_NOTES)


def _part(circuit: Circuit, ident: str) -> SheetPart:
    return SheetPart(circuit.name, circuit.kind, circuit_figure(circuit, ident), circuit.notes, circuit.tries)


def _unwired(made: Circuits) -> ReportedTable:
    buses = {
        f"bus {name}": "inside the process: no cable"
        if isinstance(bus, InProcessBus)
        else "nothing hangs on it"
        for name, bus in made.file.buses.items()
        if isinstance(bus, InProcessBus) or not made.devices.on(name)
    }
    rows = (*made.without_wires(), *buses.items())
    return ReportedTable("Without a wire of its own", ("what", "why"), tuple(rows))


def _wires(
    cables: Iterable[ComputerCable], lines: Iterable[SerialLine], circuits: Iterable[Circuit]
) -> Iterator[tuple[str, ...]]:
    """Yield a row for every wire; a device is named where the wire's circuit does not tell it."""
    for link in cables:
        yield _wire(link.cable, ", ".join(link.carries), "", "")
    for line in lines:
        for wire in (wire for hop in line.hops for wire in hop):
            yield _wire(wire, f"bus {line.name}", "", "")
    for circuit in circuits:
        for wire in circuit.conductors:
            yield _wire(wire, circuit.name, circuit.bench, circuit.unit)


def _wire(wire: Conductor, of: str, bench: str, unit: str) -> tuple[str, ...]:
    begin, end = wire.begin, wire.end
    ends = begin.beside(bench), begin.marking, end.beside(unit), end.marking
    return wire.number, of, *ends, wire.colour, TICK, TICK


def _signals(made: Circuits) -> ReportedTable:
    rows = []
    for name, signal in made.file.registers.items():
        device = made.devices.called((signal.bus, signal.unit_id))
        place = f"bus {signal.bus}, unit id {signal.unit_id} ({device})"
        scale = f" x {signal.scale:g}" if signal.scale != 1 else ""
        offset = f" {signal.offset:+g}" if signal.offset else ""
        order = ", low word first" if signal.word_order == "low-first" else ""
        coding = f"{signal.type}{scale}{offset} {signal.unit}{order}"
        rows.append((name, place, _address(signal), coding, TICK))
    for name, told in made.file.told.items():
        person = made.file.people[told.read_by]
        where = f" ({person.where})" if person.where else ""
        rows.append((name, f"{told.read_by}{where}", told.asks, told.unit, TICK))
    head = ("signal", "device, or who reads it", "address from 0 (reference)", "coding", "reads right")
    return ReportedTable("Signals to be read", head, tuple(rows))


def _address(signal: SignalSpec) -> str:
    table, address = resolve(signal)
    bit = "" if signal.bit is None else f" bit {signal.bit}"
    digits = 4 if address < _LONGEST_REFERENCE else 5
    return f"{table} {address}{bit} ({_DIGIT[table]}{address + 1:0{digits}})"


def _lists(bench: Loaded[BenchFile], lines: Iterable[SerialLine]) -> Iterator[CheckList]:
    file, path = bench.model, quote(bench.path)
    yield CheckList("Before wiring", _BEFORE)
    boards = [
        f"Board {name} (bus {board.bus}, unit id {board.unit_id}): its outputs "
        f"{'switch off' if board.then == 'off' else 'go to safe values'} {board.goes_safe_after:g} s after the bench "
        "falls silent; set it so on the board where it is not written over the bus."
        for name, board in file.boards.items()
    ]
    yield CheckList(
        "Before power",
        (*_AFTER, *(_LINE_CHECK.format(line.name) for line in lines), *boards),
    )
    yield CheckList("With power, drives still isolated", tuple(_first_power(file, path)))
    yield CheckList(
        "Last",
        (
            *([f"`ventproof selfcheck --bench {path}`: {_JUDGED}"] if file.buses else []),
            "Drives are connected and guarded again only where this bench plays no vent.",
        ),
    )


def _first_power(file: BenchFile, path: str) -> Iterator[str]:
    yield f"`ventproof check {path}` finds nothing wrong."
    settings = any(isinstance(output, RegisterOutput) for output in file.outputs.values())
    kept = "; settings of the unit are as they were" if settings else ""
    if file.registers:
        yield f"`ventproof read --bench {path}`: every signal answers and reads right (table of signals){kept}."
    yield "Each command shown with a circuit was tried, one circuit after the other; only its own signals responded."
    if file.interlock is not None:
        signal, healthy = file.interlock.signal, file.interlock.healthy
        yield f"Interlock: open the guard, and {signal} leaves {healthy}; close it, and it is {healthy} again."
    for name, vent in file.vents.items():
        if vent.plays is None:
            commands = ", ".join(vent.flags)
            yield f"Vent {name} is followed from {commands}: each is on when, and only when, it should be."
        else:
            yield f"Vent {name} is played: no drive, no motor and no mains on {', '.join(vent.commanded_by)}."
