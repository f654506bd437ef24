"""What a wiring sheet says: lines, circuits, wires, tables, checks (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, final

from ventproof.report.model import Fact, Figure, ReportedTable

Symbol = Literal[
    "normally open", "normally closed", "sensor", "source", "resistance", "potentiometer", "supply", "input"
]
"""What is drawn at the bench's end of a circuit."""


LOOSE: Final = ("sensor supply", "sensor return", "measured only")
"""What a wire is at the bench that goes to no part of the relay or module there."""


@final
@dataclass(frozen=True, slots=True)
class Terminal:
    """One end of a wire.

    Attributes:
        device: what it belongs to.
        role: what it is there, such as `COM` or `input`.
        marking: what stands on it; empty where the bench file does not say, and is to be written in.
    """

    device: str
    role: str
    marking: str = ""

    def beside(self, device: str) -> str:
        """Return what it is, with its device unless that is this one."""
        return self.role if self.device == device else f"{self.device}: {self.role}"


@final
@dataclass(frozen=True, slots=True)
class Conductor:
    """One wire of the sheet.

    Attributes:
        number: as the wire is to be marked, unique on the sheet: `W7`.
        begin: its end at the bench.
        end: its end at the unit, or at the next device.
        colour: as the bench file says, or empty.
    """

    number: str
    begin: Terminal
    end: Terminal
    colour: str = ""


@final
@dataclass(frozen=True, slots=True)
class Circuit:
    """The wires of one output, or of one input of a module.

    Attributes:
        name: of the output or signal.
        kind: what it is, in a few words.
        bench: the device at the bench, and where on it.
        unit: the device at the other end.
        symbol: what is drawn at the bench's end.
        conductors: its wires; of a wire with a contact in it, both parts.
        series: the contact in the first wire, by name, if there is one.
        shield: the end at which the shield is connected, `none`, or empty where that is to be chosen.
        notes: what to mind, and what must answer.
        tries: what shows that it is right; commands stand between backquotes.
    """

    name: str
    kind: str
    bench: str
    unit: str
    symbol: Symbol
    conductors: tuple[Conductor, ...]
    series: str = ""
    shield: str = ""
    notes: tuple[str, ...] = ()
    tries: tuple[str, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class Station:
    """A device on a line, with what hangs on it.

    Attributes:
        name: what it is: `unit under test, unit id 1`.
        holds: the outputs, signals and boards that are there, in words.
    """

    name: str
    holds: tuple[str, ...]


@final
@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial line with its devices.

    Attributes:
        name: of the bus.
        kind: what is spoken on it, at which settings.
        stations: the adapter that it begins at, then the devices in the order of their unit ids.
        hops: the wires from each station to the next: A, B, common.
        shield: as of a `Circuit`.
    """

    name: str
    kind: str
    stations: tuple[Station, ...]
    hops: tuple[tuple[Conductor, ...], ...]
    shield: str = ""


@final
@dataclass(frozen=True, slots=True)
class ComputerCable:
    """A cable from the computer to one device.

    Attributes:
        kind: a network, or a port of the computer.
        far: what it ends at.
        carries: the buses and outputs that go over it.
        cable: its number and ends.
        notes: what stands behind it.
    """

    kind: str
    far: str
    carries: tuple[str, ...]
    cable: Conductor
    notes: tuple[str, ...]


@final
@dataclass(frozen=True, slots=True)
class CheckList:
    """Things to do and to tick."""

    title: str
    items: tuple[str, ...]


@final
@dataclass(frozen=True, slots=True)
class SheetPart:
    """Lines or a circuit with their drawing, what to mind, and what shows that it is right."""

    title: str
    kind: str
    figure: Figure
    notes: tuple[str, ...]
    tries: tuple[str, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class WiringSheet:
    """Everything that a wiring sheet says.

    Attributes:
        title: the bench's name.
        about: what it is, in its author's words.
        facts: the bench file and its digest.
        to_fill: what is written in by hand.
        cautions: what to mind before anything is touched.
        alarms: what a reader must not miss.
        lines: how the computer reaches the devices.
        circuits: how the devices are wired to the unit.
        unwired: what has no wire of its own, and why.
        wires: every wire, to be ticked.
        signals: what is read, and where.
        lists: what to check, in order.
        maker: the program that made it.
    """

    title: str
    about: str
    facts: tuple[Fact, ...]
    to_fill: tuple[str, ...]
    cautions: tuple[str, ...]
    alarms: tuple[str, ...]
    lines: tuple[SheetPart, ...]
    circuits: tuple[SheetPart, ...]
    unwired: ReportedTable
    wires: ReportedTable
    signals: ReportedTable
    lists: tuple[CheckList, ...]
    maker: str
