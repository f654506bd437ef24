"""Pt and NTC."""

from __future__ import annotations

from dataclasses import dataclass
from math import cbrt, copysign, exp, isfinite, log
from typing import Final, final

from ventproof_bench.base.errors import Refusal

COLDEST_C: Final = -200.0
HOTTEST_C: Final = 850.0

_A: Final = 3.9083e-3
_B: Final = -5.775e-7
_C: Final = -4.183e-12


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


PT100: Final = Platinum(100.0)
PT1000: Final = Platinum(1000.0)


def _ratio(temperature_c: float) -> float:
    t = temperature_c
    return 1 + t * (_A + t * _B) + (_C * (t - 100) * t**3 if t < 0 else 0.0)


def _check_temperature(temperature_c: float) -> None:
    if not COLDEST_C <= temperature_c <= HOTTEST_C:
        raise Refusal(f"{temperature_c!r} °C is outside what IEC 60751 covers", "give -200 °C to 850 °C")


ZERO_C_IN_K: Final = 273.15

_SMALLEST_CHANGE: Final = 1e-15  # relative
_STEPS: Final = 60  # Newton's method halves its error at the very least; it stops long before


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class BetaLaw:
    """The two-parameter law R = R1 exp(beta (1/T - 1/T1)), T in kelvin.

    A data sheet's beta fits two temperatures; away from them the law errs by tenths of a degree.

    Attributes:
        ohm: resistance R1 at `at_c`, more than 0.
        beta_k: kelvin, more than 0.
        at_c: reference temperature, °C.
    """

    ohm: float
    beta_k: float
    at_c: float = 25.0

    def __post_init__(self) -> None:
        _check_resistance(self.ohm)
        if not 0 < self.beta_k < float("inf"):
            raise ValueError(f"beta_k={self.beta_k!r} must be a finite number of kelvin above 0")
        _kelvin(self.at_c)

    def resistance_ohm(self, temperature_c: float) -> float:
        """Return the resistance at a temperature, ohm.

        Raises:
            ValueError: at or below absolute zero, or so cold that the resistance has no number.
        """
        power = self.beta_k * (1 / _kelvin(temperature_c) - 1 / _kelvin(self.at_c)) + log(self.ohm)
        return _exponential(power, temperature_c)


@final
@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """The three-parameter law 1/T = a + b ln R + c (ln R)^3, T in kelvin and R in ohm.

    Source: Steinhart and Hart, Calibration curves for thermistors, Deep-Sea Research 15 (1968).

    Attributes:
        a: 1/K.
        b: 1/K, more than 0, so that resistance falls as temperature rises.
        c: 1/K, 0 or more, for the same reason; 0 makes it the beta law.
    """

    a: float
    b: float
    c: float

    def __post_init__(self) -> None:
        if not isfinite(self.a):
            raise ValueError(f"a={self.a!r} must be a finite number")
        if not 0 < self.b < float("inf"):
            raise Refusal(f"b={self.b!r} must be a finite number above 0", "check the coefficients' order")
        if not 0 <= self.c < float("inf"):
            raise Refusal(f"c={self.c!r} must be a finite number from 0 up", "check the coefficients' order")

    def resistance_ohm(self, temperature_c: float) -> float:
        """Return the resistance at a temperature, ohm: the one real root of the cubic in ln R.

        Raises:
            ValueError: at or below absolute zero, or so cold that the resistance has no number.
        """
        excess = 1 / _kelvin(temperature_c) - self.a
        if self.c == 0:
            return _exponential(excess / self.b, temperature_c)
        # Each term alone would need more: the root lies nearer to 0, and from out there Newton's method never
        # oversteps it, since the curve only gets steeper outward.
        ln = copysign(min(abs(excess) / self.b, cbrt(abs(excess) / self.c)), excess)
        for _ in range(_STEPS):
            change = (self.b * ln + self.c * ln**3 - excess) / (self.b + 3 * self.c * ln * ln)
            ln -= change
            if abs(change) <= _SMALLEST_CHANGE * abs(ln):
                break
        return _exponential(ln, temperature_c)


def _kelvin(temperature_c: float) -> float:
    if not -ZERO_C_IN_K < temperature_c < float("inf"):
        raise Refusal(f"{temperature_c!r} °C is not a temperature", f"give more than {-ZERO_C_IN_K} °C")
    return temperature_c + ZERO_C_IN_K


def _check_resistance(ohm: float) -> None:
    if not 0 < ohm < float("inf"):
        raise Refusal(
            f"{ohm!r} ohm must be a finite resistance above 0 ohm", "open and short have no temperature"
        )


def _exponential(power: float, temperature_c: float) -> float:
    most = 600.0  # e^600 ohm is far beyond any circuit and still a double
    if not -most <= power <= most:
        raise ValueError(f"at {temperature_c!r} °C this law gives no resistance that can be written down")
    return exp(power)
