"""Temperature as resistance: platinum thermometers by IEC 60751."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final, final

from bench.errors import Refusal

COLDEST_C: Final = -200.0
HOTTEST_C: Final = 850.0

_A: Final = 3.9083e-3
_B: Final = -5.775e-7
_C: Final = -4.183e-12

_END_ROUNDING: Final = 1e-5  # of R0: printed tables round their first and last resistance, too
_STEPS: Final = 60  # Newton's method halves its error at the very least; it stops long before


@final
@dataclass(frozen=True, slots=True)
class Platinum:
    """A platinum resistance thermometer: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C only below 0 °C.

    Source: IEC 60751:2008 and 2022, from -200 °C to 850 °C.

    Attributes:
        ohm_at_0_c: R0, 100 ohm for a Pt100 and 1000 ohm for a Pt1000.
    """

    ohm_at_0_c: float

    def __post_init__(self) -> None:
        if not 0 < self.ohm_at_0_c < float("inf"):
            raise ValueError(f"ohm_at_0_c={self.ohm_at_0_c!r} must be a finite resistance above 0 ohm")

    def resistance_ohm(self, temperature_c: float) -> float:
        """Return the resistance at a temperature, ohm.

        Raises:
            ValueError: outside -200 °C to 850 °C.
        """
        _check_temperature(temperature_c)
        return self.ohm_at_0_c * _ratio(temperature_c)

    def temperature_c(self, resistance_ohm: float) -> float:
        """Return the temperature at a resistance, °C; the inverse to within 1e-9 °C.

        A resistance that only rounding puts beyond an end of the range is that end.

        Raises:
            ValueError: the resistance belongs to no temperature from -200 °C to 850 °C.
        """
        ratio = resistance_ohm / self.ohm_at_0_c
        low, high = _ratio(COLDEST_C), _ratio(HOTTEST_C)
        if not low - _END_ROUNDING <= ratio <= high + _END_ROUNDING:
            raise Refusal(
                f"{resistance_ohm!r} ohm belongs to no temperature from -200 °C to 850 °C",
                f"give {self.ohm_at_0_c * low:.6g} to {self.ohm_at_0_c * high:.6g} ohm",
            )
        # Below 0 °C the quadratic is a close first guess.
        temperature = 2 * (ratio - 1) / (_A + sqrt(_A * _A + 4 * _B * (ratio - 1)))
        if ratio < 1:
            for _ in range(_STEPS):
                change = (_ratio(temperature) - ratio) / _slope(temperature)
                temperature -= change
                if abs(change) < 1e-12:  # noqa: PLR2004 - far below what a double keeps of -200
                    break
        return min(max(temperature, COLDEST_C), HOTTEST_C)


PT100: Final = Platinum(100.0)
PT1000: Final = Platinum(1000.0)


def _ratio(temperature_c: float) -> float:
    t = temperature_c
    return 1 + t * (_A + t * _B) + (_C * (t - 100) * t**3 if t < 0 else 0.0)


def _slope(temperature_c: float) -> float:
    t = temperature_c
    return _A + 2 * _B * t + (_C * (4 * t - 300) * t**2 if t < 0 else 0.0)


def _check_temperature(temperature_c: float) -> None:
    if not COLDEST_C <= temperature_c <= HOTTEST_C:
        raise Refusal(f"{temperature_c!r} °C is outside what IEC 60751 covers", "give -200 °C to 850 °C")
