"""Where values live in registers, how they are coded, and the fewest requests that read them (pure)."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import groupby
from math import isfinite
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.evidence import Unread
from ventproof_bench.base.protocols import ReadRequest, Table
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof_bench.benchfile.model import BusSpec
    from ventproof_bench.benchfile.signals import Location, SignalSpec, ValueType


_TABLE_OF_DIGIT: Final[dict[str, Table]] = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}
_LAST_ADDRESS: Final = 65535
_WORDS: Final[dict[ValueType, int]] = {"bit": 1, "u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2}
_INTEGERS: Final[dict[ValueType, tuple[int, int]]] = {
    "bit": (0, 1),
    "u16": (0, 2**16 - 1),
    "s16": (-(2**15), 2**15 - 1),
    "u32": (0, 2**32 - 1),
    "s32": (-(2**31), 2**31 - 1),
}

Decoder = Callable[[Sequence[int], int], float]
"""Takes the words of a reply and the value's place among them; raises ValueError for what is not a number."""


def parse_reference(reference: str | int) -> tuple[Table, int]:
    """Translate a reference number of five or six digits into (table, zero-based protocol address).

    The Modbus specification counts protocol addresses from 0 and knows no reference numbers; 0xxxx coil,
    1xxxx discrete input, 3xxxx input register, 4xxxx holding register, from 1, is a convention of manuals.

    Raises:
        ValueError: no such reference number; the message says what would be right.
    """
    text = str(reference).strip()
    if isinstance(reference, bool) or re.fullmatch(r"[0-9]+", text) is None:
        raise Refusal(
            f"reference {text!r} is not a number", "write five or six digits, such as 40001", key="reference"
        )
    if len(text) not in (5, 6):
        quoted = f"; coil {text} is '{text.zfill(5)}', in quotes to keep its zeros" if len(text) < 5 else ""  # noqa: PLR2004 - digits
        raise Refusal(
            f"reference {text} has {number_of(len(text), 'digit')}",
            f"write five or six, such as 40001{quoted}",
            key="reference",
        )
    table = _TABLE_OF_DIGIT.get(text[0])
    if table is None:
        raise Refusal(
            f"reference {text} begins with {text[0]}",
            "0 is a coil, 1 a discrete input, 3 an input register, 4 a holding register",
            key="reference",
        )
    number = int(text[1:])
    if number == 0:
        first = text[:-1] + "1"
        raise Refusal(
            (
                f"reference {text} does not exist: reference numbers count from 1, so the first is "
                f"{first}, which is {table} address 0"
            ),
            key="reference",
        )
    if number > _LAST_ADDRESS + 1:
        raise Refusal(
            f"reference {text} is past the last one, {text[0]}65536, which is {table} address 65535",
            key="reference",
        )
    return table, number - 1


def resolve(location: Location) -> tuple[Table, int]:
    """Return (table, zero-based protocol address) of a location whose table, address and type fit each other.

    Raises:
        ValueError: they are missing, contradict each other, or cannot be meant; the message says what would
                be right.
    """
    table, address = _place(location)
    _check_type(location, table, address)
    _check_scaling(location)
    return table, address


def _place(location: Location) -> tuple[Table, int]:
    if location.reference is None:
        if location.address is not None:
            _check_not_a_reference(location.table, location.address, on_wire=location.address_is_on_wire)
        if location.table is None or location.address is None:
            missing = [word for word in ("table", "address") if getattr(location, word) is None]
            raise Refusal(f"{' and '.join(missing)} missing", "give table and address, or reference")
        return location.table, location.address
    table, address = parse_reference(location.reference)
    if location.table is not None and location.table != table:
        raise Refusal(
            f"reference {location.reference} is in table {table}, but table says {location.table}",
            "drop one",
            key="reference",
        )
    if location.address is not None and location.address != address:
        raise Refusal(
            f"reference {location.reference} means {table} {address}, but address is {location.address}",
            "references count from 1, addresses from 0; drop one",
            key="reference",
        )
    return table, address


def _check_not_a_reference(table: Table | None, address: int, *, on_wire: bool) -> None:
    """Refuse an address that reads like a five-digit reference number, unless its author confirms it."""
    bits = table in ("discrete", None) and 10001 <= address <= 19999  # noqa: PLR2004 - see above
    like = bits or 30001 <= address <= 49999  # noqa: PLR2004 - see above
    if on_wire or not like:
        return
    reference = address if address % 10_000 else address + 1
    meant_table, meant = parse_reference(reference)
    raise Refusal(
        (
            f"address {address} looks like a reference number, which counts from 1, while "
            "address counts from 0"
        ),
        (
            f"write `reference: {reference}` for {meant_table} address {meant}, or "
            f"{('' if table else 'name the table and ')}confirm the address with "
            "`address_is_on_wire: true`"
        ),
        key="address",
    )


