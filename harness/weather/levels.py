"""Analogue and digital levels at the terminals: scaling, broken and shorted wires, what a receiver makes of a level."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Final, Literal, final

from bench.errors import Refusal


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A straight line between a measured quantity and the level that carries it.

    Attributes:
        from_value, to_value: the measuring range, in the quantity's unit; a falling range is allowed.
        from_level, to_level: the levels at its two ends, in mA, V or ohm.
    """

    from_value: float
    to_value: float
    from_level: float
    to_level: float

    def __post_init__(self) -> None:
        for number in (self.from_value, self.to_value, self.from_level, self.to_level):
            if not isfinite(number):
                raise ValueError(f"{number!r} in a scale must be a finite number")
        if self.from_value == self.to_value:
            raise Refusal(
                f"a range from {self.from_value!r} to {self.to_value!r} has no span", "give two values"
            )
        if self.from_level == self.to_level:
            raise Refusal(
                f"levels from {self.from_level!r} to {self.to_level!r} carry nothing", "give two levels"
            )

    def level(self, value: float) -> float:
        """Return the level that carries a value; outside the range the line goes on."""
        share = (value - self.from_value) / (self.to_value - self.from_value)
        return self.from_level * (1 - share) + self.to_level * share

    def value(self, level: float) -> float:
        """Return the value that a level carries; outside the range the line goes on."""
        share = (level - self.from_level) / (self.to_level - self.from_level)
        return self.from_value * (1 - share) + self.to_value * share


def current_scale(from_value: float, to_value: float) -> Scale:
    """Return the 4-20 mA scale of a measuring range (IEC 60381-1; its title is from memory)."""
    return Scale(from_value=from_value, to_value=to_value, from_level=4.0, to_level=20.0)


def voltage_scale(from_value: float, to_value: float) -> Scale:
    """Return the 0-10 V scale of a measuring range. At 0 V a broken wire looks like the range's beginning."""
    return Scale(from_value=from_value, to_value=to_value, from_level=0.0, to_level=10.0)


Wiring = Literal["current", "voltage", "resistance"]


@final
@dataclass(frozen=True, slots=True)
class EndLevels:
    """What the terminals see of a broken and of a shorted wire, in the level's unit."""

    broken: float
    shorted: float


END_LEVELS: Final[dict[Wiring, EndLevels]] = {
    "current": EndLevels(broken=0.0, shorted=24.0),
    "voltage": EndLevels(broken=0.0, shorted=0.0),
    "resistance": EndLevels(broken=1e7, shorted=0.0),
}
"""Usual levels, in mA, V and ohm (common practice, no source).

A shorted two-wire transmitter leaves the current to the supply and the input's protection: 24 mA stands for
'well above 21 mA'. A broken voltage wire reads 0 V where the input pulls it down. A broken resistive wire
is infinite; 10 Mohm stands for it, since an output must be able to play it.
"""


class CurrentBand(StrEnum):
    """What a 4-20 mA receiver may conclude from a current (NAMUR NE 43)."""

    FAULT_LOW = "fault, low"
    GAP_LOW = "undefined, low"
    VALID = "valid"
    GAP_HIGH = "undefined, high"
    FAULT_HIGH = "fault, high"


FAULT_AT_MOST_MA: Final = 3.6
VALID_FROM_MA: Final = 3.8
VALID_TO_MA: Final = 20.5
FAULT_FROM_MA: Final = 21.0


def current_band(current_ma: float) -> CurrentBand:
    """Return the band of NAMUR NE 43 (2003) that a current lies in.

    Fault up to 3.6 mA and from 21.0 mA; valid from 3.8 to 20.5 mA. Between them a receiver is promised
    nothing, so a test must not expect a reading or an alarm there.

    Raises:
        ValueError: not a number.
    """
    if current_ma != current_ma:  # noqa: PLR0124 - the test for a value that is no number
        raise Refusal(f"{current_ma!r} mA is not a current", "give a number")
    if current_ma <= FAULT_AT_MOST_MA:
        return CurrentBand.FAULT_LOW
    if current_ma < VALID_FROM_MA:
        return CurrentBand.GAP_LOW
    if current_ma <= VALID_TO_MA:
        return CurrentBand.VALID
    return CurrentBand.GAP_HIGH if current_ma < FAULT_FROM_MA else CurrentBand.FAULT_HIGH


class ContactLevel(StrEnum):
    """What a digital input must make of a voltage."""

    OFF = "off"
    UNDEFINED = "undefined"
    ON = "on"
    FORBIDDEN = "outside the input's range"


@final
@dataclass(frozen=True, slots=True)
class InputType:
    """Voltage limits of a 24 V DC sinking input, all of them inclusive.

    Attributes:
        off_to_v: up to this it must read 0.
        on_from_v: from this it must read 1.
    """

    off_to_v: float
    on_from_v: float


INPUT_TYPES: Final = {1: InputType(5.0, 15.0), 2: InputType(5.0, 11.0), 3: InputType(5.0, 11.0)}
"""IEC 61131-2 types 1, 2 and 3 (the standard's table from memory; types 1 and 3 agree with published data sheets).

Types 2 and 3 have the same voltages and differ in current, which this bench does not play.
"""

LOWEST_INPUT_V: Final = -3.0
HIGHEST_INPUT_V: Final = 30.0


def contact_level(voltage_v: float, input_type: int) -> ContactLevel:
    """Return what a 24 V DC input of an IEC 61131-2 type must read at a voltage.

    Between the limits an input may read either: evidence taken there decides nothing.

    Raises:
        ValueError: an unknown type, or not a number.
    """
    limits = INPUT_TYPES.get(input_type)
    if limits is None:
        raise ValueError(f"input type {input_type!r} is not one of {', '.join(map(str, INPUT_TYPES))}")
    if voltage_v != voltage_v:  # noqa: PLR0124 - the test for a value that is no number
        raise Refusal(f"{voltage_v!r} V is not a voltage", "give a number")
    if not LOWEST_INPUT_V <= voltage_v <= HIGHEST_INPUT_V:
        return ContactLevel.FORBIDDEN
    if voltage_v <= limits.off_to_v:
        return ContactLevel.OFF
    return ContactLevel.ON if voltage_v >= limits.on_from_v else ContactLevel.UNDEFINED
