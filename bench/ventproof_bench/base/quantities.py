"""Numbers with units (pure)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Collection


class Dimension(StrEnum):
    """What a quantity measures. Each has one canonical unit, in which values are kept."""

    TIME = "time"  # s
    PERCENT = "percent"  # %
    TEMPERATURE = "temperature"  # °C
    RAIN_INTENSITY = "rain intensity"  # mm/h
    SPEED = "speed"  # m/s
    DEPTH = "depth"  # mm
    PERCENT_RATE = "travel rate"  # %/s
    DIRECTION = "direction"  # ° clockwise from north
    VOLTAGE = "voltage"  # V
    CURRENT = "current"  # mA
    RESISTANCE = "resistance"  # ohm
    IRRADIANCE = "irradiance"  # W/m²
    HUMIDITY = "relative humidity"  # %RH
    CONCENTRATION = "concentration"  # ppm
    PRESSURE = "pressure"  # kPa
    COUNT = "count"  # no unit


@final
@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: `canonical = value * factor + offset`."""

    symbol: str
    dimension: Dimension
    factor: float = 1.0
    offset: float = 0.0

    def canonical(self, number: float) -> float:
        """Return a finite number of this unit in the canonical unit.

        It is rounded once: 8.2 min are 492 s, where the product of the two floats falls short of it.
        """
        if self.factor == 1.0:
            return number + self.offset
        return float(Fraction(repr(number)) * Fraction(repr(self.factor))) + self.offset


# Exact factors: 1 in = 25.4 mm and 1 mi = 1609.344 m (international yard, 1959), 1 kn = 1852 m/h.
UNITS: dict[str, Unit] = {
    u.symbol: u
    for u in (
        Unit("ms", Dimension.TIME, 1e-3),
        Unit("s", Dimension.TIME),
        Unit("min", Dimension.TIME, 60.0),
        Unit("h", Dimension.TIME, 3600.0),
        Unit("d", Dimension.TIME, 86400.0),
        Unit("%", Dimension.PERCENT),
        Unit("°C", Dimension.TEMPERATURE),
        Unit("°F", Dimension.TEMPERATURE, 5 / 9, -160 / 9),
        Unit("mm/h", Dimension.RAIN_INTENSITY),
        Unit("in/h", Dimension.RAIN_INTENSITY, 25.4),
        Unit("m/s", Dimension.SPEED),
        Unit("km/h", Dimension.SPEED, 1 / 3.6),
        Unit("mph", Dimension.SPEED, 0.44704),
        Unit("kn", Dimension.SPEED, 1852 / 3600),
        Unit("mm", Dimension.DEPTH),
        Unit("in", Dimension.DEPTH, 25.4),
        Unit("%/s", Dimension.PERCENT_RATE),
        Unit("%/min", Dimension.PERCENT_RATE, 1 / 60),
        Unit("°", Dimension.DIRECTION),
        Unit("V", Dimension.VOLTAGE),
        Unit("mV", Dimension.VOLTAGE, 1e-3),
        Unit("mA", Dimension.CURRENT),
        Unit("A", Dimension.CURRENT, 1000.0),
        Unit("ohm", Dimension.RESISTANCE),
        Unit("kohm", Dimension.RESISTANCE, 1000.0),
        Unit("W/m²", Dimension.IRRADIANCE),
        Unit("%RH", Dimension.HUMIDITY),
        Unit("ppm", Dimension.CONCENTRATION),
        Unit("kPa", Dimension.PRESSURE),
        Unit("hPa", Dimension.PRESSURE, 0.1),
        Unit("Pa", Dimension.PRESSURE, 1e-3),
    )
}
_SPELLINGS = {
    "degC": "°C",
    "C": "°C",
    "degF": "°F",
    "F": "°F",
    "sec": "s",
    "percent": "%",
    "deg": "°",
    "W/m2": "W/m²",
    "%rh": "%RH",
}
PLAIN_UNITS = ("flag", "count", "state")
"""What stands in a unit's place for values that have none."""
_CANONICAL = {
    Dimension.TIME: "s",
    Dimension.PERCENT: "%",
    Dimension.TEMPERATURE: "°C",
    Dimension.RAIN_INTENSITY: "mm/h",
    Dimension.SPEED: "m/s",
    Dimension.DEPTH: "mm",
    Dimension.PERCENT_RATE: "%/s",
    Dimension.DIRECTION: "°",
    Dimension.VOLTAGE: "V",
    Dimension.CURRENT: "mA",
    Dimension.RESISTANCE: "ohm",
    Dimension.IRRADIANCE: "W/m²",
    Dimension.HUMIDITY: "%RH",
    Dimension.CONCENTRATION: "ppm",
    Dimension.PRESSURE: "kPa",
    Dimension.COUNT: "",
}
_QUANTITY = re.compile(r"\s*(?P<number>[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>\S*)\s*")
_AT_LEAST = 2
"""120 s read better as 2 min, 60 s as they are."""
_SHORT_S = 0.1
DECIMAL_COMMA = re.compile(r"\s*[-+]?\d+,\d+\s*\S*\s*")
"""A number with a decimal comma, and perhaps a unit."""


