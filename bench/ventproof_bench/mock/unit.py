"""The unit; what was touched (pure)."""

from __future__ import annotations

import heapq
import math
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import Foreseen
from ventproof_bench.mock.drive import Actuator, actuator
from ventproof_bench.mock.faults.catalogue import behaviour_with
from ventproof_bench.mock.inputs import Lapses
from ventproof_bench.mock.outside_vent import OutsideVent
from ventproof_bench.mock.overrides import Overrides, next_stage
from ventproof_bench.mock.registers import (
    DEVICE_BUSY,
    ILLEGAL_ADDRESS,
    Display,
    RefusedError,
    SilentError,
    Snapshot,
    span,
)
from ventproof_bench.mock.rules.settling import Settling
from ventproof_bench.mock.runs import CLOSED_PERCENT
from ventproof_bench.mock.weather_inputs import RAIN_CONTACTS, RESET, UnitWeather, inputs_of
from ventproof_bench.mock.wind_and_tips import Alarm
from ventproof_bench.plant.vent import Vent

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.inputs import Sensor
    from ventproof_bench.mock.settings import MockSettings, RuleSettings
    from ventproof_bench.mock.wind_and_tips import Part


_OTHER_C: Final = 0.5
_LONG_S: Final = 3600.0
_SILENT_S: Final = 60.0
_FORESEEN_S: Final = 5.0  # at most: whoever watches that the unit is asked need not know what was foreseen
_WORTH_S: Final = 0.2
_AT_ONCE_S: Final = 1e-3
"""A read so shortly before something falls due may already see the refresh of that instant."""


@final
class Touched:
    """Notes what is moved from power-up on.

    Args:
        start_s: power-up, loop time.
        sensors: the analogue inputs as they are then.
    """

    __slots__ = ("_asked_s", "_first", "_start_s", "names")

    def __init__(self, start_s: float, sensors: Mapping[str, Sensor]) -> None:
        self.names: set[str] = set()
        self._start_s = self._asked_s = start_s
        self._first = {name: sensor.value for name, sensor in sensors.items()}

    def contact(self, name: str, *, changed: bool) -> None:
        """Take what is at a contact input."""
        if changed:
            self.names.add(name)

    def level(self, name: str, sensor: Sensor | None) -> None:
        """Take that a level was put on an input, and its sensor; None while the unit has no supply."""
        if sensor is None or sensor.failure.input:
            self.names.add("implausible")
        if sensor is None or abs(sensor.value - self._first[name]) > _OTHER_C:
            self.names.add(name)

    def asked(self, now_s: float) -> None:
        """Take a request over the bus."""
        if now_s - self._start_s > _LONG_S or now_s - self._asked_s > _SILENT_S:
            self.names.add("time")
        self._asked_s = now_s


_PHASES: Final = 60  # every count from 1 to 6 divides it, so that no phase is preferred
_DELAYS: Final = (1, 2)  # holding registers of the rain override's delays
THERMOMETERS: Final = {0: "house", 3: "outside"}
"""Holding registers that play a temperature to an input."""


