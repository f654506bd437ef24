"""The weather as the unit sees it: from its terminals to the conditions that its overrides wait for (pure)."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.inputs import Counter, Current, Line, Loop, PlatinumCurve, Sensor, unfailing
from ventproof_bench.mock.registers import STEPS_PER_UNIT, WeatherReading
from ventproof_bench.mock.rules.joined import Joins
from ventproof_bench.mock.rules.settling import Settling, Threshold
from ventproof_bench.mock.rules.sides import Sides
from ventproof_bench.mock.rules.terms import ContactTerm, RainTerm, WindTerm, terms_of
from ventproof_bench.mock.wind_and_tips import Anemometer, Bucket, Cups, Part, Silence, WindInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.rules.sensors import SensorSettings, Thermometer, TreatAs
    from ventproof_bench.mock.rules.terms import SilentTerm
    from ventproof_bench.mock.settings import (
        Frost,
        MockSettings,
        RuleSettings,
        WindSettings,
    )


RAIN_CONTACTS: Final = ("rain", "rain_2", "rain_3", "rain_4")
"""Inputs that are wired in parallel: the rain terminal sees closed while any of them is closed."""

RESET: Final = "reset"
"""Input whose closing resets latched overrides."""

_OHM_AT_0_C: Final = {"pt100": 100.0, "pt1000": 1000.0}
_FULL_TURN: Final = 360.0
_LIVE_ZERO: Final = 4 / 20
"""Of the range, what an input for 0-20 mA makes of 4 mA."""


@final
class UnitWeather:
    """The unit's inputs behind their terminals; made anew at every start.

    Args:
        settings: of the unit.
        behaviour: what is wrong with it.
        phase: of faults that hit every n-th of a row.
        now_s: when it starts.
        active: says whether an override is active.

    Attributes:
        rain: the debounced rain contact.
        counter: closures of the rain contact.
        sensors: the analogue inputs, `house` always among them.
        wind: the cups, or another wind sensor, of a unit that has one.
        bucket: of a unit that has one.
        loop: the supervised loop, of a unit that has one.
        buses: whether nobody asks over the bus, for each part that watches that.
        parts: what falls due, in the order in which it happens at one instant.
    """

    def __init__(
        self,
        settings: MockSettings,
        behaviour: Behaviour,
        phase: int,
        now_s: float,
        *,
        active: Callable[[str], bool],
    ) -> None:
        self._behaviour = behaviour
        self._now_s = now_s
        debounce_s = settings.rain.debounce * behaviour.debounce_factor
        self.rain = Settling(debounce_s, debounce_s if behaviour.opening_debounced else 0.0)
        self.counter = Counter(
            counted=settings.rain.counted,
            bits=behaviour.counter_bits,
            per_closure=behaviour.counts_per_closure,
            misses_every=behaviour.misses_every,
            phase=phase,
        )
        self.sensors = _sensors(settings, behaviour)
        self.wind = _wind(settings, behaviour, now_s)
        self.loop = _loop(settings.sensors.loop, behaviour, now_s)
        self.bucket = Bucket(settings.tip_rate, behaviour) if settings.tip_rate else None
        self._frost = _frost(settings.frost, behaviour) if settings.frost else None
        self._rain_closed = settings.rain.state == "closed" or behaviour.loops_taken_for_open
        self.rain.change(now_s, state=not self._rain_closed)
        self.buses: list[Silence] = []
        self._joins = self._joined(settings, active)
        limiting = {name: rule for name, rule in settings.rules.items() if rule.limits}
        self._limits = {name: (rule, self._measure(rule)) for name, rule in limiting.items()}
        self._names = tuple(settings.overrides)
        self._sides = _sides(settings.wind, behaviour)
        self._terminal = False
        self._failed_once = False
        self._state: tuple[tuple[bool | str, ...], dict[str, bool]] = ((), {})
        self._demands: dict[str, bool] = {}
        loss = settings.bus_loss
        own_bus = self._bus_silence(loss.silent_for, loss.treat_as) if loss else None
        others = (self.wind.silence if self.wind else None, own_bus, self.loop)
        self._watched: tuple[Sensor | Silence | Loop, ...] = (
            *self.sensors.values(),
            *(watched for watched in others if watched),
        )
        self.parts = self._parts()
        self._follow_wind(now_s)
        self._judge_frost()

    def _parts(self) -> tuple[Part, ...]:
        return (
            *((sensor.failure, sensor.failure.fire) for sensor in self.sensors.values()),
            *(self.wind.parts if self.wind else ()),
            *(self.bucket.parts if self.bucket else ()),
            *((bus, bus.fire) for bus in self.buses),
            *([(self.loop.failure, self.loop.failure.fire)] if self.loop else ()),
            (self.rain, self._rain_settled),
            *((settling, settling.fire) for settling in (*self._joins.settling, *self._sides.settling)),
        )

    def _joined(self, settings: MockSettings, active: Callable[[str], bool]) -> Joins:
        return Joins(
            {name: rule.when for name, rule in settings.rules.items()},
            self._behaviour,
            self._now_s,
            beyond=self._watch,
            silent=self._watch_bus,
            failed=self.failed,
            active=active,
        )

    @property
    def house_c(self) -> float:
        """House temperature, °C."""
        return self.sensors["house"].value

    @property
    def outside_c(self) -> float:
        """Outside temperature, °C; 0 without a sensor."""
        if "outside" not in self.sensors:
            return 0.0
        value = self.sensors["outside"].value + self._behaviour.outside_offset_c
        return abs(value) if self._behaviour.sign_lost else value

    def contact(self, name: str, now_s: float, *, closed: bool) -> None:
        """Take an edge at a terminal; `rain` for all rain contacts together."""
        self._joins.contact(name, now_s, closed=closed)
        if name == "cups" and isinstance(self.wind, Cups):
            self.wind.contact(now_s, closed=closed)
        elif name == "bucket" and self.bucket:
            self.bucket.contact(now_s, closed=closed)
        elif name == "loop" and self.loop:
            self.loop.take(now_s, closed=closed)
        elif name == "rain":
            if closed and not self._terminal and self._behaviour.counts_bounce:
                self.counter.closure()
            self._terminal = closed
            self.rain.change(now_s, state=closed == self._rain_closed)

    def asked(self, now_s: float) -> bool:
        """Take a request over the bus; return whether anything may follow from it now."""
        ended = any(bus.failed for bus in self.buses)
        for bus in self.buses:
            bus.pulse(now_s)
        return ended or bool(self.buses and self._limits)  # how far a vent may be open depends on the time

    def level(self, name: str, now_s: float, level: float) -> None:
        """Take the level of an analogue input."""
        self.sensors[name].take(level, now_s)
        if name == "wind":
            self._follow_wind(now_s)
        self._judge_frost()

    def demands(self) -> dict[str, bool]:
        """Return, for each override of the unit, whether the weather calls for it."""
        wind, bucket, frost, seen = self.wind, self.bucket, self._frost, self._behaviour
        failed = tuple(watched.treat_as for watched in self._watched if watched.failed)
        self._failed_once = self._failed_once or bool(failed)
        deaf = seen.deaf_after_failure and self._failed_once and not failed
        state = (
            (self.rain.value and seen.rain_seen and not deaf) or self._cut_is_rain,
            bucket is not None and bucket.wet.on and seen.tips_seen,
            wind is not None and wind.gale and seen.gale_seen,
            frost is not None and frost.on and seen.frost_seen,
            *(failed if seen.failures_heeded else ()),
        )
        called = {} if seen.rules_ignored else self._joins.called()
        if (state, called) != self._state:
            contact, tips, gale, cold, *calling = state
            calls = {"rain": contact or tips, "gale": gale, "frost": cold, **called}
            self._demands = {name: bool(calls.get(name)) or name in calling for name in self._names}
            self._state = state, called
        return self._demands

    @property
    def _cut_is_rain(self) -> bool:
        return self._behaviour.cut_taken_for_rain and self.loop is not None and self.loop.failed

    def leeward(self, now_s: float) -> frozenset[str]:
        """Return the vent groups that face away from the wind; none while nobody knows where it comes from."""
        vane = self.sensors.get("direction")
        if vane is None or (vane.failed and self._behaviour.lost_vane_heeded):
            return frozenset()
        return self._sides.leeward(vane.value, now_s)

    def limits(self, now_s: float) -> dict[str, dict[str, float]]:
        """Return, for each rule that limits vents, how far each may be open at most, %."""
        if not self._behaviour.limits_seen:
            return {}
        return {name: rule.at(value(now_s), self._behaviour) for name, (rule, value) in self._limits.items()}

    def failed(self, name: str) -> bool:
        """Return whether a sensor has failed; one that the unit lacks has not."""
        if name == "loop":
            return self.loop is not None and self.loop.failed and not self._behaviour.cut_taken_for_rain
        if name == "cups":
            return self.wind is not None and self.wind.silence is not None and self.wind.silence.failed
        return name in self.sensors and self.sensors[name].failed

    def shown_to_s(self, at_s: float) -> float:
        """Return until when registers of `reading`, and `limits`, stay as at an instant, unless something falls due."""
        if self.wind is not None and not self.wind.steady:
            return at_s
        if self.bucket is None:
            return inf
        return self.bucket.stays_to_s(at_s) if self._limits else self.bucket.shown_to_s(at_s, STEPS_PER_UNIT)

    def reading(self, at_s: float) -> WeatherReading:
        """Return what the registers show at an instant, not before the last event."""
        vane = self.sensors.get("direction")
        return WeatherReading(
            gust_m_per_s=self.wind.gust_m_per_s(at_s) if self.wind else 0.0,
            mean_m_per_s=self.wind.mean_m_per_s(at_s) if self.wind else 0.0,
            wind_from_deg=vane.value if vane else 0.0,
            outside_c=self.outside_c,
            tip_rate_mm_per_h=self.bucket.rate_mm_per_h(at_s) if self.bucket else 0.0,
            tips=self.bucket.counter.count if self.bucket else 0,
        )

    def _watch(self, term: WindTerm | RainTerm) -> Threshold:
        if isinstance(term, WindTerm):
            assert self.wind is not None, "the settings see to it"
            return self.wind.watch(term)
        assert self.bucket is not None, "the settings see to it"
        return self.bucket.watch(term.rain_from.value, term.hysteresis.value).wet

    def _watch_bus(self, term: SilentTerm) -> Callable[[], bool]:
        silence = self._bus_silence(term.bus_silent, "nothing")
        return lambda: silence.failed

    def _bus_silence(self, silent_s: float, treat_as: TreatAs) -> Silence:
        behaviour = self._behaviour
        watched = behaviour.failures_seen and behaviour.bus_loss_seen
        limit_s = silent_s * behaviour.bus_silence_factor if watched else inf
        self.buses.append(Silence(limit_s, treat_as, self._now_s))
        return self.buses[-1]

    def _measure(self, rule: RuleSettings) -> Callable[[float], float]:
        """Return what tells how much of its wind or rain a rule goes by."""
        for term in (term for terms in terms_of(rule.when) for term in terms):
            if isinstance(term, WindTerm) and self.wind is not None:
                return self.wind.measure(term.wind_over)
            if isinstance(term, RainTerm) and self.bucket is not None:
                return self.bucket.watch(term.rain_from.value, term.hysteresis.value).wet_mm_per_h
        raise AssertionError("the settings see to it")

    def _follow_wind(self, now_s: float) -> None:
        if isinstance(self.wind, Anemometer):
            self.wind.take(now_s, self.sensors["wind"].value)

    def _judge_frost(self) -> None:
        celsius = self.outside_c
        self._joins.outside(celsius)
        if self._frost:
            self._frost.judge(celsius * 1.8 + 32 if self._behaviour.frost_in_fahrenheit else celsius)

    def _rain_settled(self) -> None:
        self.rain.fire()
        if self.rain.value and not self._behaviour.counts_bounce:
            self.counter.closure()


def _frost(frost: Frost, behaviour: Behaviour) -> Threshold:
    at_c = frost.frost_at.value
    return Threshold(at_c, at_c + frost.hysteresis.value * behaviour.frost_hysteresis_factor, rising=False)


def _wind(settings: MockSettings, behaviour: Behaviour, now_s: float) -> WindInput | None:
    if settings.wind is None:
        return None
    if settings.sensors.wind is not None:
        return Anemometer(settings.wind, behaviour)
    return Cups(settings.wind, settings.sensors.cups, behaviour, now_s)


def _loop(settings: SensorSettings | None, behaviour: Behaviour, now_s: float) -> Loop | None:
    if settings is None:
        return None
    watched = behaviour.failures_seen or behaviour.cut_taken_for_rain
    fails_s = settings.fails_after * behaviour.sensor_fails_factor if watched else inf
    recovers_s = settings.recovers_after * behaviour.sensor_recovers_factor
    return Loop(Settling(fails_s, recovers_s), settings.treat_as, now_s)


def _sides(wind: WindSettings | None, behaviour: Behaviour) -> Sides:
    if wind is None:
        return Sides({}, 0.0, 0.0, behaviour)
    return Sides(wind.faces, wind.dead_band.value, wind.settles_after, behaviour)


def _sensors(settings: MockSettings, behaviour: Behaviour) -> dict[str, Sensor]:
    declared = settings.sensors
    house_c = settings.house.temperature.value
    found = {"house": unfailing(house_c)}
    if declared.house:
        found["house"] = _sensor(declared.house, _thermometer(declared.house), house_c, behaviour)
    if outside := declared.outside:
        found["outside"] = _sensor(outside, _thermometer(outside), outside.temperature.value, behaviour)
    if vane := declared.direction:
        found["direction"] = _sensor(vane, Current(0.0, _FULL_TURN), vane.wind_from, behaviour)
    if wind := declared.wind:
        low, high = (end.value for end in wind.range)
        at_4_ma = low if behaviour.live_zero_known else low + (high - low) * _LIVE_ZERO
        found["wind"] = _sensor(wind, Current(at_4_ma, high), wind.speed.value, behaviour)
    return found


def _sensor(settings: SensorSettings, line: Line, value: float, behaviour: Behaviour) -> Sensor:
    fails_s = settings.fails_after * behaviour.sensor_fails_factor
    recovers_s = settings.recovers_after * behaviour.sensor_recovers_factor
    return Sensor(line, Settling(fails_s, recovers_s), settings.treat_as, value=value, behaviour=behaviour)


def _thermometer(settings: Thermometer) -> Line:
    low, high = (end.value for end in settings.range)
    if settings.type == "current":
        return Current(low, high)
    return PlatinumCurve(_OHM_AT_0_C[settings.type], low, high)


def inputs_of(settings: MockSettings) -> tuple[Iterable[str], Iterable[str]]:
    """Return the names of the contacts and of the analogue inputs that a unit has."""
    contacts = [*RAIN_CONTACTS]
    contacts += ["cups"] if settings.has_cups else []
    contacts += ["bucket"] if settings.tip_rate else []
    contacts += ["loop"] if settings.sensors.loop else []
    contacts += [RESET] if settings.latched else []
    terms = (term for rule in settings.rules.values() for group in terms_of(rule.when) for term in group)
    contacts += [term.contact for term in terms if isinstance(term, ContactTerm)]
    sensors = settings.sensors
    levels = [
        name for name in ("outside", "house", "direction", "wind") if getattr(sensors, name) is not None
    ]
    return (*dict.fromkeys(contacts), "supply"), levels
