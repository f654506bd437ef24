"""Analogue inputs: from a level at the terminals to a value, or to the finding that the sensor failed (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, sqrt
from typing import TYPE_CHECKING, Final, Protocol, final

from bench.mock.behaviour import HEALTHY, Behaviour
from bench.mock.conditioning import Settling

if TYPE_CHECKING:
    from bench.mock.weather_settings import TreatAs

# NAMUR NE 43 (2003): a transmitter says "fault" up to 3.6 mA and from 21.0 mA.
_FAULT_UP_TO_MA: Final = 3.6
_FAULT_FROM_MA: Final = 21.0
_ZERO_MA: Final = 4.0
_SPAN_MA: Final = 16.0

# IEC 60751:2008: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C only below 0 °C, from -200 °C to 850 °C.
_A: Final = 3.9083e-3
_B: Final = -5.775e-7
_C: Final = -4.183e-12
_COLDEST_C: Final = -200.0
_HOTTEST_C: Final = 850.0
_NEWTON_STEPS: Final = 6  # four reach the last digit from the quadratic's guess, down to -200 °C


class Line(Protocol):
    """How a value is carried by a level."""

    def value(self, level: float) -> float:
        """Return the value that a level carries, plausible or not."""

    def level(self, value: float) -> float:
        """Return the level that carries a value."""

    def plausible(self, level: float) -> bool:
        """Return whether a healthy sensor can give the level."""


@final
class Direct:
    """No sensor between: the level is the value."""

    def value(self, level: float) -> float:
        """Return the level."""
        return level

    def level(self, value: float) -> float:
        """Return the value."""
        return value

    def plausible(self, level: float) -> bool:
        """Return True: there is nothing to fail."""
        return isfinite(level)


@final
@dataclass(frozen=True, slots=True)
class Current:
    """4-20 mA over a range; outside the range the line goes on, to the fault levels of NAMUR NE 43."""

    at_4_ma: float
    at_20_ma: float

    def value(self, level: float) -> float:
        """Return the value at a current, mA."""
        return self.at_4_ma + (self.at_20_ma - self.at_4_ma) * (level - _ZERO_MA) / _SPAN_MA

    def level(self, value: float) -> float:
        """Return the current, mA."""
        return _ZERO_MA + _SPAN_MA * (value - self.at_4_ma) / (self.at_20_ma - self.at_4_ma)

    def plausible(self, level: float) -> bool:
        """Return whether the current is no fault level."""
        return _FAULT_UP_TO_MA < level < _FAULT_FROM_MA


@final
@dataclass(frozen=True, slots=True)
class Platinum:
    """A platinum resistance by IEC 60751; plausible within a range of temperatures, °C."""

    ohm_at_0_c: float
    coldest_c: float
    hottest_c: float

    def value(self, level: float) -> float:
        """Return the temperature at a resistance in ohm, °C; at the ends of the standard for what lies beyond."""
        ratio = min(max(level / self.ohm_at_0_c, _ratio(_COLDEST_C)), _ratio(_HOTTEST_C))
        temperature_c = (sqrt(_A * _A + 4 * _B * (ratio - 1)) - _A) / (2 * _B)
        if ratio < 1:
            for _ in range(_NEWTON_STEPS):
                temperature_c -= (_ratio(temperature_c) - ratio) / _slope(temperature_c)
        return temperature_c

    def level(self, value: float) -> float:
        """Return the resistance, ohm."""
        return self.ohm_at_0_c * _ratio(min(max(value, _COLDEST_C), _HOTTEST_C))

    def plausible(self, level: float) -> bool:
        """Return whether the resistance belongs to a temperature of the range."""
        return self.level(self.coldest_c) <= level <= self.level(self.hottest_c)


def _ratio(t: float) -> float:
    return 1 + t * (_A + t * _B) + (_C * (t - 100) * t**3 if t < 0 else 0.0)


def _slope(t: float) -> float:
    return _A + 2 * _B * t + (_C * (4 * t - 300) * t * t if t < 0 else 0.0)


@final
class Sensor:
    """One analogue input: its last good value, and whether the sensor has failed.

    Attributes:
        value: the value of the last plausible level.
        failure: follows whether the level is implausible; its `value` says that the sensor has failed.
        treat_as: the weather that a failed sensor counts as.
    """

    __slots__ = ("_behaviour", "_line", "failure", "treat_as", "value")

    def __init__(
        self,
        line: Line,
        failure: Settling,
        treat_as: TreatAs,
        *,
        value: float,
        behaviour: Behaviour = HEALTHY,
    ) -> None:
        self.value = value
        self.failure = failure
        self.treat_as = treat_as
        self._line = line
        self._behaviour = behaviour

    @property
    def failed(self) -> bool:
        """Whether the sensor has failed."""
        return self.failure.value

    def take(self, level: float, now_s: float) -> None:
        """Take the level that is at the terminals from `now_s` on."""
        plausible = self._plausible(level)
        self.failure.change(now_s, state=not plausible)
        if plausible or not (self._behaviour.holds_last_good or self.failed):
            self.value = self._line.value(level)

    def _plausible(self, level: float) -> bool:
        behaviour = self._behaviour
        if not behaviour.failures_seen or self._line.plausible(level):
            return True
        low = level < self._line.level(self.value)
        return not (behaviour.low_end_checked if low else behaviour.high_end_checked)

    def level(self, value: float) -> float:
        """Return the level that carries a value."""
        return self._line.level(value)


def unfailing(value: float) -> Sensor:
    """Return an input without a sensor that could fail."""
    return Sensor(Direct(), Settling(0.0, 0.0), "nothing", value=value)


@final
class Threshold:
    """Whether a value is beyond a limit, with hysteresis; both limits inclusive.

    Args:
        on_at: from here the state is on.
        off_at: from here back it is off; below `on_at` for a rising value, above it for a falling one.
        rising: on at high values; else on at low ones.
    """

    __slots__ = ("_off_at", "_on_at", "_sign", "on")

    _DECIMALS: Final = 9  # 8 / 10 Hz · 3 m and 2.4 m/s must compare equal

    def __init__(self, on_at: float, off_at: float, *, rising: bool) -> None:
        self.on = False
        self._sign = 1 if rising else -1
        self._on_at = round(self._sign * on_at, self._DECIMALS)
        self._off_at = round(self._sign * off_at, self._DECIMALS)

    def judge(self, value: float) -> None:
        """Take a value; with no hysteresis the state is on at the limit itself."""
        value = round(self._sign * value, self._DECIMALS)
        if value >= self._on_at:
            self.on = True
        elif value <= self._off_at:
            self.on = False
