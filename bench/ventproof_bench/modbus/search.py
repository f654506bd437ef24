"""Looks for who answers on a bus: line settings and unit ids, slowly, by reads alone."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.protocols import ReadRequest, Table
from ventproof_bench.modbus.bus import ModbusBus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from ventproof_bench.benchfile.model import BusSpec


_PAUSE_S: Final = 0.03
"""Silence between two tries: others on the line have their turn."""
_TABLES: Final[tuple[Table, ...]] = ("input", "holding", "discrete", "coil")
_NO_PATH: Final = frozenset({10, 11})
"""Exceptions by which a gateway says that nobody answers behind it (Application Protocol V1.1b3, chapter 7)."""
_NO_FUNCTION: Final = 1
_ALL_OF: Final = 4
"""Where so many ids were asked and all of them answer alike, one unit answers at any: many on a network do (common
practice, no source)."""
_HIGHEST_ON_LINE: Final = 247
_HIGHEST: Final = 255

COMMON_LINES: Final[tuple[tuple[int, Literal["even", "odd", "none"]], ...]] = (
    *((9600, "none"), (19200, "even"), (9600, "even"), (19200, "none"), (38400, "none"), (115200, "none")),
    *((38400, "even"), (57600, "none"), (57600, "even"), (115200, "even"), (4800, "none"), (4800, "even")),
    *((2400, "none"), (2400, "even"), (1200, "none"), (1200, "even"), (9600, "odd"), (19200, "odd")),
)
"""Line settings in the order in which they are tried: the most usual first (common practice, no source); 19200 Bd with
even parity is the default of MODBUS over Serial Line V1.02, 3.2 and 2.5.1."""


@final
@dataclass(frozen=True, slots=True)
class Answering:
    """A unit id that answered.

    Attributes:
        unit_id: the id.
        tables: the tables that it knows, refusing the address that was asked for included.
        coils: it has a first coil.
        slowest_s: the longest time that it took to answer, its time on the line included.
    """

    unit_id: int
    tables: tuple[Table, ...]
    coils: bool
    slowest_s: float

    @property
    def switches(self) -> bool:
        """Whether it seems to be a relay board: it has coils, and knows no input registers."""
        return self.coils and "input" not in self.tables


@final
@dataclass(frozen=True, slots=True)
class SearchFound:
    """What a search of one bus brought.

    Attributes:
        spec: the bus as it was tried.
        units: who answered.
        noise: something came that was no answer: another speed or parity, or somebody else talks.
    """

    spec: BusSpec
    units: tuple[Answering, ...]
    noise: bool


async def who_answers(
    specs: Sequence[BusSpec],
    unit_ids: Sequence[int],
    tell: Callable[[str], None] = lambda _: None,
    *,
    known: Sequence[Answering] = (),
) -> SearchFound | None:
    """Return who answers on the first of some buses where somebody does; nothing is written.

    It ends as soon as a unit and a relay board have answered, or where a unit seems to answer at whatever id.

    Args:
        specs: the same line or host with one setting after the other.
        unit_ids: the unit ids to ask.
        tell: is told what is tried, and how long the rest takes at most.
        known: who answered before, at other ids.

    Returns:
        None where nobody answers on any; a bus where only noise came counts where there is none better.

    Raises:
        LinkError: a port or host cannot be opened.
    """
    noisy: SearchFound | None = None
    for number, spec in enumerate(specs):
        after_s = sum(len(unit_ids) * _longest_s(later) for later in specs[number + 1 :])
        found = await _on_one(spec, unit_ids, tell, after_s, known)
        if found.units:
            return found
        noisy = noisy or (found if found.noise else None)
    return noisy


async def _on_one(
    spec: BusSpec,
    unit_ids: Sequence[int],
    tell: Callable[[str], None],
    after_s: float,
    known: Sequence[Answering],
) -> SearchFound:
    bus, units, noise = ModbusBus("search", spec), list[Answering](), False
    said = _said(spec)
    try:
        await bus.open()
        for number, unit_id in enumerate(unit_ids):
            left_s = (len(unit_ids) - number) * _longest_s(spec) + (0.0 if units else after_s)
            answering = f"; answering: {_listed(units)}" if units else ""
            tell(f"{said}unit id {unit_id}, at most {left_s:.0f} s more{answering}")
            first = await _asked(bus, ReadRequest(unit_id, "holding", 0, 1))
            noise = noise or first.noise
            if first.answered:
                units.append(await _looked_at(bus, unit_id))
            if _enough(units, known, number + 1):
                break
            await asyncio.sleep(_PAUSE_S)
    finally:
        await bus.close()
    return SearchFound(spec, tuple(units), noise)


def _longest_s(spec: BusSpec) -> float:
    """Return how long it takes to ask one id that is silent, seconds."""
    quiet_s = spec.timeout if spec.quiet_after_fault is None else spec.quiet_after_fault
    return spec.timeout + quiet_s + _PAUSE_S


def _enough(units: Sequence[Answering], known: Sequence[Answering], asked: int) -> bool:
    """Whether both a unit and a relay board were found, or one unit that takes every id for its own."""
    both = {one.switches for one in (*known, *units)} == {True, False}
    return (both and bool(units)) or (
        asked == len(units) == _ALL_OF and len({(one.tables, one.coils) for one in units}) == 1
    )


def _said(spec: BusSpec) -> str:
    return f"{spec.baud} Bd, parity {spec.parity}, " if spec.link in ("rtu", "ascii") else ""


def _listed(units: Iterable[Answering]) -> str:
    return ", ".join(str(one.unit_id) for one in units)


@final
@dataclass(frozen=True, slots=True)
class _Asked:
    answered: bool = False
    known: bool = False
    noise: bool = False
    took_s: float = 0.0


async def _asked(bus: ModbusBus, request: ReadRequest) -> _Asked:
    """Ask once; after a lost connection connect again first."""
    try:
        await bus.open()
        reply = await bus.read(request)
    except BusFault as fault:
        refused = fault.kind == "exception" and fault.code not in _NO_PATH
        known = refused and fault.code != _NO_FUNCTION
        return _Asked(refused, known, fault.kind == "mismatch", fault.ended_s - fault.requested_s)
    except LinkError:
        if request.unit_id == 0:
            return _Asked()
        raise
    return _Asked(answered=True, known=True, took_s=reply.replied_s - reply.requested_s)


async def _looked_at(bus: ModbusBus, unit_id: int) -> Answering:
    """Ask a unit for the first entry of each table."""
    asked = {table: await _asked(bus, ReadRequest(unit_id, table, 0, 1)) for table in _TABLES}
    tables = tuple(table for table, one in asked.items() if one.known)
    return Answering(unit_id, tables, asked["coil"].answered, max(one.took_s for one in asked.values()))


def unit_ids_of(text: str, *, network: bool = False) -> tuple[int, ...]:
    """Read unit ids such as `1-20, 32`.

    On a serial line they are 1 to 247 (MODBUS over Serial Line V1.02, 2.2); over TCP 255 is who answers at the address
    itself, as MODBUS Messaging on TCP/IP V1.0b, 4.4.1.2, has it; others above 247 are taken, too.

    Raises:
        ValueError: it names none, or one that no unit has; the message says what would be right.
    """
    highest = _HIGHEST if network else _HIGHEST_ON_LINE
    found = tuple(dict.fromkeys(_ids(text)))
    if not found or not all(1 <= one <= highest for one in found):
        raise ValueError(
            f"{text!r} names no unit ids; write 17, or 1-20, or 1-20, 32: ids are 1 to {highest}"
        )
    return found


def _ids(text: str) -> Iterator[int]:
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            return
        yield from range(int(first), min(int(last or first), 1000) + 1)