def _check_type(location: Location, table: Table, address: int) -> None:
    kind = location.type
    if table in ("coil", "discrete"):
        if kind != "bit":
            raise Refusal(
                f"type {kind} does not fit table {table}, whose entries are single bits",
                "write `type: bit`",
                key="type",
            )
        if location.bit is not None:
            raise Refusal(
                f"bit {location.bit} means nothing in table {table}, whose entries are single bits",
                "drop it",
                key="bit",
            )
    elif kind == "bit" and location.bit is None:
        raise Refusal(f"type bit in table {table} needs `bit`, 0 (least significant) to 15", key="type")
    elif kind != "bit" and location.bit is not None:
        raise Refusal(
            f"bit {location.bit} does not go with type {kind}", "write `type: bit` or drop `bit`", key="bit"
        )
    if address + _WORDS[kind] - 1 > _LAST_ADDRESS:
        raise Refusal(
            f"type {kind} takes two registers, and address {address} is the last one",
            "the highest is 65534",
            key="type",
        )


def _check_scaling(location: Location) -> None:
    if location.type == "bit" and (location.scale != 1 or location.offset != 0):
        raise Refusal("type bit is 0 or 1 and takes no scale or offset", "drop them", key="type")
    if not (isfinite(location.scale) and isfinite(location.offset)):
        raise Refusal(
            f"scale {location.scale} and offset {location.offset} must be finite numbers", key="scale"
        )
    if _largest(location.type, location.scale, location.offset) > 10**30:
        raise Refusal(
            f"scale {location.scale} with offset {location.offset} gives values beyond 1e30",
            "no unit has such",
            key="scale",
        )


@lru_cache(maxsize=256)
def _largest(kind: ValueType, scale: float, offset: float) -> Fraction:
    low, high = _INTEGERS.get(kind, (-1, 1))
    return Fraction(max(abs(low), high)) * Fraction(scale) + abs(Fraction(offset))


def width(location: Location) -> int:
    """Return how many registers (or bits) the location's value takes: 1 or 2."""
    return _WORDS[location.type]


def decode(location: Location, words: Sequence[int]) -> float:
    """Return the value that `words`, the location's own registers in order of address, stand for.

    Raises:
        ValueError: they are not a number (a 32-bit float that is infinite or not a number).
    """
    return decoder(location)(words, 0)


def decoder(location: Location) -> Decoder:
    """Return the function that decodes the location's value; made once and used for every reply.

    An integer's value is `count * scale + offset` with scale and offset as written in decimal, rounded once:
    count 3 at scale 0.1 is 0.3 and not 0.30000000000000004, so that a reading at a limit is at the limit.
    """
    if location.type == "bit":
        shift = location.bit or 0
        return lambda words, at: float(words[at] >> shift & 1)
    if location.type == "f32":
        return _float_decoder(location)
    return _integer_decoder(location)


def _integer_decoder(location: Location) -> Decoder:
    scale, offset = Fraction(repr(location.scale)), Fraction(repr(location.offset))
    below = scale.denominator * offset.denominator
    times, plus = scale.numerator * offset.denominator, offset.numerator * scale.denominator
    wrap = _INTEGERS[location.type][1] if location.type in ("s16", "s32") else 2**32
    span = 2 * (wrap + 1)
    if width(location) == 1:

        def one(words: Sequence[int], at: int) -> float:
            count = words[at]
            return ((count - span if count > wrap else count) * times + plus) / below

        return one
    high, low = _word_places(location)

    def two(words: Sequence[int], at: int) -> float:
        count = words[at + high] << 16 | words[at + low]
        return ((count - span if count > wrap else count) * times + plus) / below

    return two


def _float_decoder(location: Location) -> Decoder:
    high, low = _word_places(location)
    scale, offset = location.scale, location.offset
    pack, unpack = struct.Struct(">HH").pack, struct.Struct(">f").unpack

    def float_of(words: Sequence[int], at: int) -> float:
        pair = words[at + high], words[at + low]
        value: float = unpack(pack(*pair))[0] * scale + offset
        if not isfinite(value):
            raise ValueError(f"not a number (registers {pair[0]:04X} {pair[1]:04X} as a 32-bit float)")
        return value

    return float_of


def _word_places(location: Location) -> tuple[int, int]:
    return (0, 1) if location.word_order == "high-first" else (1, 0)


