"""Levels read, closures counted, lapses (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, sqrt
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof_bench.mock.faults.behaviour import HEALTHY, Behaviour
from ventproof_bench.mock.rules.settling import Settling

if TYPE_CHECKING:
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.rules.sensors import TreatAs


@final
class Counter:
    """Counts closures, wrapping to 0.

    Args:
        counted: what it shows before the first closure.
        bits: it wraps after so many; 32 in a healthy unit.
        per_closure: how far one closure moves it; 1 in a healthy unit.
        misses_every: every n-th closure is lost; 0 for none.
        phase: which closure is the first to be lost, when some are.
    """

    __slots__ = ("_closures", "_misses_every", "_per_closure", "_turn", "count")

    def __init__(
        self, *, counted: int = 0, bits: int = 32, per_closure: int = 1, misses_every: int = 0, phase: int = 0
    ) -> None:
        self._turn = 2**bits
        self.count = counted % self._turn
        self._per_closure = per_closure
        self._misses_every = misses_every
        self._closures = phase

    def closure(self) -> None:
        """Take one closure."""
        self._closures += 1
        if not (self._misses_every and self._closures % self._misses_every == 0):
            self.count = (self.count + self._per_closure) % self._turn


# NAMUR NE 43 (2003; revised in 2021): a transmitter says "fault" up to 3.6 mA and from 21.0 mA.
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
class PlatinumCurve:
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
class Loop:
    """A supervised loop: closed while its sensor works. A contact is open until it is told to be closed.

    Attributes:
        failure: follows whether the loop is open; its `value` says that the sensor has failed.
        treat_as: the weather that a failed sensor counts as.
    """

    __slots__ = ("failure", "treat_as")

    def __init__(self, failure: Settling, treat_as: TreatAs, now_s: float) -> None:
        self.failure = failure
        self.treat_as = treat_as
        self.take(now_s, closed=False)

    @property
    def failed(self) -> bool:
        """Whether the sensor has failed."""
        return self.failure.value

    def take(self, now_s: float, *, closed: bool) -> None:
        """Take the state of the loop."""
        self.failure.change(now_s, state=not closed)


@final
class Lapses:
    """Made anew at every start; a healthy unit has none.

    Args:
        behaviour: what is wrong with the unit.
        started_s: when it came up.
        phase: which shower is the first to be missed, when some are.

    Attributes:
        missed: the shower that falls now is slept through.
    """

    def __init__(self, behaviour: Behaviour, started_s: float, phase: int) -> None:
        self.missed = False
        self._behaviour = behaviour
        self._started_s = started_s
        self._showers = phase
        self._raining = False

    def rain(self, now_s: float, *, raining: bool, gale: bool) -> None:
        """Take whether it rains, and whether the gale override is active."""
        behaviour = self._behaviour
        if raining and not self._raining:
            self._showers += 1
            every = behaviour.misses_shower_every
            self.missed = (
                (every > 0 and self._showers % every == 0)
                or (gale and behaviour.rain_in_gale_lost)
                or now_s - self._started_s > behaviour.deaf_after_s
            )
        self._raining = raining

    def begin(self, delay: Settling, now_s: float, *, state: bool) -> None:
        """Let a delay take what it waits for; its end is where the unit's clock puts it."""
        before_s = delay.due_s
        delay.change(now_s, state=state)
        if self._behaviour.wrap is not None and delay.pending and delay.due_s != before_s:
            delay.due_s = self._put(delay.due_s, now_s)

    def _put(self, due_s: float, now_s: float) -> float:
        """Return when a clock that wraps takes a delay for over."""
        wrap = self._behaviour.wrap
        assert wrap is not None, "asked for only then"
        turn, at_s = divmod(due_s - self._started_s, wrap.period_s)
        if wrap.delay == "negative":
            return due_s if at_s < wrap.period_s / 2 else self._started_s + (turn + 1) * wrap.period_s
        if turn == (now_s - self._started_s) // wrap.period_s:
            return due_s
        return now_s if wrap.delay == "ends" else due_s + wrap.period_s
