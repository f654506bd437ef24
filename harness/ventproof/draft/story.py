"""Phases and what is owed (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil, floor, inf
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.assembly import Band, applied, counted_from, equals, keeps, named, percent
from ventproof.draft.stimuli import begun, close, ended, lag_s, none, number, open_, plain, playable, quantity
from ventproof.oracle.conditions import flag_of
from ventproof.oracle.deviations import off_by_s
from ventproof.oracle.oracle import ExpectedBehaviour, expected
from ventproof.oracle.sides import ahead_deg
from ventproof.oracle.timeline import WeatherChange
from ventproof.profile.model import Step
from ventproof.table.lines import condition_name, joint_names
from ventproof.table.model import (
    ActiveCondition,
    FailedCondition,
    ThresholdCondition,
    WindCondition,
    output_of,
)
from ventproof_bench.base.quantities import Dimension
from ventproof_bench.benchfile.model import ContactOutput

if TYPE_CHECKING:
    from ventproof.draft.resolution import Margins
    from ventproof.draft.stimuli import PlannedStimulus, TimedStimuli
    from ventproof.oracle.targets import PossibleTravel, Range
    from ventproof.oracle.timeline import UncertainState, WeatherChange
    from ventproof.profile.model import Response
    from ventproof.table.model import Condition, OverrideTable, TableOverride
    from ventproof_bench.base.quantities import Quantity


_BEGINS_S: Final = 60.0
_SAME: Final = 1e-6
_HOLDS_S: Final = 10.0
_SPARE_S: Final = 5.0
_LABEL: Final = "begins"
_WHOLE_FROM_S: Final = 10.0
_WORTH_S: Final = 0.3  # a shorter wait before a deadline shows nothing


@final
@dataclass(frozen=True, slots=True)
class Phase:
    """One step of a scenario.

    Attributes:
        title: the step's name.
        stimuli: what is done, and when.
        watch_s: how long what must not change is watched, at least.
        why: what a vent that stays shows.
        also: responses beside those of the oracle.
    """

    title: str
    stimuli: TimedStimuli
    watch_s: float = _HOLDS_S
    why: str = ""
    also: tuple[Response, ...] = ()

    @property
    def counts_from_s(self) -> float:
        """What its responses count from, seconds after the step's begin; not before idle time is over."""
        return self.stimuli[self._counted][0] if self.stimuli else 0.0

    @property
    def _counted(self) -> int:
        """The number of the stimulus that responses count from: the first, or the first after idle time."""
        return max((n + 1 for n, (_, planned) in enumerate(self.stimuli) if not planned.output), default=0)

    def step(self, responses: Iterable[Response]) -> Step:
        """Return it as a step of a profile; a label says what the responses count from where that is not plain."""
        labelled = sum(bool(planned.output) for _, planned in self.stimuli) > 1
        labels = [_LABEL if labelled and n == self._counted else None for n in range(len(self.stimuli))]
        expected = [counted_from(response, _LABEL if labelled else None) for response in responses]
        return Step(step=self.title, do=applied(self.stimuli, labels), expect=expected)