@final
@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its dimension, kept in the canonical unit; `text` is how the author wrote it.

    Attributes:
        symbol: the unit that the author wrote, in the table's spelling; empty where nobody wrote one.
    """

    value: float
    dimension: Dimension
    text: str
    symbol: str = field(default="", compare=False, repr=False)

    def __str__(self) -> str:
        """Return the author's own spelling."""
        return self.text


FAHRENHEIT: Final = "°F"
"""The one unit whose zero is not that of its dimension's canonical unit: no difference is written in it."""


_GREATEST: Final = 1e12
_LONGEST_S: Final = 100 * 366 * 86400.0


def parse(text: str | float) -> Quantity:
    """Read a quantity such as `90 s`, `8 %`, `12.5 mm/h` or a bare count.

    Raises:
        ValueError: the text is no number with a known unit; the message says what would be right.
    """
    return _parsed_once(text) if isinstance(text, str) else _parsed(text)


@lru_cache(maxsize=4096)
def _parsed_once(text: str) -> Quantity:
    return _parsed(text)


def _parsed(text: str | float) -> Quantity:
    match = _QUANTITY.fullmatch(str(text))
    if match is None and DECIMAL_COMMA.fullmatch(str(text)):
        raise Refusal(f"{str(text)!r} has a comma in its number", f"write '{with_point(str(text))}'")
    if match is None or isinstance(text, bool):
        hint = "write a number and a unit, such as '90 s' or '8 %'"
        if not isinstance(text, str):  # a file's own word for it is known to whoever reads the file
            raise Refusal("is not a quantity", hint, bare=True)
        raise Refusal(f"{text!r} is not a quantity", hint)
    number, symbol = float(match["number"]), match["unit"]
    if not abs(number) <= _GREATEST:
        raise Refusal(f"{str(text)!r} is too large", "write a number that can be measured")
    if not symbol:
        return Quantity(number, Dimension.COUNT, str(text).strip())
    unit = UNITS.get(canonical_spelling(symbol))
    if unit is None:
        near = get_close_matches(symbol, UNITS, n=1, cutoff=0.4)
        hint = f"did you mean {near[0]!r}?" if near else f"known units: {', '.join(UNITS)}"
        raise Refusal(f"{symbol!r} is not a unit that ventproof knows", hint)
    value = unit.canonical(number)
    if unit.dimension is Dimension.TIME and abs(value) > _LONGEST_S:
        raise Refusal(f"{str(text)!r} is longer than a hundred years", "write a time that can be waited for")
    return Quantity(value, unit.dimension, str(text).strip(), unit.symbol)


def with_point(text: str) -> str:
    """Return a number with a decimal comma as it is written with a point."""
    return text.strip().replace(",", ".", 1)