@final
class MockUnit:
    """The unit. Times are loop times in seconds; time only goes forward, and a past instant counts as now.

    Implements `ventproof_bench.base.protocols.MockInputs` (its terminals) and
    `ventproof_bench.mock.registers.ForeseeingBank` (its registers).

    Attributes:
        start_s: when it was powered up.
        now_s: how far its time has come.
        contacts: its contact inputs. The rain inputs are in parallel, `supply` is closed unless said otherwise.
        touched: what was moved so far.
        levels: its analogue inputs; each carries the value that the settings give until a level is put on it.
        vents: the names of its vents, in the order of the settings.
        outside: its vents that stand outside it, by name, in the order of the settings.

    At one instant, delays that are over come first, then changes at the terminals in the order they were given,
    then the refresh of the registers.
    """

    def __init__(self, settings: MockSettings, behaviour: Behaviour, start_s: float, phase: int) -> None:
        self.start_s = start_s
        self.now_s = start_s
        contacts, levels = inputs_of(settings)
        self.contacts, self.levels = tuple(contacts), tuple(levels)
        self._settings = settings
        self._more_weather = settings.more_weather
        self._behaviour = behaviour
        self._phase = phase
        self._vents: dict[str, Actuator | OutsideVent] = {
            name: (OutsideVent if group.drive else actuator)(
                group, behaviour, start_s, phase=phase, first=number == 0
            )
            for number, (name, group) in enumerate(settings.vents.items())
        }
        self.vents = tuple(self._vents)
        self.outside = {name: vent for name, vent in self._vents.items() if isinstance(vent, OutsideVent)}
        self._stages = {n: (CLOSED_PERCENT, *(q.value for q in g.stages)) for n, g in settings.vents.items()}
        self._stage_at_c = tuple(q.value for q in settings.house.stage_at)
        self._hysteresis_c = settings.house.hysteresis.value * behaviour.hysteresis_factor
        self._turns = settings.wind is not None and bool(settings.wind.leeward)
        self._display = Display(start_s, settings.refresh_every, behaviour, self._snapshot)
        self._changes: list[tuple[float, int, str, float]] = []
        self._changes_given = 0
        self._closed: set[str] = set()
        self._put: dict[str, float] = {}
        self._by_hand: dict[str, float] = {}
        self._standing: tuple[tuple[bool, ...], tuple[bool, ...]] | None = None
        self._power = Settling(
            settings.supply.boots_for + behaviour.boot_extra_s, settings.supply.rides_through
        )
        self._power.input = self._power.value = True
        self._start_broken_off = False
        self._entry_s, self._release_s = settings.rain.entry_delay, settings.rain.release_delay
        self._reads = phase
        self._foreseen: Foreseen | None = None
        self._start(sees_from_s=math.inf, referenced_s=math.inf)
        self.touched = Touched(start_s, self._weather.sensors)

    # terminals

    def set_contact(self, name: str, now_s: float, *, closed: bool) -> None:
        """Open or close the contact wired to `name` at `now_s`, which may be ahead of the unit's time.

        Raises:
            DriverError: the unit has no such input.
        """
        self._give("input", self.contacts, name, now_s, closed)

    def set_level(self, name: str, now_s: float, value: float) -> None:
        """Put a level, in mA or ohm as the sensor's type says, on the input `name`, as `set_contact` does.

        Raises:
            DriverError: the unit has no such analogue input, or the level is no number.
        """
        if not math.isfinite(value):
            raise DriverError(
                f"input {name!r} of the mock unit cannot take {value!r}; give a level in mA or ohm"
            )
        self._give("analogue input", self.levels, name, now_s, value)

    def set_by_hand(self, vent: str, now_s: float, percent: float | None) -> None:
        """Turn a vent's hand switch: to a position in % open, which then beats every rule, or back to automatic.

        Raises:
            DriverError: the unit has no such vent, or there is no such position.
        """
        if vent not in self._vents:
            raise DriverError(f"the mock unit has no vent {vent!r}; it has {', '.join(self._vents)}")
        if percent is not None and not 0 <= percent <= 100:  # noqa: PLR2004 - per cent
            raise DriverError(f"{percent:g} % is not a position; 0 % to 100 % are")
        self.advance(now_s)
        self._foreseen = None
        if percent is None:
            self._by_hand.pop(vent, None)
        else:
            self._by_hand[vent] = percent
        if self._power.value:
            self._command()

    def _give(self, kind: str, known: Iterable[str], name: str, now_s: float, value: float) -> None:
        if name not in known:
            has = ", ".join(known) or "none"
            raise DriverError(f"the mock unit has no {kind} {name!r}; it has {has}")
        self._changes_given += 1
        self._take_foreseen()
        self._foreseen = None
        heapq.heappush(self._changes, (max(now_s, self.now_s), self._changes_given, name, value))

    # registers

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return what the unit's registers hold at `now_s`. Raises `RefusedError` or `SilentError`."""
        self._answer(now_s)
        if self._foreseen is None or self.now_s >= self._foreseen.until_s:
            self._foreseen = self._foresee()
        busy_every = self._behaviour.busy_every
        if busy_every:
            self._reads += 1
            if self._reads % busy_every == 0:
                raise RefusedError(DEVICE_BUSY)
        if table == "input":
            return span(self._display.words, address, count)
        if table == "discrete":
            return span(self._display.snapshot.flags, address, count)
        if table == "holding":
            return span(self._holding(), address, count)
        raise RefusedError(ILLEGAL_ADDRESS)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Write holding registers at `now_s`.

        They are: 0 house temperature (s16, 0.1 °C), 1 entry delay and 2 release delay of the rain override (u16,
        0.1 s) and, with an outside thermometer, 3 outside temperature (as 0). A temperature is played to the
        thermometer's input; a delay that is already running keeps its length. Raises `RefusedError` or
        `SilentError`.
        """
        self._answer(now_s)
        self._foreseen = None
        if table != "holding":
            raise RefusedError(ILLEGAL_ADDRESS)
        holding = self._holding()
        span(holding, address, len(words))
        holding[address : address + len(words)] = words
        written = range(address, address + len(words))
        for register, name in THERMOMETERS.items():
            if register in written:
                word = holding[register]
                celsius = (word - 0x10000 if word & 0x8000 else word) / 10
                self._take(name, self._weather.sensors[name].level(celsius))
        if any(register in written for register in _DELAYS):
            self._entry_s, self._release_s = holding[1] / 10, holding[2] / 10
            self._overrides.set_rain_delays(self._entry_s, self._release_s)
        self._follow_weather()

    def _answer(self, now_s: float) -> None:
        self.advance(now_s)
        self._asked()

    def _asked(self) -> None:
        self.touched.asked(self.now_s)
        if not self._power.value:
            raise SilentError
        if self._weather.asked(self.now_s):
            self._foreseen = None
            self._follow_weather()

    @property
    def foreseen(self) -> Foreseen | None:
        """The time that goes on in which each read brings what it brought before in it; None: who knows."""
        return self._foreseen

    def _foresee(self) -> Foreseen | None:
        """Return for how long nothing changes that is shown, if nobody touches the unit; None: it may change now."""
        now_s = self.now_s
        changes_s = min(self._next()[0], self._weather.shown_to_s(now_s))
        until_s = min(changes_s - _AT_ONCE_S, now_s + _FORESEEN_S)
        if until_s < now_s + _WORTH_S or self.outside or self._behaviour.busy_every:
            return None
        vents = (vent for vent in self._vents.values() if isinstance(vent, Actuator))
        if any(vent.goes(now_s) for vent in vents):
            return None
        return Foreseen(now_s, until_s, now_s) if self._display.shows(now_s) else None

    def _holding(self) -> list[int]:
        sensors = self._weather.sensors
        delays = (min(0xFFFF, round(s * 10)) for s in (self._entry_s, self._release_s))
        outside = [round(sensors["outside"].value * 10) & 0xFFFF] if "outside" in sensors else []
        return [round(self._weather.house_c * 10) & 0xFFFF, *delays, *outside]

    # ground truth

    def truth(self, vent: str) -> tuple[tuple[float, float], ...]:
        """Return a vent's true trajectory: (loop time, % open) from power-up to now, linear between.

        Raises:
            LookupError: the vent stands outside the unit, and the bench plays it.
        """
        self._take_foreseen()
        return self._true(vent).breakpoints(self.now_s)

    def position(self, vent: str) -> float:
        """Return where a vent truly is at the unit's time, % open. Raises `LookupError` as `truth` does."""
        return self._true(vent).position_at(self.now_s)

    def _true(self, name: str) -> Actuator | Vent:
        vent = self._vents[name]
        own = vent.own if isinstance(vent, OutsideVent) else vent
        if own is None:
            raise LookupError(f"vent {name!r} is outside the mock unit; what plays it knows where it is")
        return own

    @property
    def active(self) -> tuple[str, ...]:
        """The overrides that truly are active at the unit's time, in the order in which they began."""
        return self._overrides.active if self._power.value else ()

    # time

    def advance(self, to_s: float) -> None:
        """Let everything happen that is due up to and at `to_s`; the past is left alone."""
        self._take_foreseen()
        to_s = max(to_s, self.now_s)
        while True:
            due_s, happen = self._next()
            if due_s > to_s:
                break
            self._foreseen = None
            self._display.before(due_s)
            self.now_s = max(self.now_s, due_s)
            happen()
            if self._power.value:
                self._follow_weather()
        self.now_s = to_s
        self._display.until(to_s)

    def _take_foreseen(self) -> None:
        """Take the reads that were foreseen: up to the last one nothing else has happened."""
        if self._foreseen is not None and self._foreseen.asked_s > self.now_s:
            self.now_s = self._foreseen.asked_s
            self._display.until(self.now_s)
            self._asked()

    def _next(self) -> tuple[float, Callable[[], None]]:
        """Return what is due first: at one instant the foremost part, and a change at the terminals last."""
        due_s, happen = math.inf, self._take_change
        for part, its in self._parts:
            if part.due_s < due_s:
                due_s, happen = part.due_s, its
        if self._changes and self._changes[0][0] < due_s:
            return self._changes[0][0], self._take_change
        return due_s, happen

    def _take_change(self) -> None:
        _, _, name, value = heapq.heappop(self._changes)
        self._take(name, value)

    # supply

    def _start(self, *, sees_from_s: float, referenced_s: float) -> None:
        """Begin with everything forgotten but the vents' positions and the rain override's delays."""
        self._weather = UnitWeather(
            self._settings, self._behaviour, self._phase, self.now_s, active=self._is_active
        )
        self._overrides = Overrides(
            self._settings,
            self._behaviour,
            sees_from_s,
            lapses=Lapses(self._behaviour, self.now_s, self._phase),
            stands=self._stands,
            changed=self._command,
        )
        self._overrides.set_rain_delays(self._entry_s, self._release_s)
        self._reference = Alarm(referenced_s)
        self._supply: Part = (self._power, self._power_changed)
        self._parts: tuple[Part, ...] = (
            *self._overrides.parts,
            (self._reference, self._referenced),
            *self._weather.parts,
            *(part for vent in self.outside.values() for part in vent.parts),
            self._supply,
        )
        self._stage = 0
        self._house_c = math.nan
        self._leeward: frozenset[str] = frozenset()
        for name in self._closed:
            if name in RAIN_CONTACTS and not self._sees_standing_rain():
                continue
            self._weather.contact("rain" if name in RAIN_CONTACTS else name, self.now_s, closed=True)
        for name, level in self._put.items():
            self._weather.level(name, self.now_s, level)
        self._follow_weather()
        self._command()
        self._display.copy(self.now_s)

    def _power_changed(self) -> None:
        self._power.fire()
        if not self._power.value:
            self._parts = (self._supply,)
            for vent in self._vents.values():
                if self._behaviour.halts_without_supply or isinstance(vent, OutsideVent):
                    vent.halt(self.now_s)
            return
        for outside in self.outside.values():
            outside.restart(self.now_s)
        if not self._behaviour.delays_kept:
            rain = self._settings.rain
            self._entry_s, self._release_s = rain.entry_delay, rain.release_delay
        run_s = max(group.reference_run_s for group in self._settings.vents.values())
        references = self._settings.supply.restart == "reference" and not self._behaviour.skips_reference
        blind_s = self._behaviour.blind_after_restart_s
        self._start(
            sees_from_s=self.now_s + blind_s if blind_s else math.inf,
            referenced_s=self.now_s + run_s if references else math.inf,
        )
        self._start_broken_off = False

    def _sees_standing_rain(self) -> bool:
        seen = self._behaviour
        return seen.standing_rain_seen and (seen.interrupted_start_sees or not self._start_broken_off)

    def _referenced(self) -> None:
        self._reference.due_s = math.inf
        self._overrides.referenced()
        self._command()

    # logic

    def _take(self, name: str, value: float) -> None:
        """Take a change at the terminals now."""
        if name == "supply":
            self.touched.contact(name, changed=bool(value) != self._power.input)
            if not value and not self._power.value and self._power.pending:
                self._start_broken_off = True
            self._power.change(self.now_s, state=bool(value))
            return
        if name in self._weather.sensors:
            self._put[name] = value
            if self._power.value:
                self._weather.level(name, self.now_s, value)
            self.touched.level(name, self._weather.sensors[name] if self._power.value else None)
            return
        self.touched.contact(
            "rain" if name in RAIN_CONTACTS else name, changed=bool(value) != (name in self._closed)
        )
        (self._closed.add if value else self._closed.discard)(name)
        if not self._power.value:
            return
        if name == RESET:
            if value:
                self._overrides.reset()
        elif name in RAIN_CONTACTS:
            closed = not self._closed.isdisjoint(RAIN_CONTACTS)
            self._weather.contact("rain", self.now_s, closed=closed)
        else:
            self._weather.contact(name, self.now_s, closed=bool(value))

    def _follow_weather(self) -> None:
        """Do what follows from the weather as the unit now sees it; whatever happened, this comes after it."""
        weather = self._weather
        self._standing = None
        self._overrides.feed(weather.demands(), self.now_s)
        if self._turns and (leeward := weather.leeward(self.now_s)) != self._leeward:
            self._leeward = leeward
            self._overrides.turn(leeward)
            self._command()
        if self._overrides.limit(weather.limits(self.now_s)):
            self._command()
        if weather.house_c != self._house_c:
            self._house_c = weather.house_c
            self._restage()

    def _is_active(self, override: str) -> bool:
        return override in self._overrides.active

    def _restage(self) -> None:
        if self._behaviour.drops_stage_changes and self._overrides.active:
            return
        stage = next_stage(self._stage, self._house_c, self._stage_at_c, self._hysteresis_c)
        if stage != self._stage:
            self._stage = stage
            self._command(stage_first=self._behaviour.stage_beats_override)

    def _stands(self) -> dict[str, float]:
        return {name: vent.told_at(self.now_s) for name, vent in self._vents.items()}

    def _command(self, *, stage_first: bool = False) -> None:
        """Send every vent to its target."""
        for name, vent in self._vents.items():
            target = self._stages[name][self._stage]
            if self._reference.due_s < math.inf:
                target = CLOSED_PERCENT
            elif not stage_first:
                target = self._overrides.target(name, target)
            vent.command(self._by_hand.get(name, target), self.now_s)

    # what is shown

    def _snapshot(self, at_s: float) -> Snapshot | None:
        if not self._power.value:
            return None
        weather = self._weather
        return Snapshot(
            tuple(self._shown(vent, at_s) for vent in self._vents.values()),
            weather.house_c,
            weather.counter.count,
            self._status(at_s),
            self._stage,
            weather.reading(min(at_s, self.now_s)) if self._more_weather else None,
            tuple(vent.alarms for vent in self.outside.values()),
            tuple(self._told(name, rule) for name, rule in self._settings.rules.items()),
        )

    def _told(self, name: str, rule: RuleSettings) -> bool:
        """Return the bit of a rule; that of a fail-safe relay is on while the rule is not active."""
        return (name in self._overrides.active) != (rule.drops_out and not self._behaviour.relay_inverted)

    def _shown(self, vent: Actuator | OutsideVent, at_s: float) -> float:
        if self._behaviour.reports_target:
            return vent.target_percent
        return vent.shown_at(at_s) if isinstance(vent, OutsideVent) else vent.position_at(at_s)

    def _status(self, at_s: float) -> tuple[bool, ...]:
        """Return the status bits as `Snapshot` lists them."""
        if self._standing is None:
            self._standing = self._still()
        moves = any(vent.moving_at(at_s) for vent in self._vents.values())
        before, after = self._standing
        return (*before, moves, *after)

    def _still(self) -> tuple[tuple[bool, ...], tuple[bool, ...]]:
        """Return the status bits that stand until something happens: those before and after that of moving vents."""
        active, rain, weather = self._overrides.active, self._overrides.delays["rain"], self._weather
        before = (
            "rain" in active,
            weather.rain.value,
            rain.pending and not rain.value,
            rain.pending and rain.value,
        )
        if not self._more_weather:
            return before, ()
        told = self._behaviour.failures_told
        after = (
            *(name in active for name in ("gale", "frost", "failure")),
            weather.bucket is not None and weather.bucket.wet.on,
            *(told and weather.failed(name) for name in ("outside", "house", "direction")),
            told and (weather.failed("cups") or weather.failed("wind")),
            self._reference.due_s < math.inf,
            *([told and weather.failed("loop")] if weather.loop else ()),
        )
        return before, after


def build(settings: MockSettings, start_s: float, seed: int) -> MockUnit:
    """Build the unit that `settings` describe, powered up at loop time `start_s`.

    The seed moves the phase of faults that hit every n-th of a row; a healthy unit does not depend on it.
    """
    return MockUnit(settings, behaviour_with(settings.faults), start_s, seed % _PHASES)
