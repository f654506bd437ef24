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

COMMON_LINES: Final[tuple[tuple[int, Literal["even", "odd", "none"]], ...]] = (
    *((9600, "none"), (19200, "even"), (9600, "even"), (19200, "none"), (38400, "none"), (115200, "none")),
    *((38400, "even"), (57600, "none"), (57600, "even"), (115200, "even"), (4800, "none"), (4800, "even")),
    *((2400, "none"), (2400, "even"), (1200, "none"), (1200, "even"), (9600, "odd"), (19200, "odd")),
)
"""Line settings in the order in which they are tried: the most usual first (common practice, no source); 19200 Bd with
even parity is the default of MODBUS over Serial Line V1.02, 2.5.1."""


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
    specs: Iterable[BusSpec], unit_ids: Sequence[int], tell: Callable[[str], None] = lambda _: None
) -> SearchFound | None:
    """Return who answers on the first of some buses where somebody does; nothing is written.

    Args:
        specs: the same line or host with one setting after the other.
        unit_ids: the unit ids to ask.
        tell: is told what is tried.

    Returns:
        None where nobody answers on any; a bus where only noise came counts where there is none better.

    Raises:
        LinkError: a port or host cannot be opened.
    """
    noisy: SearchFound | None = None
    for spec in specs:
        found = await _on_one(spec, unit_ids, tell)
        if found.units:
            return found
        noisy = noisy or (found if found.noise else None)
    return noisy


async def _on_one(spec: BusSpec, unit_ids: Sequence[int], tell: Callable[[str], None]) -> SearchFound:
    bus, units, noise = ModbusBus("search", spec), list[Answering](), False
    said = _said(spec)
    try:
        await bus.open()
        for unit_id in unit_ids:
            tell(f"{said}unit id {unit_id}" + (f"; answering: {_listed(units)}" if units else ""))
            first = await _asked(bus, ReadRequest(unit_id, "holding", 0, 1))
            noise = noise or first.noise
            if first.answered:
                units.append(await _looked_at(bus, unit_id))
            await asyncio.sleep(_PAUSE_S)
    finally:
        await bus.close()
    return SearchFound(spec, tuple(units), noise)


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


def unit_ids_of(text: str) -> tuple[int, ...]:
    """Read unit ids such as `1-20, 32`.

    Raises:
        ValueError: it names none, or one that no unit has; the message says what would be right.
    """
    found = tuple(dict.fromkeys(_ids(text)))
    if not found or not all(1 <= one <= 247 for one in found):  # noqa: PLR2004 - serial line V1.02, 2.2
        raise ValueError(f"{text!r} names no unit ids; write 17, or 1-20, or 1-20, 32: ids are 1 to 247")
    return found


def _ids(text: str) -> Iterator[int]:
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            return
        yield from range(int(first), min(int(last or first), 1000) + 1)