@final
@dataclass(frozen=True, slots=True)
class Scenario:
    """A planned test from open vents on, and the lines of the table that it proves.

    Attributes:
        file: the profile's file name without its ending.
        title: its name.
        about: what it shows, in sentences.
        overrides: those whose flags are watched.
        sensors: likewise.
        phases: in order.
        proves: names of the table's lines.
        writes: what is written before the first phase, beside what opens the vents: output to value.
        before: what is so before the first phase.
    """

    file: str
    title: str
    about: str
    overrides: tuple[str, ...]
    phases: tuple[Phase, ...]
    proves: tuple[str, ...]
    sensors: tuple[str, ...] = ()
    writes: Mapping[str, Quantity] = field(default_factory=dict)
    before: tuple[WeatherChange, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class VentPosition:
    """A position of a vent that the profile has a name for.

    Attributes:
        vent: the vent group.
        name: of the value.
        percent: how far open.
        is_open: it is where the vent stands when the house is warm.
    """

    vent: str
    name: str
    percent: float
    is_open: bool = False

    @property
    def reference(self) -> Quantity:
        """The position as responses state it: by its name."""
        return named(self.name, self.percent)


class UndecidedError(Exception):
    """The table leaves open what the unit owes at the end of a phase; such a scenario is not drafted."""


def steps_of(scenario: Scenario, table: OverrideTable, margins: Margins) -> list[Step]:
    """Return the steps of a scenario, with the responses that its table demands.

    Raises:
        UndecidedError: the table leaves open what becomes of a phase.
    """
    weather: list[WeatherChange] = list(scenario.before)
    begin_s, steps = _BEGINS_S, []
    for phase in scenario.phases:
        for after_s, planned in phase.stimuli:
            weather += planned.at(begin_s + after_s)
        begin_s += phase.counts_from_s
        owed = expected(table, weather, begin_s + horizon_s(table))
        end_s = max(_settled_s(owed, begin_s), _averaged_s(table, weather))
        made = _Responses(scenario, phase, table, margins, owed, begin_s, end_s)
        steps.append(phase.step(made.all()))
        begin_s = end_s + phase.watch_s + _HOLDS_S
    return steps


def horizon_s(table: OverrideTable) -> float:
    """Return a time after which nothing of a phase can still go on, seconds."""
    delays_s = sum(o.entry_delay + o.release_delay + 2 * o.delay_tolerance for o in table.overrides.values())
    travels_s = sum(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    return 1800.0 + delays_s + 4 * travels_s


def _settled_s(owed: ExpectedBehaviour, begin_s: float) -> float:
    """Return from when on nothing changes any more, and nothing is open."""
    activity = owed.activity
    every = (activity.powered, *activity.failed.values(), *activity.active.values())
    switches = {t_s for bounds in every for line in (bounds.may, bounds.must) for t_s in line.switches_s}
    last_s = max((t_s for t_s in switches if t_s < owed.until_s), default=begin_s)
    if any(bounds.at(owed.until_s) == "open" for bounds in every):
        raise UndecidedError
    for travel in owed.vents.values():
        for course in (travel.low, travel.high):
            moved_s = [to_s for (_, was), (to_s, becomes) in pairwise(course) if was != becomes]
            last_s = max([last_s, *moved_s])
    return max(last_s, begin_s)


def _averaged_s(table: OverrideTable, weather: Sequence[WeatherChange]) -> float:
    """Return from when on no mean of a wind changes any more, so that it matters no longer how long a step lasts."""
    over_s: dict[str, float] = {}
    for override in table.overrides.values():
        for its in override.conditions:
            if isinstance(its, WindCondition):
                over_s[its.wind] = max(its.averaged_over, over_s.get(its.wind, 0.0))
    winds = (change for change in weather if change.kind == "wind")
    return max((its.at_s + its.late_s + over_s.get(its.name, 0.0) for its in winds), default=0.0)


@final
@dataclass(frozen=True, slots=True)
class _Responses:
    """What one phase demands."""

    scenario: Scenario
    phase: Phase
    table: OverrideTable
    margins: Margins
    owed: ExpectedBehaviour
    begin_s: float
    end_s: float

    def all(self) -> Iterator[Response]:
        """Yield the responses: flags of sensors and overrides, then vents."""
        for name in self.scenario.sensors:
            flag, sensor = self.table.sensors[name].flag, self.table.sensors[name]
            if flag is not None:
                delays = (number(sensor.fails_after), number(sensor.recovers_after))
                whys = (f"it fails after {delays[0]} s", f"it is trusted again after {delays[1]} s")
                yield from self._flag(flag, self.owed.activity.failed[name], whys)
        for name in self.scenario.overrides:
            override = self.table.overrides[name]
            if override.flag is not None:
                delays = (number(override.entry_delay), number(override.release_delay))
                whys = (f"the entry delay is {delays[0]} s", f"the release delay is {delays[1]} s")
                # Of a fail-safe relay the flag goes on where the override ends.
                whys = whys if override.flag_while_active == "on" else whys[::-1]
                yield from self._flag(override.flag, flag_of(override, self.owed.activity.active[name]), whys)
        for name in self.table.vents:
            yield self._vent(name)
        yield from self.phase.also

    def _watch_s(self) -> float:
        """Return how long what must not change is watched."""
        lasts_s, asked_s = self.end_s - self.begin_s, max(self.phase.watch_s, _HOLDS_S)
        return float(ceil(asked_s + lasts_s if lasts_s > asked_s else asked_s))

    def _flag(self, flag: str, bounds: UncertainState, whys: tuple[str, str]) -> Iterator[Response]:
        was, becomes = bounds.at(self.begin_s - _SAME), bounds.at(self.end_s)
        late_s = self.margins.late_s(flag)
        if was == becomes:
            # A state that could be left and taken again within the phase shows nothing for certain.
            if self.margins.watches(flag) and not any(
                self.begin_s <= t_s < self.end_s for t_s in (*bounds.may.switches_s, *bounds.must.switches_s)
            ):
                yield keeps(flag, self._watch_s(), on=becomes == "yes", purpose=self.phase.why)
            return
        rising = becomes == "yes"
        first, last = (bounds.may, bounds.must) if rising else (bounds.must, bounds.may)
        early_s = next(t_s for t_s in first.switches_s if t_s >= self.begin_s) - self.begin_s
        latest_s = [t_s for t_s in last.switches_s if t_s <= self.end_s][-1] - self.begin_s
        waits_s = early_s - late_s
        if waits_s >= _WORTH_S and self.margins.watches(flag):
            yield keeps(flag, _early_s(waits_s), on=not rising, purpose=whys[0 if rising else 1])
        yield equals(flag, _late_s(latest_s + late_s), on=rising)

    def _vent(self, name: str) -> Response:
        vent, travel = self.table.vents[name], self.owed.vents[name]
        late_s = self.margins.late_s(vent.signal)
        tolerance = self.margins.tolerance(vent.signal, vent.tolerance.value)
        before, after = travel.within(self.begin_s), travel.within(self.end_s)
        if after.high - after.low > _SAME:
            return self._range(name, after, tolerance + (after.high - after.low) / 2)
        band = Band(vent.signal, self._place(name, after.high), named(f"{name}_tolerance", tolerance))
        if self._rests(travel, before):
            return band.stays(self._watch_s(), purpose=self.phase.why)
        by_s = self.owed.arrives_by_s(name, after, self.begin_s) - self.begin_s + late_s
        from_s = _first_near_s(travel, after.high, tolerance, self.begin_s) - self.begin_s - late_s
        if after.high > before.high and 1 <= from_s < inf:
            return band.returns(_early_s(from_s), _late_s(by_s))
        was_there = self.margins.can_be_at(vent.signal, (before.low, before.high), after.high, tolerance)
        return band.reaches(_late_s(by_s), self._holds_s(by_s), anyhow=was_there)

    def _holds_s(self, by_s: float) -> float:
        """Return how long a place is held: until nothing is open any more, whatever else the step shows."""
        return float(ceil(max(_HOLDS_S, self.end_s - self.begin_s - by_s)))

    def _range(self, name: str, after: Range, tolerance: float) -> Response:
        """Return what is demanded of a vent whose place depends on where another override found it."""
        travel, signal = self.owed.vents[name], self.table.vents[name].signal
        middle = round((after.low + after.high) / 2, 1)
        band = Band(signal, percent(middle), percent(ceil(tolerance * 10 - _SAME) / 10))
        why = f"anywhere from {number(round(after.low, 1))} % to {number(round(after.high, 1))} %"
        before = travel.within(self.begin_s)
        if self._rests(travel, before):
            return band.stays(self._watch_s(), purpose=why)
        by_s = self.owed.arrives_by_s(name, after, self.begin_s) - self.begin_s + self.margins.late_s(signal)
        was_there = self.margins.can_be_at(signal, (before.low, before.high), middle, tolerance)
        return band.reaches(_late_s(by_s), self._holds_s(by_s), purpose=why, anyhow=was_there)

    def _rests(self, travel: PossibleTravel, before: Range) -> bool:
        edges = {t_s for course in (travel.low, travel.high) for t_s, _ in course}
        seen = [travel.within(t_s) for t_s in edges if self.begin_s <= t_s <= self.end_s]
        return all(abs(r.low - before.low) < _SAME and abs(r.high - before.high) < _SAME for r in seen)

    def _place(self, vent: str, position: float) -> Quantity:
        """Return a position by the name that the profile gives it, or as a number."""
        for place in places(self.scenario, self.table):
            if place.vent == vent and place.percent == position:
                return place.reference
        return percent(position)


def places(scenario: Scenario, table: OverrideTable) -> list[VentPosition]:
    """Return the named positions of a scenario's vents."""
    made = [
        VentPosition(vent, f"{vent}_open", its.open.value, is_open=True) for vent, its in table.vents.items()
    ]
    for name in scenario.overrides:
        override = table.overrides[name]
        made += [VentPosition(vent, f"{vent}_in_{name}", q.value) for vent, q in override.positions.items()]
        made += [VentPosition(vent, f"{vent}_lee_in_{name}", q.value) for vent, q in override.leeward.items()]
    return made


def _first_near_s(travel: PossibleTravel, target: float, tolerance: float, after_s: float) -> float:
    """Return the first instant at which an opening vent can be within a tolerance of its target."""
    aim = target - tolerance
    for (from_s, was), (to_s, becomes) in pairwise(travel.high):
        if to_s > after_s and was < aim <= becomes:
            return from_s + (aim - was) / (becomes - was) * (to_s - from_s)
    return inf


def _late_s(span_s: float) -> float:
    """Return a deadline: rounded up, to whole seconds from ten seconds on."""
    if span_s >= _WHOLE_FROM_S:
        return float(ceil(span_s - _SAME))
    return ceil(span_s * 10 - _SAME) / 10


def _early_s(span_s: float) -> float:
    """Return a time before which nothing may happen: rounded down likewise."""
    if span_s >= _WHOLE_FROM_S:
        return float(floor(span_s + _SAME))
    return floor(span_s * 10 + _SAME) / 10


LONGEST_WAIT_S: Final = 1800.0
"""A condition that takes longer to come about is left to a person."""


@final
@dataclass(frozen=True, slots=True)
class ScenarioBuilder:
    """Makes the scenarios of one table for one bench."""

    table: OverrideTable
    margins: Margins

    @property
    def turned_s(self) -> float:
        """After so long a vent has changed its side, even of a unit that is so slow that it counts as wrong."""
        settles_s = self.table.sides.settles_after
        return 1.0 + (settles_s + off_by_s(settles_s, self.table.sides.delay_tolerance) if settles_s else 0.0)

    def conditions(self, name: str) -> list[Condition]:
        """Return the conditions of an override that the bench can bring about."""
        override = self.table.overrides[name]
        single = (c for c in override.conditions if not isinstance(c, ActiveCondition))
        return [c for c in single if self._playable([c, *self.beside(name, c)])]

    def beside(self, name: str, condition: Condition) -> list[Condition]:
        """Return the weather that must be there beside a condition; for another override what brings that about."""
        others = self.table.overrides[name].together_with(condition)
        return [its for other in others for its in self._means(other)]

    def allowed(self, name: str, condition: Condition) -> bool:
        """Return whether the bench can bring about all that must hold beside a condition."""
        return self._playable(self.beside(name, condition))

    def _means(self, condition: Condition) -> list[Condition]:
        """Return the weather that brings a condition about; the condition itself where nothing does."""
        if not isinstance(condition, ActiveCondition):
            return [condition]
        its = next(iter(self.conditions(condition.active)), None)
        return [condition] if its is None else [*self.beside(condition.active, its), its]

    def _playable(self, together: list[Condition]) -> bool:
        """Return whether conditions can be brought about at the same time: each by an output of its own."""
        outputs = [output_of(condition) for condition in together]
        return len({*outputs}) == len(outputs) and all(
            playable(self.table, condition, LONGEST_WAIT_S) for condition in together
        )

    def given(self, name: str, condition: Condition) -> tuple[Phase, ...]:
        """Return what brings about all that must hold beside a condition; without it the override may not begin."""
        override = self.table.overrides[name]
        others = self.beside(name, condition)
        if not others:
            return ()
        begins = [begun(other) for other in others]
        first = [
            self.table.overrides[its.active]
            for its in override.conditions
            if isinstance(its, ActiveCondition)
        ]
        watch_s = sum(its.entry_delay + its.delay_tolerance for its in (override, *first))
        watch_s += max(lag_s(other) for other in others) + _SPARE_S
        its = plain(condition_name(override, condition))
        return (
            Phase(
                " and ".join(planned.about for planned in begins),
                tuple((float(place), planned) for place, planned in enumerate(begins)),
                watch_s,
                f"{plain(name)} needs {its} too",
            ),
        )

    def joint(self, name: str, condition: Condition) -> tuple[str, ...]:
        """Return the line that joins a condition to others; none where it stands alone."""
        override = self.table.overrides[name]
        placed = next(its for its in override.placed if its.condition is condition)
        return () if placed.part is None else (f"{name}.{joint_names(override)[placed.alternative]}",)

    def scenario(
        self,
        file: str,
        *,
        title: str,
        about: str,
        overrides: tuple[str, ...],
        phases: tuple[Phase, ...],
        proves: tuple[str, ...],
    ) -> Scenario:
        """Return a scenario with its begin: levels at which no override is active, wind from ahead."""
        planned = [stimulus for phase in phases for _, stimulus in phase.stimuli]
        begun_anyway = {*self.table.opened_by, self.table.direction}
        writes = {
            output: self._calm(output)
            for output in (stimulus.output for stimulus in planned)
            if output not in begun_anyway and self._has_value(output)
        }
        before: tuple[WeatherChange, ...] = ()
        ahead = ahead_deg(self.table)
        if (
            self.table.direction
            and ahead is not None
            and any(self.table.overrides[n].leeward for n in overrides)
        ):
            writes[self.table.direction] = quantity(ahead, Dimension.DIRECTION)
            before = (WeatherChange(0.0, "direction", "", ahead),)
        failing = {c.name for stimulus in planned for c in stimulus.changes if c.kind == "failed"}
        sensors = tuple(name for name in self.table.sensors if name in failing)
        return Scenario(
            file=file,
            title=title,
            about=about,
            overrides=overrides,
            phases=phases,
            proves=proves,
            sensors=sensors,
            writes=writes,
            before=before,
        )

    def _has_value(self, output: str) -> bool:
        return output != "" and not isinstance(self.margins.bench.outputs[output], ContactOutput)

    def _calm(self, output: str) -> Quantity:
        sensor = self.table.sensors.get(output)
        if sensor is not None and sensor.normal is not None:
            return quantity(sensor.normal.value, sensor.normal.dimension)
        conditions = (c for override in self.table.overrides.values() for c in override.conditions)
        condition = next(
            c for c in conditions if isinstance(c, ThresholdCondition) and output_of(c) == output
        )
        return quantity(none(self.table, condition), condition.begins_at.dimension)

    def ending(self, name: str, override: TableOverride, ends: PlannedStimulus) -> tuple[Phase, ...]:
        """Return how an override ends: by itself, or by a reset."""
        if not override.latched or self.table.reset is None:
            return (self.phase(ends),)
        watch_s = override.release_delay + override.delay_tolerance + 5
        keeps = Phase(ends.about, ((0.0, ends),), watch_s, f"{plain(name)} is latched")
        return keeps, self.reset()

    def during(self, name: str, condition: Condition, *phases: Phase) -> tuple[Phase, ...]:
        """Return what happens while a condition holds, with all that it needs before and how its override ends."""
        ends = ended(self.table, condition)
        return (*self.given(name, condition), *phases, *self.ending(name, self.table.overrides[name], ends))

    def failing(self, name: str, sensor: str) -> str:
        """Return in words that a sensor fails, and for which override where several wait for it."""
        waiting = [
            other
            for other, override in self.table.overrides.items()
            if any(isinstance(its, FailedCondition) and its.failed == sensor for its in override.conditions)
        ]
        said = f"{plain(sensor)} fails"
        return said if waiting == [name] else f"{plain(name)}: {said}"

    def flag_lines(self, name: str) -> tuple[str, ...]:
        """Return what an override's flag shows: its delays, neither too short nor too long, and a relay's state."""
        override = self.table.overrides[name]
        if override.flag is None:
            return ()
        watched = self.margins.watches(override.flag)
        delays = (("entry_delay", override.entry_delay), ("release_delay", override.release_delay))
        relay = (f"{name}.flag_while_active",) if override.flag_while_active == "off" else ()
        return (
            *(f"{name}.{key}" for key, delay_s in delays if watched or delay_s <= override.delay_tolerance),
            *relay,
        )

    def positions(self, name: str) -> tuple[str, ...]:
        """Return the lines that say where an override sends the vents, and how far it limits them."""
        override = self.table.overrides[name]
        return (
            *(f"{name}.positions.{vent}" for vent in override.positions),
            *(f"{name}.limits.{vent}" for vent in override.limits),
        )

    def reset(self) -> Phase:
        """Return the reset of latched overrides."""
        assert self.table.reset is not None, "loading sees to it"
        return Phase("reset", ((0.0, close(self.table.reset)), (1.0, open_(self.table.reset))))

    def phase(self, stimulus: PlannedStimulus) -> Phase:
        """Return a phase of one stimulus, named after it."""
        return Phase(stimulus.about, ((0.0, stimulus),))


def by(name: str, output: str) -> str:
    """Return an override with what brings it about, in words."""
    return plain(name) if name == output else f"{plain(name)} by {plain(output)}"
