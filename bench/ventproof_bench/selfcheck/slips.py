"""Other ways to read a signal than the bench file says: another place, coding, scale or sense (pure)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.quantities import PLAIN_UNITS, Dimension, dimension_of
from ventproof_bench.modbus.register_map import decode, resolve, width

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.signals import SignalSpec, ValueType


Bank = tuple[str, int, str]
"""Bus, unit, table."""

Place = tuple[str, int, str, int, int | None]
"""The same with address and bit."""

SlipKind = Literal["place", "type", "word_order", "table", "unit_id", "scale", "inverted", "mirrored"]

FAR: Final = tuple(sorted(range(-10, 11), key=abs))
"""Addresses to either side that are searched for a lost signal."""
_FACTORS: Final = (10.0, 100.0, 0.1, 0.01)
_WORD: Final = 16
_SIGN: Final = 2**15
_WIDER: Final[dict[ValueType, ValueType]] = {"u16": "u32", "s16": "s32", "u32": "u16", "s32": "s16"}
_OTHER: Final[dict[str, Table]] = {
    "input": "holding",
    "holding": "input",
    "coil": "discrete",
    "discrete": "coil",
}
_EXTENTS: Final = {
    Dimension.PERCENT: (-20.0, 120.0),
    Dimension.TEMPERATURE: (-60.0, 150.0),
    Dimension.RAIN_INTENSITY: (0.0, 1000.0),
    Dimension.SPEED: (0.0, 100.0),
    Dimension.DEPTH: (0.0, 1e5),
    Dimension.PERCENT_RATE: (-200.0, 200.0),
    Dimension.DIRECTION: (0.0, 360.0),
    Dimension.VOLTAGE: (-1000.0, 1000.0),
    Dimension.CURRENT: (-1000.0, 1000.0),
    Dimension.RESISTANCE: (0.0, 1e8),
    Dimension.IRRADIANCE: (-50.0, 2000.0),
    Dimension.HUMIDITY: (-20.0, 120.0),
    Dimension.CONCENTRATION: (0.0, 1e6),
    Dimension.PRESSURE: (-1e4, 1e5),
    Dimension.TIME: (0.0, 1e8),
    Dimension.COUNT: (0.0, 2.0**32),
}
"""What a reading can be, generously (common practice, no source)."""


@final
@dataclass(frozen=True, slots=True)
class UnitReadings:
    """What every signal read at a moment, and the registers that the readings came in."""

    values: Mapping[str, float]
    registers: Mapping[Bank, Mapping[int, int]] = field(default_factory=dict)


@final
@dataclass(frozen=True, slots=True)
class Slip:
    """One way in which a signal could be read otherwise.

    Attributes:
        kind: what is otherwise.
        right: what the bench file would then say.
        spec: the signal as it would then be declared; None where its value is only turned into another.
        factor: of a scale.
        owner: the signal that the bench file reads from that very place, if there is one.
    """

    kind: SlipKind
    right: str
    spec: SignalSpec | None = None
    factor: float = 1.0
    owner: str = ""

    @property
    def key(self) -> str:
        """The key of the signal that would be wrong; empty where none of them is."""
        if self.spec is None:
            return "scale" if self.kind == "scale" else ""
        return {"place": "address" if self.spec.type != "bit" else "bit"}.get(self.kind, self.kind)

    def read(self, signal: str, state: UnitReadings, offset: float = 0.0) -> float | None:
        """Return what the signal would have read; None where that is not known, or no number.

        Args:
            signal: its name.
            state: what was read.
            offset: of the signal.
        """
        if self.spec is not None:
            return read_as(self.spec, state)
        value = state.values.get(signal)
        if value is None or self.kind == "inverted":
            return None if value is None else 1 - value
        return 100 - value if self.kind == "mirrored" else (value - offset) / self.factor + offset


def place_of(spec: SignalSpec) -> Place:
    """Return where a signal is read."""
    table, address = resolve(spec)
    return spec.bus, spec.unit_id, table, address, spec.bit


def bank_of(spec: SignalSpec) -> Bank:
    """Return the table of the unit that a signal is read from."""
    return place_of(spec)[:3]


def read_as(spec: SignalSpec, state: UnitReadings) -> float | None:
    """Return what registers that were read say of a signal declared so; None where they say nothing."""
    *_, address, _ = place_of(spec)
    bank = state.registers.get(bank_of(spec), {})
    words = [bank[at] for at in range(address, address + width(spec)) if at in bank]
    if len(words) < width(spec):
        return None
    try:
        return decode(spec, words)
    except ValueError:
        return None


def extent(spec: SignalSpec) -> tuple[float, float]:
    """Return the least and the most that a signal can read."""
    if spec.range is not None:
        low, high = (end.value for end in spec.range)
        spare = (high - low) / 5
        return low - spare, high + spare
    if spec.states is not None:
        return min(spec.states.values()), max(spec.states.values())
    return _EXTENTS[dimension_of(spec.unit)]


def turned(spec: SignalSpec) -> Iterator[Slip]:
    """Yield the ways in which the value itself may be wrong: its scale, its sense."""
    if spec.unit == "flag":
        yield Slip("inverted", "")
    elif spec.unit not in PLAIN_UNITS:
        for factor in _FACTORS:
            yield Slip("scale", f"scale: {spec.scale / factor:g}", factor=factor)
        if dimension_of(spec.unit) is Dimension.PERCENT:
            yield Slip("mirrored", "")


def recoded(spec: SignalSpec) -> Iterator[Slip]:
    """Yield other codings of the same registers that would make a difference to some value that can be."""
    if spec.type == "bit":
        return
    _, address = resolve(spec)
    kinds: list[ValueType] = ["u16", "s16", "u32", "s32", "f32"]
    yield from (
        Slip("type", f"type: {kind}", _moved(spec, type=kind)) for kind in kinds if _matters(spec, kind)
    )
    if width(spec) > 1:
        order: Literal["high-first", "low-first"]
        order = "low-first" if spec.word_order == "high-first" else "high-first"
        yield Slip("word_order", f"word_order: {order}", _moved(spec, word_order=order))
    if spec.unit == "count":
        return  # its width shows after 65535 only
    twin: ValueType | None = _WIDER.get(spec.type)
    if twin is not None:
        at = address + (1 if width(spec) > 1 else -1)
        if at >= 0:
            yield Slip("type", f"type: {twin}, address: {at}", _moved(spec, type=twin, address=at))


def _matters(spec: SignalSpec, kind: ValueType) -> bool:
    """Whether another type would show another value for something that can be."""
    pair = {kind, spec.type}
    if len(pair) == 1 or (spec.unit in PLAIN_UNITS and kind == "f32"):
        return False
    if pair == {"u16", "s16"}:
        if spec.unit == "count" and kind == "s16":
            return False  # a counter has no sign
        return _SIGN * spec.scale + spec.offset <= extent(spec)[1] or (_signed(spec) and kind == "s16")
    return pair != {"u32", "s32"} or (_signed(spec) and kind == "s32")


def _signed(spec: SignalSpec) -> bool:
    """Whether values below 0 are to be expected."""
    if spec.range is not None:
        return spec.range[0].value < 0
    return dimension_of(spec.unit) in (Dimension.TEMPERATURE, Dimension.PERCENT_RATE)


def elsewhere(file: BenchFile, signal: str, shifts: tuple[int, ...] = FAR) -> Iterator[Slip]:
    """Yield other places of the same table with the signal's own coding, the nearest first."""
    spec = file.registers[signal]
    bus, unit_id, table, address, bit = own = place_of(spec)
    owners = {place_of(other): name for name, other in file.registers.items()}
    every = [bit] if bit is None else [bit, *(b for b in range(_WORD) if b != bit)]
    for shift in shifts:
        for other in every:
            place = bus, unit_id, table, address + shift, other
            if place == own or address + shift < 0:
                continue
            said = f"address: {address + shift}" if shift else ""
            said += (", " if said else "") + f"bit: {other}" if other != bit else ""
            moved = _moved(spec, table=table, address=address + shift, bit=other)
            yield Slip("place", said, moved, owner=owners.get(place, ""))


def others(file: BenchFile, signal: str) -> Iterator[Slip]:
    """Yield the places of the other signals, each with its own coding."""
    spec = file.registers[signal]
    kept = {"unit": spec.unit, "accuracy": spec.accuracy, "states": spec.states, "range": spec.range}
    for name, other in file.registers.items():
        if name != signal and (other.unit == "flag") == (spec.unit == "flag"):
            yield Slip("place", _said(other), other.model_copy(update=kept), owner=name)


def beside(spec: SignalSpec) -> Iterator[Slip]:
    """Yield the same address in the unit's other table of that kind."""
    table, _ = resolve(spec)
    yield Slip("table", f"table: {_OTHER[table]}", _moved(spec, table=_OTHER[table]))


def other_table(table: str) -> Table:
    """Return the table with which one is easily confused."""
    return _OTHER[table]


def _moved(spec: SignalSpec, **fields: object) -> SignalSpec:
    table, address = resolve(spec)
    return spec.model_copy(update={"reference": None, "table": table, "address": address, **fields})


def _said(spec: SignalSpec) -> str:
    table, address = resolve(spec)
    bit = f", bit: {spec.bit}" if spec.bit is not None else ""
    return f"table: {table}, address: {address}, type: {spec.type}{bit}"
