"""Exact numbers for rain: a tip too many or too few is a wrong verdict, so none is counted on rounded numbers."""

from __future__ import annotations

from fractions import Fraction
from math import isqrt
from typing import Final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import UNITS, Dimension, canonical_spelling, parse_as

Number = int | float | Fraction
"""What callers may give: every kind is read exactly, a float as the shortest decimal that names it."""

_LARGEST: Final = 10**30  # far beyond weather, and products of a few such numbers still fit a float
_ROOT_BITS: Final = 96
_EXACT_DIMENSIONS: Final = (Dimension.TIME, Dimension.DEPTH, Dimension.RAIN_INTENSITY)


def exact(value: Number) -> Fraction:
    """Return the number as it was written: 0.2 is one fifth, not the nearest binary fraction.

    Raises:
        ValueError: not a number, or too large to be weather.
    """
    if isinstance(value, Fraction):
        return value
    if not abs(value) <= _LARGEST:
        raise Refusal(f"{value!r:.20} is not a number that can be measured", "check it")
    return Fraction(repr(float(value))) if isinstance(value, float) else Fraction(value)


def exact_as(text: str, dimension: Dimension) -> Fraction:
    """Read a time, depth or rain intensity such as `0.3 in/h`, exactly: s, mm or mm/h.

    Floats do not do here: 0.3 * 25.4 falls short of 7.62, and at 0.254 mm a tip costs one in thirty.

    Raises:
        ValueError: not a quantity, or of another dimension.
    """
    assert dimension in _EXACT_DIMENSIONS, dimension
    parse_as(text, dimension)
    symbol = text.strip().lstrip("+-.0123456789eE").strip()
    number = text.strip().removesuffix(symbol)
    return exact(float(number)) * factor_of(symbol)


def factor_of(symbol: str) -> Fraction:
    """Return the exact factor from a unit of time, depth or rain intensity to s, mm or mm/h."""
    return exact(UNITS[canonical_spelling(symbol)].factor)


def more_than_zero(what: str, value: Number) -> Fraction:
    """Return `value` exactly.

    Raises:
        ValueError: it is not more than zero; the message begins with `what=value`.
    """
    number = exact(value)
    if number <= 0:
        raise ValueError(f"{what}={shown(number)} must be more than 0")
    return number


def not_negative(what: str, value: Number) -> Fraction:
    """Return `value` exactly.

    Raises:
        ValueError: it is below zero; the message begins with `what=value`.
    """
    number = exact(value)
    if number < 0:
        raise ValueError(f"{what}={shown(number)} must not be negative")
    return number


def shown(number: Fraction) -> str:
    """Return the number as an operator would write it, to six figures."""
    return f"{float(number):.6g}"


def root(number: Fraction) -> Fraction:
    """Return the square root: exact where it is a fraction, else short of it by less than one part in 2^96."""
    p, q = number.numerator, number.denominator
    top, bottom = isqrt(p), isqrt(q)
    if top * top == p and bottom * bottom == q:
        return Fraction(top, bottom)
    return Fraction(isqrt(p * q << 2 * _ROOT_BITS), q << _ROOT_BITS)