def encode(location: Location, value: float) -> tuple[int, ...]:
    """Return the words, in order of address, that stand for `value`, rounded to the nearest count.

    Raises:
        ValueError: no number, or out of the type's range; the message names the range.
    """
    if not isfinite(value):
        raise Refusal(f"{value} is not a number that a register can hold")
    high, low = _word_places(location)
    if location.type == "f32":
        try:
            packed = struct.pack(">f", (value - location.offset) / location.scale)
        except OverflowError:
            raise ValueError(
                f"{value:g} is out of range: a 32-bit float holds no more than about 3.4e38"
            ) from None
        pair = struct.unpack(">HH", packed)
        return pair[high], pair[low]
    scale, offset = Fraction(repr(location.scale)), Fraction(repr(location.offset))
    count = round((Fraction(repr(float(value))) - offset) / scale)
    lowest, highest = _INTEGERS[location.type]
    if not lowest <= count <= highest:
        edges = f"{float(lowest * scale + offset):g} to {float(highest * scale + offset):.10g}"
        scaled = (
            f" with scale {location.scale:g} and offset {location.offset:g}" if scale != 1 or offset else ""
        )
        raise ValueError(f"{value:g} is out of range: type {location.type}{scaled} holds {edges}")
    if width(location) == 1:
        return ((count & 0xFFFF) << (location.bit or 0),)
    pair = (count >> 16 & 0xFFFF, count & 0xFFFF)
    return pair[high], pair[low]


@final
@dataclass(frozen=True, slots=True)
class PlannedRead:
    """One request and the signals that its reply holds: name, place in the reply, decoder."""

    request: ReadRequest
    fields: tuple[tuple[str, int, Decoder], ...]

    def decode(self, words: Sequence[int]) -> tuple[dict[str, float], tuple[Unread, ...]]:
        """Return the values by signal name, and what was wrong with each signal that has none."""
        values: dict[str, float] = {}
        wrong: tuple[Unread, ...] = ()
        for name, at, value_of in self.fields:
            try:
                values[name] = value_of(words, at)
            except ValueError as error:
                wrong += (Unread(name, str(error)),)
        return values, wrong


@final
@dataclass(frozen=True, slots=True)
class ReadPlan:
    """The requests that read all signals of one bus; `bus` is its name in the bench file."""

    bus: str
    reads: tuple[PlannedRead, ...]

    @property
    def requests(self) -> tuple[ReadRequest, ...]:
        """The requests alone, in order."""
        return tuple(read.request for read in self.reads)


@final
@dataclass(frozen=True, slots=True, order=True)
class _Span:
    """Registers `[first, end)` of one table of one unit, which one signal takes."""

    unit_id: int
    table: Table
    first: int
    end: int
    name: str


def plan_reads(signals: Mapping[str, SignalSpec], spec: BusSpec) -> ReadPlan:
    """Return the fewest requests that read `signals`, all of one bus, within what its declaration allows.

    A request crosses at most `longest_gap` registers in a row that no signal takes, asks for at most
    `most_registers` (or `most_bits`), and holds a 32-bit value whole. Filling each request from the lowest
    address as far as the limits go is optimal: spans are one or two registers long, so both their ends ascend
    together; any run of a permissible request is permissible; and a request that stopped earlier could only
    leave more to the next.

    Raises:
        ValueError: signals of several buses, a location that is wrong, or one that no request can hold.
    """
    buses = sorted({signal.bus for signal in signals.values()})
    if len(buses) > 1:
        raise ValueError(f"one plan reads one bus, but the signals are on {', '.join(buses)}")
    spans: list[_Span] = []
    for name, signal in signals.items():
        table, address = resolve(signal)
        if signal.unit_id == 0 and broadcasts_at_zero(spec):
            raise Refusal(
                f"{name}: unit_id 0 is the broadcast address, which no unit answers", "use 1 to 247"
            )
        if width(signal) > _most(table, spec):
            raise ValueError(
                f"{name}: type {signal.type} takes two registers, but most_registers allows only one"
            )
        spans.append(_Span(signal.unit_id, table, address, address + width(signal), name))
    reads: list[PlannedRead] = []
    for (_, table), group in groupby(sorted(spans), key=lambda span: (span.unit_id, span.table)):
        runs = _runs(list(group), longest_gap=spec.longest_gap, most=_most(table, spec))
        reads += (_read(run, signals) for run in runs)
    return ReadPlan(buses[0] if buses else "", tuple(reads))


def broadcasts_at_zero(spec: BusSpec) -> bool:
    """Whether unit 0 of this bus is every unit at once, as on a serial line, and answers nothing."""
    return spec.link in ("rtu", "ascii", "rtu-over-tcp") or (
        spec.link == "in-process" and spec.framing != "tcp"
    )


def _most(table: Table, spec: BusSpec) -> int:
    return spec.most_bits if table in ("coil", "discrete") else spec.most_registers


def _runs(spans: Sequence[_Span], *, longest_gap: int, most: int) -> list[list[_Span]]:
    runs: list[list[_Span]] = []
    for span in spans:
        run = runs[-1] if runs else None
        if run is None or span.first - run[-1].end > longest_gap or span.end - run[0].first > most:
            runs.append([span])
        else:
            run.append(span)
    return runs


def _read(run: Sequence[_Span], signals: Mapping[str, SignalSpec]) -> PlannedRead:
    first = run[0]
    request = ReadRequest(first.unit_id, first.table, first.first, run[-1].end - first.first)
    return PlannedRead(request, tuple((s.name, s.first - first.first, decoder(signals[s.name])) for s in run))
