"""Whether a quantity fits the unit of the value that it is said of (pure)."""

from __future__ import annotations

from bench.units import FAHRENHEIT, PLAIN_UNITS, Dimension, Quantity, dimension_of

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
        return f"{quantity.text!r} where a bare number is wanted", f"{whose} is a {unit}"
    return f"{quantity.text!r} where a value in {unit} is wanted", f"{whose} is in {unit}"


def difference_fault(quantity: Quantity, unit: str, whose: str) -> Said | None:
    """Return what is wrong with a difference (a tolerance, say) that must be in `unit`; None when it fits."""
    fault = value_fault(quantity, unit, whose)
    if fault is not None:
        return fault
    if quantity.symbol == FAHRENHEIT:
        return f"{quantity.text!r} is a temperature where a difference is wanted", "write differences in °C"
    if quantity.value < 0:
        return f"{quantity.text!r} is negative", "write how far off the value may be, without a sign"
    return None
