"""The mock's values in the registers of a guise, and the maker's list that tells where they stand."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.guise.settings import own_settings, own_signals
from ventproof_bench.mock.registers import ILLEGAL_ADDRESS, RefusedError, RegisterBank
from ventproof_bench.modbus.register_map import decode, encode, resolve, width

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.benchfile.signals import Location
    from ventproof_bench.mock.guise.settings import Guise, GuisedPlace


_FAILURE: Final = 4  # server device failure
_REFERENCE: Final = {"coil": 0, "discrete": 1, "input": 3, "holding": 4}
_COUNTS: Final = {"u16": 2**16, "u32": 2**32}


@final
class GuisedUnit:
    """The registers of a guise before the mock unit's own. A `ventproof_bench.mock.registers.RegisterBank`.

    From the first to the last place of a table every register answers; where there is no value it reads 0.

    Args:
        guise: the guise.
        unit: the mock unit's own registers.
    """

    def __init__(self, guise: Guise, unit: RegisterBank) -> None:
        self._unit = unit
        signals, settings = own_signals(), own_settings()
        shown = [(place, signals[place.of]) for place in guise.shows.values()]
        self._taken = [(place, settings[place.of]) for place in guise.takes.values()]
        self._places = [*shown, *self._taken]

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return what the guise's registers hold at `now_s`. Raises `RefusedError` or `SilentError`."""
        self._refuse_beyond(table, address, count)
        words = [0] * count
        for place, own in self._places:
            its, first = resolve(place)
            if its == table and first < address + count and address < first + width(place):
                for at, word in enumerate(self._shown(place, own, now_s), start=first - address):
                    if 0 <= at < count:
                        words[at] |= word
        return words

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Write whole settings at `now_s`. Raises `RefusedError` or `SilentError`."""
        for place, own in self._taken:
            if resolve(place) == (table, address) and width(place) == len(words):
                at, first = resolve(own)
                self._unit.write(at, first, _coded(own, _value(place, words)), now_s)
                return
        raise RefusedError(ILLEGAL_ADDRESS)

    def _shown(self, place: Location, own: Location, now_s: float) -> Sequence[int]:
        table, first = resolve(own)
        value = decode(own, self._unit.read(table, first, width(own), now_s))
        wraps = _COUNTS.get(place.type)
        if wraps is not None and own.type == "u32":  # a counter, which is cut off in fewer bits
            value %= wraps
        return _coded(place, value)

    def _refuse_beyond(self, table: Table, address: int, count: int) -> None:
        ends = [
            (first, first + width(place))
            for place, _ in self._places
            for its, first in [resolve(place)]
            if its == table
        ]
        if not ends or address < min(ends)[0] or address + count > max(end for _, end in ends):
            raise RefusedError(ILLEGAL_ADDRESS)


def _value(place: Location, words: Sequence[int]) -> float:
    try:
        return decode(place, words)
    except ValueError:
        raise RefusedError(_FAILURE) from None


def _coded(place: Location, value: float) -> tuple[int, ...]:
    try:
        return encode(place, value)
    except ValueError:
        raise RefusedError(_FAILURE) from None


def makers_list(guise: Guise) -> str:
    """Return the maker's list of a guise as CSV: name, address as a reference number, type, scale, unit, access."""
    kept = [column for column in ("type", "scale", "unit") if column not in guise.leaves_out]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["name", "address", *kept, "access"])
    for access, name, place in _listed(guise.shows, guise.takes):
        table, first = resolve(place)
        reference = f"{_REFERENCE[table]}{first + 1:04d}"
        cells = {"type": _type_of(place), "scale": f"{place.scale:g}", "unit": place.unit}
        at = f"{reference}.{place.bit}" if place.bit is not None else reference
        writer.writerow([name, at, *(cells[column] for column in kept), access])
    return text.getvalue()


def _listed(
    shows: Mapping[str, GuisedPlace], takes: Mapping[str, GuisedPlace]
) -> Iterator[tuple[str, str, GuisedPlace]]:
    yield from (("r", name, place) for name, place in shows.items())
    yield from (("rw", name, place) for name, place in takes.items())


def _type_of(place: Location) -> str:
    order = " low word first" if width(place) == 2 and place.word_order == "low-first" else ""  # noqa: PLR2004 - words
    return f"{place.type}{order}"
