"""The weather as the unit sees it: from its terminals to the conditions that its overrides wait for (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.inputs import Counter, Current, Line, PlatinumCurve, Sensor, unfailing
from ventproof_bench.mock.pulse_inputs import Bucket, Cups, Part, Silence
from ventproof_bench.mock.registers import WeatherReading
from ventproof_bench.mock.rules.joined import Joins
from ventproof_bench.mock.rules.settling import Settling, Threshold
from ventproof_bench.mock.rules.terms import ContactTerm, terms_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.rules.terms import WindTerm
    from ventproof_bench.mock.settings import Frost, MockSettings, SensorSettings, Thermometer


RAIN_CONTACTS: Final = ("rain", "rain_2", "rain_3", "rain_4")
"""Inputs that are wired in parallel: the rain terminal sees closed while any of them is closed."""

RESET: Final = "reset"
"""Input whose closing resets latched overrides."""

_OHM_AT_0_C: Final = {"pt100": 100.0, "pt1000": 1000.0}
_HALF_TURN: Final = 180.0
_FULL_TURN: Final = 360.0
_ABEAM: Final = 90.0  # degrees between a vent's direction and the wind's


@final
class UnitWeather:
    """The unit's inputs behind their terminals; made anew at every start.

    Attributes:
        rain: the debounced rain contact.
        counter: closures of the rain contact.
        sensors: the analogue inputs, `house` always among them.
        cups: of a unit that has them.
        bucket: of a unit that has one.
        bus: whether nobody asks over the bus, where that is watched.
        parts: what falls due, in the order in which it happens at one instant.
    """

    def __init__(self, settings: MockSettings, behaviour: Behaviour, phase: int, now_s: float) -> None:
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
        watch = settings.sensors.cups
        self.cups = Cups(settings.wind, watch, behaviour, now_s) if settings.wind else None
        self.bucket = Bucket(settings.tip_rate, behaviour) if settings.tip_rate else None
        self._frost = _frost(settings.frost, behaviour) if settings.frost else None
        self._rain_closed = settings.rain.state == "closed" or behaviour.loops_taken_for_open
        self.rain.change(now_s, state=not self._rain_closed)
        self._joins = Joins(
            {name: rule.when for name, rule in settings.rules.items()},
            behaviour,
            now_s,
            blows=self._watch,
            failed=self.failed,
        )
        self._names = tuple(settings.overrides)
        self._faces = dict(settings.wind.faces) if settings.wind else {}
        self._behaviour = behaviour
        self._terminal = False
        self._failed_once = False
        self._state: tuple[tuple[bool | str, ...], dict[str, bool]] = ((), {})
        self._demands: dict[str, bool] = {}
        loss = settings.bus_loss
        watched = behaviour.failures_seen and behaviour.bus_loss_seen
        silent_s = loss.silent_for * behaviour.bus_silence_factor if loss else 0.0
        self.bus = Silence(silent_s, loss.treat_as, now_s) if loss and watched else None
        silences = (self.cups.silence if self.cups else None, self.bus)
        self._watched: tuple[Sensor | Silence, ...] = (
            *self.sensors.values(),
            *(silence for silence in silences if silence),
        )
        self.parts: tuple[Part, ...] = (
            *((sensor.failure, sensor.failure.fire) for sensor in self.sensors.values()),
            *(self.cups.parts if self.cups else ()),
            *(self.bucket.parts if self.bucket else ()),
            *([(self.bus, self.bus.fire)] if self.bus else ()),
            (self.rain, self._rain_settled),
            *((settling, settling.fire) for settling in self._joins.settling),
        )
        self._judge_frost()

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
        if name == "cups" and self.cups:
            self.cups.contact(now_s, closed=closed)
        elif name == "bucket" and self.bucket:
            self.bucket.contact(now_s, closed=closed)
        elif name == "rain":
            if closed and not self._terminal and self._behaviour.counts_bounce:
                self.counter.closure()
            self._terminal = closed
            self.rain.change(now_s, state=closed == self._rain_closed)

    def level(self, name: str, now_s: float, level: float) -> None:
        """Take the level of an analogue input."""
        self.sensors[name].take(level, now_s)
        self._judge_frost()

    def demands(self) -> dict[str, bool]:
        """Return, for each override of the unit, whether the weather calls for it."""
        cups, bucket, frost, seen = self.cups, self.bucket, self._frost, self._behaviour
        failed = tuple(watched.treat_as for watched in self._watched if watched.failed)
        self._failed_once = self._failed_once or bool(failed)
        deaf = seen.deaf_after_failure and self._failed_once and not failed
        state = (
            self.rain.value and seen.rain_seen and not deaf,
            bucket is not None and bucket.wet.on and seen.tips_seen,
            cups is not None and cups.gale and seen.gale_seen,
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

    def leeward(self) -> frozenset[str]:
        """Return the vent groups that face away from the wind; none while nobody knows where it comes from."""
        vane = self.sensors.get("direction")
        if vane is None or (vane.failed and self._behaviour.lost_vane_heeded):
            return frozenset()
        lee = frozenset(name for name, faces in self._faces.items() if _angle(vane.value, faces) > _ABEAM)
        return frozenset(self._faces) - lee if self._behaviour.sides_exchanged else lee

    def failed(self, name: str) -> bool:
        """Return whether a sensor has failed; one that the unit lacks has not."""
        if name == "cups":
            return self.cups is not None and self.cups.silence is not None and self.cups.silence.failed
        return name in self.sensors and self.sensors[name].failed

    def reading(self, at_s: float) -> WeatherReading:
        """Return what the registers show at an instant, not before the last event."""
        vane = self.sensors.get("direction")
        return WeatherReading(
            gust_m_per_s=self.cups.gust_m_per_s(at_s) if self.cups else 0.0,
            mean_m_per_s=self.cups.mean_m_per_s(at_s) if self.cups else 0.0,
            wind_from_deg=vane.value if vane else 0.0,
            outside_c=self.outside_c,
            tip_rate_mm_per_h=self.bucket.rate_mm_per_h(at_s) if self.bucket else 0.0,
            tips=self.bucket.counter.count if self.bucket else 0,
        )

    def _watch(self, term: WindTerm) -> Threshold:
        assert self.cups is not None, "the settings see to it"
        return self.cups.watch(term)

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


def _angle(wind_from_deg: float, faces_deg: float) -> float:
    return abs((wind_from_deg - faces_deg + _HALF_TURN) % _FULL_TURN - _HALF_TURN)


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
    contacts += ["cups"] if settings.wind else []
    contacts += ["bucket"] if settings.tip_rate else []
    contacts += [RESET] if settings.latched else []
    terms = (term for rule in settings.rules.values() for group in terms_of(rule.when) for term in group)
    contacts += [term.contact for term in terms if isinstance(term, ContactTerm)]
    sensors = settings.sensors
    levels = [name for name in ("outside", "house", "direction") if getattr(sensors, name) is not None]
    return (*dict.fromkeys(contacts), "supply"), levels
