"""When the conditions of an override table hold, and its overrides are active, as far as the weather tells (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Final, final

from ventproof.oracle.means import LeastMean, MostMean
from ventproof.oracle.measured import MeasuredRain, MeasuredWeather, MeasuredWind
from ventproof.oracle.timeline import (
    ALWAYS,
    PiecewiseCourse,
    Steps,
    Timeline,
    UncertainState,
    Weather,
    WeatherChange,
    beyond,
    combined,
    latched,
    of,
    settled,
    stepped,
    switched,
)
from ventproof.oracle.tips import apart_s, raining
from ventproof.table.model import (
    ActiveCondition,
    Alternative,
    BusSilentCondition,
    Condition,
    ContactCondition,
    FailedCondition,
    JoinedCondition,
    LevelCondition,
    OverrideTable,
    RainfallCondition,
    TableOverride,
    ThresholdCondition,
    WindCondition,
)
from ventproof_bench.yamlfile.fields import ContactState

_CALM: Final = 1e-9  # m/s: what is nothing
_STRONGEST: Final = 1000.0
"""M/s; no wind is so strong, and a mean of it is a number."""
_BEGUN: Final = Timeline(switches_s=(0.0,))


@final
@dataclass(frozen=True, slots=True)
class Activity:
    """What a unit that keeps to its table does with a weather.

    Attributes:
        powered: whether the unit has its supply and has booted.
        failed: of each sensor, whether it counts as failed.
        active: of each override, whether it is active.
        measured: of each override whose limits follow the wind or the rain, how much of it the unit sees.
    """

    powered: UncertainState
    failed: Mapping[str, UncertainState]
    active: Mapping[str, UncertainState]
    measured: Mapping[str, MeasuredWeather]


def activity(table: OverrideTable, weather: Weather) -> Activity:
    """Return when sensors count as failed and overrides are active."""
    made = _Conditions(table, weather)
    active = {name: made.active(name) for name in table.overrides}
    measured = {name: made.measured(its) for name, its in table.overrides.items() if its.limits}
    return Activity(made.powered, made.failed, active, measured)


def flag_of(override: TableOverride, active: UncertainState) -> UncertainState:
    """Return when the flag of an override is on: while that is active, or, of a fail-safe relay, while it is not."""
    return active if override.flag_while_active == "on" else active.inverted()


@final
class _Conditions:
    def __init__(self, table: OverrideTable, weather: Weather) -> None:
        self._table, self._weather = table, weather
        self.powered = _powered(table, weather)
        self.failed = {name: self._failed(name) for name in table.sensors}
        self._active: dict[str, UncertainState] = {}

    def active(self, name: str) -> UncertainState:
        """Return when an override is active; those that it waits for are found on the way."""
        if name not in self._active:
            self._active[name] = self._follow(self._table.overrides[name])
        return self._active[name]

    def _follow(self, override: TableOverride) -> UncertainState:
        holding = [self._calls(alternative) for alternative in override.when]
        off_s, on_s, by_s = override.release_delay, override.entry_delay, override.delay_tolerance
        # `may` begins as early and ends as late as the delays allow, `must` begins as late and ends as early.
        may = settled(
            combined([each.may for each in holding], any),
            max(0.0, on_s - by_s),
            off_s + by_s,
            self.powered.may,
        )
        must = settled(
            combined([each.must for each in holding], any),
            on_s + by_s,
            max(0.0, off_s - by_s),
            self.powered.must,
        )
        if override.latched and self._table.reset is not None:
            presses = [c for c in of(self._weather, "contact", self._table.reset) if c.value]
            # A press that comes as late as it may keeps `may` longest; one as early as it may ends `must` soonest. A
            # dead unit sees none. Whether it remembers the latch afterwards the table does not say.
            seen = (c for c in presses if all(map(self.powered.must.at, (c.at_s, c.at_s + c.late_s))))
            may = latched(may, (c.at_s + c.late_s for c in seen))
            must = latched(must, (*(c.at_s for c in presses), *self.powered.must.switches_s))
            may, must = (
                combined([its, powered], all)
                for its, powered in ((may, self.powered.may), (must, self.powered.must))
            )
        return UncertainState(may, must)

    def _calls(self, alternative: Alternative) -> UncertainState:
        if not isinstance(alternative, JoinedCondition):
            return self._holds(alternative)
        parts = [self._holds(condition) for condition in alternative.all]
        return UncertainState(
            combined([each.may for each in parts], all), combined([each.must for each in parts], all)
        )

    def _holds(self, condition: Condition) -> UncertainState:  # noqa: PLR0911 - a table of kinds
        match condition:
            case ContactCondition(contact=name, debounce=debounce_s):
                seen = self._state(name, condition.state)
                return UncertainState(
                    settled(seen.may, debounce_s, debounce_s, self.powered.may),
                    settled(seen.must, debounce_s, debounce_s, self.powered.must),
                )
            case FailedCondition(failed=name):
                return self.failed[name]
            case ActiveCondition(active=name):
                return self.active(name)
            case BusSilentCondition(bus_silent=silent_s):
                seen = switched(of(self._weather, "silent", ""))
                return UncertainState(
                    settled(seen.may, silent_s, 0.0, self.powered.may),
                    settled(seen.must, silent_s, 0.0, self.powered.must),
                )
            case RainfallCondition():
                low, high = self._pulses("rainfall", condition.rainfall)
                filled = of(self._weather, "filled", condition.rainfall)
                instants = {t_s: its.value for its in filled for t_s in (its.at_s, its.at_s + its.late_s)}
                return raining(condition, low, high, self.powered, instants)
            case WindCondition():
                return self._beyond(condition, *self._wind(condition))
            case LevelCondition(level=name):
                return self._beyond(condition, *self._level("level", name, condition.ends_at.value))

    def measured(self, override: TableOverride) -> MeasuredWeather:
        """Return how much of its wind or rain a unit sees that limits vents by it."""
        condition = override.measures
        off_by = condition.accuracy.value
        if isinstance(condition, WindCondition):
            return MeasuredWind(*self._wind(condition), off_by)
        low, high = self._pulses("rainfall", condition.rainfall)
        ends_at, tips_mm = condition.ends_at.value, condition.tips * condition.tip.value
        forgotten_s = condition.tips * apart_s(condition, ends_at - off_by)
        return MeasuredRain(low, high, self.powered, tips_mm, forgotten_s, ends_at + off_by, off_by)

    def _state(self, name: str, state: ContactState) -> UncertainState:
        """Return whether a contact is in a state; one that counts when open is closed where nothing is stated."""
        changes = of(self._weather, "contact", name)
        if state == "closed":
            return switched(changes)
        return switched(replace(change, value=1.0 - bool(change.value)) for change in changes)

    def _beyond(
        self, condition: ThresholdCondition, least: PiecewiseCourse, most: PiecewiseCourse
    ) -> UncertainState:
        """Return when a value is beyond its threshold."""
        rising, off_by = condition.rising, condition.accuracy.value
        on_at, off_at = condition.begins_at.value, condition.ends_at.value
        # `may` goes by the course that comes farthest and by the threshold at its nearest, `must` by the opposite.
        farthest, nearest, by = (most, least, off_by) if rising else (least, most, -off_by)
        return UncertainState(
            beyond(farthest, on_at - by, off_at - by, self.powered.may, rising=rising),
            beyond(nearest, on_at + by, off_at + by, self.powered.must, rising=rising),
        )

    def _pulses(self, kind: str, name: str) -> tuple[Steps, Steps]:
        """Return the lowest and the highest course of a wind or a rain as it arrives: none while its sensor fails."""
        changes = [c for c in self._weather if c.name == name and c.kind in {kind, "failed"}]
        shown: list[WeatherChange] = []
        value = failed = 0.0
        for change in sorted(changes, key=lambda c: c.at_s):
            if change.kind == "failed":
                failed = change.value
            else:
                value = change.value
            shown.append(
                WeatherChange(change.at_s, change.kind, name, 0.0 if failed else value, change.late_s)
            )
        return stepped(shown, 0.0)

    def _wind(self, condition: WindCondition) -> tuple[LeastMean, MostMean]:
        """Return the least and the most that a unit takes the mean of a wind for."""
        name, over_s = condition.wind, condition.averaged_over
        if self._table.has_level(name):
            low, high = self._level("wind", name, 0.0, most=_STRONGEST)
        else:
            low, high = self._pulses("wind", name)
        return LeastMean(low, over_s, self.powered), MostMean(high, over_s, self.powered)

    def _level(self, kind: str, name: str, first: float, *, most: float = inf) -> tuple[Steps, Steps]:
        """Return the lowest and the highest course of a level as the unit takes it: its last good value.

        Args:
            kind: of the changes that state it.
            name: of the sensor.
            first: the value at first, where the table has none that is normal.
            most: as high it may be, or as low below 0, where nobody knows it.
        """
        sensor = self._table.sensors.get(name)
        first = first if sensor is None or sensor.normal is None else sensor.normal.value
        changes = [c for c in self._weather if c.name == name and c.kind in {kind, "failed"}]
        shown: list[WeatherChange] = []
        value, failed = first, False
        for change in sorted(changes, key=lambda c: c.at_s):
            if change.kind == "failed":
                failed = bool(change.value)
            else:
                value = change.value
            if not failed:
                shown.append(WeatherChange(change.at_s, "level", name, value, change.late_s))
        low, high = stepped(shown, first)
        spans = list(self._forgotten(name))
        return _overlaid(low, spans, -most), _overlaid(high, spans, most)

    def _forgotten(self, name: str) -> Iterator[tuple[float, float]]:
        """Yield when nobody can say which value a unit goes by: a loss of supply, while the sensor fails, took it."""
        for begin_s, end_s in switched(of(self._weather, "failed", name)).may.yes():
            lost_s = (t_s for t_s in self.powered.must.switches_s if begin_s < t_s < end_s)
            first_s = next(lost_s, inf) if self.powered.must.at(begin_s) else begin_s
            if first_s < end_s:
                yield first_s, end_s

    def _failed(self, name: str) -> UncertainState:
        sensor = self._table.sensors[name]
        failing = switched(of(self._weather, "failed", name))
        if sensor.loop is not None:
            broken = self._state(name, "open" if sensor.loop == "closed" else "closed")
            failing = UncertainState(
                combined([failing.may, broken.may], any), combined([failing.must, broken.must], any)
            )
        if self._turns(name):
            still = [beyond(its, 0.0, _CALM, rising=False) for its in self._pulses("wind", name)]
            # Before 0 s every sensor is well, although no wind is stated there.
            failing = UncertainState(*(combined([each, _BEGUN], all) for each in still))
        by_s = sensor.delay_tolerance
        return UncertainState(
            settled(
                failing.may,
                max(0.0, sensor.fails_after - by_s),
                sensor.recovers_after + by_s,
                self.powered.may,
            ),
            settled(
                failing.must,
                sensor.fails_after + by_s,
                max(0.0, sensor.recovers_after - by_s),
                self.powered.must,
            ),
        )

    def _turns(self, name: str) -> bool:
        """Return whether a sensor is a set of cups, which fail by standing still."""
        return self._table.shows_wind(name) and not self._table.has_level(name)


def _overlaid(steps: Steps, spans: Sequence[tuple[float, float]], value: float) -> Steps:
    """Return a course that has another value in these spans."""
    edges = sorted({t_s for t_s, _ in steps.jumps} | {t_s for span in spans for t_s in span if t_s < inf})
    inside = (any(begin_s <= t_s < end_s for begin_s, end_s in spans) for t_s in edges)
    return Steps(
        steps.first,
        tuple((t_s, value if lost else steps.at(t_s)) for t_s, lost in zip(edges, inside, strict=True)),
    )


def _powered(table: OverrideTable, weather: Weather) -> UncertainState:
    """Return when the unit runs; its supply is there unless the weather says otherwise."""
    supply = table.supply
    if supply is None:
        return UncertainState(ALWAYS, ALWAYS)
    opened = switched(
        WeatherChange(c.at_s, "contact", c.name, 1.0 - c.value, c.late_s)
        for c in of(weather, "contact", supply.contact)
    )
    by_s = supply.delay_tolerance
    dead_may = settled(opened.may, supply.rides_through, supply.boots_for + by_s)
    # What it surely rides through it need not feel while it boots either.
    felt = settled(opened.must, supply.rides_through + by_s, 0.0)
    dead_must = settled(felt, 0.0, max(0.0, supply.boots_for - by_s))
    return UncertainState(dead_may, dead_must).inverted()