def parse_as(text: str | float, dimension: Dimension) -> float:
    """Read a quantity that must have `dimension`; returns its value in the canonical unit.

    A temperature tolerance is a difference: write it in °C, since °F would shift its zero.

    Raises:
        ValueError: not a quantity, or of another dimension.
    """
    quantity = parse(text)
    if quantity.dimension is not dimension:
        expected = ", ".join(u.symbol for u in UNITS.values() if u.dimension is dimension) or "a bare number"
        got = (
            f"a {quantity.dimension}"
            if quantity.dimension is not Dimension.COUNT
            else "a number without unit"
        )
        raise Refusal(f"expected a {dimension}, found {str(text)!r}, {got}", f"use {expected}")
    return quantity.value


def canonical_spelling(symbol: str) -> str:
    """Return the table's spelling of a unit symbol: `degC` becomes `°C`; anything else stays as it is."""
    return _SPELLINGS.get(symbol, symbol)


def spellings(symbols: Collection[str]) -> list[str]:
    """Return every way in which these unit symbols may be written."""
    return [
        *(symbol for symbol in UNITS if symbol in symbols),
        *(also for also, symbol in _SPELLINGS.items() if symbol in symbols),
    ]


def dimension_of(symbol: str) -> Dimension:
    """Return what a unit symbol measures; `flag`, `count` and `state` are counts.

    Raises:
        ValueError: unknown symbol.
    """
    if symbol in PLAIN_UNITS:
        return Dimension.COUNT
    return parse(f"1 {symbol}").dimension


def is_discrete(unit: str) -> bool:
    """Return whether values in a unit are separate ones: of a flag, a state or a counter, written without it."""
    return unit in PLAIN_UNITS


def canonical_symbol(dimension: Dimension) -> str:
    """Return the symbol of the unit that values of `dimension` are kept in; empty for counts."""
    return _CANONICAL[dimension]


def span_text(span_s: float) -> str:
    """Return a span of time as a file states it; read again it is the same to the bit.

    Args:
        span_s: seconds, not negative, less than 1e15.
    """
    for symbol, unit_s in (("h", 3600), ("min", 60)):
        if span_s >= _AT_LEAST * unit_s and span_s % unit_s == 0:
            return f"{span_s / unit_s:.0f} {symbol}"
    thousandths = round(1000 * span_s)
    if 0 < span_s < _SHORT_S and thousandths / 1000 == span_s:
        return f"{thousandths} ms"
    return f"{float(span_s)!r} s".replace(".0 s", " s")


Said = tuple[str, str]
"""Reason and hint."""


def value_fault(quantity: Quantity, unit: str, whose: str) -> Said | None:
    """Return what is wrong with a value that must be in `unit`; None when it fits.

    Args:
        quantity: the value as written.
        unit: unit of the signal or output, as in its file.
        whose: the signal or output, for the message: `signal 'roof_vent'`.
    """
    if quantity.dimension is dimension_of(unit):
        return None
    if quantity.dimension is Dimension.COUNT:
        return (
            f"{quantity.text!r} has no unit",
            f"{whose} is in {unit}; write `{quantity.text} {unit}` if that is meant",
        )
    if unit in PLAIN_UNITS:
        return f"expected a number without unit, found {quantity.text!r}", f"{whose} is a {unit}"
    return f"expected a value in {unit}, found {quantity.text!r}", f"{whose} is in {unit}"


def difference_fault(quantity: Quantity, unit: str, whose: str) -> Said | None:
    """Return what is wrong with a difference (a tolerance, say) that must be in `unit`; None when it fits."""
    fault = value_fault(quantity, unit, whose)
    if fault is not None:
        return fault
    if quantity.symbol == FAHRENHEIT:
        return (
            f"expected a temperature difference, found the temperature {quantity.text!r}",
            "write differences in °C",
        )
    if quantity.value < 0:
        return f"{quantity.text!r} is negative", "write how far off the value may be, without a sign"
    return None
