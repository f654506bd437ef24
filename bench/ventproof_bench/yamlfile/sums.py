"""Sums of a file's named values: `$release_delay + 5 s` (pure)."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import TYPE_CHECKING, Final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import FAHRENHEIT, Quantity, canonical_symbol, parse

if TYPE_CHECKING:
    from collections.abc import Mapping

_NAME: Final = re.compile(r"\$\w+")
_PARTED: Final = re.compile(r"\s+([+-])\s+")
_ALMOST: Final = re.compile(r"\s*(\$\w+\s*[-+*/\u2212]\s*[\d.$].*|[\d.]+[^$]*[-+*/\u2212]\s*\$\w+\s*)")
_DIGITS: Final = 12
"""Significant digits of a sum: what is written has fewer, what floats leave behind comes after."""


def names_in(text: str) -> tuple[str, ...]:
    """Return the names of values that a text refers to, if it is one name or a sum; none for any other text.

    A sum has spaces around `+` and `-`, and at least one name among its terms: `$delay + 5 s`, `90 % - $tolerance`.
    """
    terms = _terms(text)
    names = tuple(term[1:] for _, term in terms if _NAME.fullmatch(term))
    others_are_quantities = all(_NAME.fullmatch(term) or _is_quantity(term) for _, term in terms)
    return names if others_are_quantities else ()


def is_almost_a_sum(text: str) -> bool:
    """Return whether a text was meant as a sum, and is none: a name with a sign of arithmetic and a number or name."""
    return _ALMOST.fullmatch(text) is not None


def sum_of(text: str, values: Mapping[str, str | float]) -> str:
    """Return what a sum comes to, in its dimension's canonical unit, as a file states it.

    Args:
        text: the sum; `names_in` finds its names.
        values: by name, all that it names.

    Raises:
        ValueError: its terms cannot be added; the message says why, and what would be right.
    """
    terms = [(sign, _quantity(term, values)) for sign, term in _terms(text)]
    first = terms[0][1]
    for _, term in terms:
        if term.dimension is not first.dimension:
            reason = f"{text!r} adds {first.text!r} and {term.text!r}, which are of different kinds"
            raise Refusal(reason, "add times to times, positions to positions")
        if term.symbol == FAHRENHEIT:
            raise Refusal(f"{text!r} adds degrees Fahrenheit", "write values that are added in °C")
    total = sum(sign * Fraction(repr(term.value)) for sign, term in terms)
    return f"{float(total):.{_DIGITS}g} {canonical_symbol(first.dimension)}".rstrip()


def _terms(text: str) -> list[tuple[int, str]]:
    parts = _PARTED.split(text.strip())
    signs = [1, *(1 if sign == "+" else -1 for sign in parts[1::2])]
    return list(zip(signs, parts[::2], strict=True))


def _is_quantity(term: str) -> bool:
    try:
        parse(term)
    except ValueError:
        return False
    return True


def _quantity(term: str, values: Mapping[str, str | float]) -> Quantity:
    return parse(values[term[1:]] if _NAME.fullmatch(term) else term)
