"""The mock unit: contacts in, vents and registers out, in continuous time; deterministic (pure)."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.errors import DriverError
from bench.mock.actuator import Actuator, Travel
from bench.mock.conditioning import Counter, Settling
from bench.mock.faults import behaviour_with
from bench.mock.logic import OverrideRule, faulty_rule, override_target
from bench.mock.registers import (
    DEVICE_BUSY,
    ILLEGAL_ADDRESS,
    RefusedError,
    Snapshot,
    input_registers,
    span,
)
from bench.mock.ventilation import next_stage

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.interfaces import Table
    from bench.mock.behaviour import Behaviour
    from bench.mock.settings import MockSettings

CONTACTS: Final = ("rain", "rain_2", "rain_3", "rain_4")
"""Inputs of the unit, wired in parallel: its rain terminal sees closed while any of them is closed."""

_GRID: Final = 1e-6  # of a refresh interval: instants on the refresh grid are not exact in binary
_PHASES: Final = 60  # every count from 1 to 6 divides it, so that no phase is preferred


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A unit as it is built, faults included.

    Attributes:
        travels: the drive of each vent group.
        stages: position of each vent group at stage 0, 1, 2, …, %.
        rule: the rain override.
        debounce_s: how long the contact must keep a state.
        entry_s: how long the debounced contact must be closed before the override begins.
        release_s: how long it must be open before the override ends.
        stage_at_c: temperature at which stage 1, 2, … begins, °C.
        hysteresis_c: how far below that a stage ends, °C.
        temperature_c: house temperature at power-up, °C.
        refresh_s: input registers are copied at every multiple of this from power-up; 0 for at every read.
        behaviour: what is wrong with it.
        phase: which of a row is the first to be hit by a fault that hits every n-th.
    """

    travels: Mapping[str, Travel]
    stages: Mapping[str, Sequence[float]]
    rule: OverrideRule
    debounce_s: float
    entry_s: float
    release_s: float
    stage_at_c: Sequence[float]
    hysteresis_c: float
    temperature_c: float
    refresh_s: float
    behaviour: Behaviour
    phase: int


@final
class MockUnit:
    """The unit. Times are loop times in seconds; time only goes forward, and a past instant counts as now.

    Implements `bench.interfaces.MockInputs` (its terminals) and `bench.mock.registers.RegisterBank` (its
    registers).

    Attributes:
        start_s: when it was powered up.
        now_s: how far its time has come.
        override_active: whether the rain override truly is active at that time.

    At one instant, delays that are over come first, then contact edges in the order they were given, then the
    refresh of the registers.
    """

    def __init__(self, design: Design, start_s: float) -> None:
        behaviour = design.behaviour
        self.start_s = start_s
        self.now_s = start_s
        self.override_active = False
        self._design = design
        self._vents = {name: Actuator(travel, start_s) for name, travel in design.travels.items()}
        self._edges: list[tuple[float, int, str, bool]] = []
        self._edges_given = 0
        self._closed: set[str] = set()
        self._debounce = Settling(design.debounce_s, design.debounce_s)
        self._override = Settling(design.entry_s, design.release_s)
        self._set_delays(design.entry_s, design.release_s)
        self._gives_up_s = math.inf
        self._counter = Counter(
            per_closure=behaviour.counts_per_closure, misses_every=behaviour.misses_every, phase=design.phase
        )
        self._reads = design.phase
        self._rule = faulty_rule(design.rule, behaviour)
        self._ceilings: dict[str, float] = {}
        self._temperature_c = design.temperature_c
        self._stage = 0
        self._refreshes = 0
        self._restage()
        self._refresh(start_s)

    # terminals

    def set_contact(self, name: str, now_s: float, *, closed: bool) -> None:
        """Open or close the contact wired to `name` at `now_s`, which may be ahead of the unit's time.

        Raises:
            DriverError: the unit has no such input.
        """
        if name not in CONTACTS:
            raise DriverError(f"the mock unit has no input {name!r}; it has {', '.join(CONTACTS)}")
        self._edges_given += 1
        heapq.heappush(self._edges, (max(now_s, self.now_s), self._edges_given, name, closed))

    # registers

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return what the unit's registers hold at `now_s`. Raises `RefusedError`."""
        self.advance(now_s)
        busy_every = self._design.behaviour.busy_every
        if busy_every:
            self._reads += 1
            if self._reads % busy_every == 0:
                raise RefusedError(DEVICE_BUSY)
        if table == "input":
            return span(self._words, address, count)
        if table == "discrete":
            return span(self._snapshot.status, address, count)
        if table == "holding":
            return span(self._holding(), address, count)
        raise RefusedError(ILLEGAL_ADDRESS)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Write holding registers at `now_s`.

        They are: 0 house temperature (s16, 0.1 °C), 1 entry delay and 2 release delay (u16, 0.1 s). A delay
        that is already running keeps its length. Raises `RefusedError`.
        """
        self.advance(now_s)
        if table != "holding":
            raise RefusedError(ILLEGAL_ADDRESS)
        holding = self._holding()
        span(holding, address, len(words))
        holding[address : address + len(words)] = words
        temperature, entry, release = holding
        self._temperature_c = (temperature - 0x10000 if temperature & 0x8000 else temperature) / 10
        if words and address + len(words) > 1:
            self._set_delays(entry / 10, release / 10)
        self._restage()

    def _holding(self) -> list[int]:
        delays = (min(0xFFFF, round(s * 10)) for s in (self._entry_s, self._release_s))
        return [round(self._temperature_c * 10) & 0xFFFF, *delays]

    # ground truth

    def truth(self, vent: str) -> tuple[tuple[float, float], ...]:
        """Return a vent's true trajectory: (loop time, % open) from power-up to now, linear between."""
        return self._vents[vent].breakpoints(self.now_s)

    def position(self, vent: str) -> float:
        """Return where a vent truly is at the unit's time, % open."""
        return self._vents[vent].position_at(self.now_s)

    # time

    def advance(self, to_s: float) -> None:
        """Let everything happen that is due up to and at `to_s`; the past is left alone."""
        to_s = max(to_s, self.now_s)
        while (due_s := self._next_s()) <= to_s:
            if self._design.refresh_s and (instants := self._instants_before(due_s)) > self._refreshes:
                self._refresh_at(instants)
            self.now_s = max(self.now_s, due_s)
            self._happen(due_s)
        self.now_s = to_s
        if not self._design.refresh_s:
            self._refresh(to_s)
        elif (instants := self._instants_until(to_s)) > self._refreshes:
            self._refresh_at(instants)

    def _next_s(self) -> float:
        edge_s = self._edges[0][0] if self._edges else math.inf
        return min(self._override.due_s, self._gives_up_s, self._debounce.due_s, edge_s)

    def _happen(self, due_s: float) -> None:
        if self._override.due_s <= due_s:
            self._override.fire()
            self._follow(active=self._override.value)
            self._feed_override()
        elif self._gives_up_s <= due_s:
            self._follow(active=False)
        elif self._debounce.due_s <= due_s:
            self._debounce.fire()
            if self._debounce.value and not self._design.behaviour.counts_bounce:
                self._counter.closure()
            self._feed_override()
        else:
            _, _, name, closed = heapq.heappop(self._edges)
            self._take_edge(name, closed=closed)

    # logic

    def _set_delays(self, entry_s: float, release_s: float) -> None:
        behaviour = self._design.behaviour
        self._entry_s, self._release_s = entry_s, release_s
        self._override.on_s = entry_s * behaviour.entry_factor + behaviour.entry_extra_s
        self._override.off_s = release_s * behaviour.release_factor

    def _take_edge(self, name: str, *, closed: bool) -> None:
        before = bool(self._closed)
        (self._closed.add if closed else self._closed.discard)(name)
        after = bool(self._closed)
        if after and not before and self._design.behaviour.counts_bounce:
            self._counter.closure()
        self._debounce.change(self.now_s, state=after)

    def _feed_override(self) -> None:
        """Hand the debounced contact to the override's delays."""
        behaviour, raining = self._design.behaviour, self._debounce.value
        if not behaviour.rain_seen:
            return
        if not raining and self._override.value and behaviour.never_releases:
            return
        if not raining and not self._override.value and behaviour.entry_survives_opening:
            return
        self._override.change(self.now_s, state=raining)

    def _follow(self, *, active: bool) -> None:
        """Begin or end the override."""
        lasts_s = self._design.behaviour.gives_up_after_s
        self._gives_up_s = self.now_s + lasts_s if active and lasts_s is not None else math.inf
        self.override_active = active
        self._ceilings = (
            {name: vent.position_at(self.now_s) for name, vent in self._vents.items()} if active else {}
        )
        self._command()

    def _restage(self) -> None:
        design = self._design
        stage = next_stage(
            self._stage,
            self._temperature_c,
            design.stage_at_c,
            design.hysteresis_c * design.behaviour.hysteresis_factor,
        )
        if stage != self._stage:
            self._stage = stage
            self._command(stage_first=design.behaviour.stage_beats_override)

    def _command(self, *, stage_first: bool = False) -> None:
        """Send every vent to its target."""
        for name, vent in self._vents.items():
            target = self._design.stages[name][self._stage]
            if self.override_active and not stage_first:
                target = override_target(self._rule, name, target, self._ceilings[name])
                self._ceilings[name] = target
            vent.command(target, self.now_s)

    # refresh of the input registers

    def _instants_until(self, at_s: float) -> int:
        return math.floor((at_s - self.start_s) / self._design.refresh_s + _GRID)

    def _instants_before(self, at_s: float) -> int:
        return math.ceil((at_s - self.start_s) / self._design.refresh_s - _GRID) - 1

    def _refresh_at(self, instants: int) -> None:
        self._refreshes = instants
        self._refresh(self.start_s + instants * self._design.refresh_s)

    def _refresh(self, at_s: float) -> None:
        behaviour, override = self._design.behaviour, self._override
        vents = self._vents.values()
        self._snapshot = Snapshot(
            tuple(v.target_percent if behaviour.reports_target else v.position_at(at_s) for v in vents),
            self._temperature_c,
            self._counter.count,
            (
                self.override_active and not behaviour.flag_stuck,
                self._debounce.value,
                override.pending and not override.value,
                override.pending and override.value,
                any(v.moving_at(at_s) for v in vents),
            ),
            self._stage,
        )
        self._words = input_registers(self._snapshot, behaviour)


def build(settings: MockSettings, start_s: float, seed: int) -> MockUnit:
    """Build the unit that `settings` describe, powered up at loop time `start_s`.

    The seed moves the phase of faults that hit every n-th of a row; a healthy unit does not depend on it.
    """
    behaviour = behaviour_with(settings.faults)
    travels = {
        name: Travel(
            rate_percent_s=100 / (group.full_travel * behaviour.travel_factor),
            dead_time_s=group.dead_time + behaviour.extra_dead_time_s,
            coast_s=group.coast + behaviour.extra_coast_s,
            stalls_at_percent=None if i else behaviour.stalls_at_percent,
            creep_percent_s=behaviour.creep_percent_s,
            inverted=i == 0 and behaviour.runs_inverted,
        )
        for i, (name, group) in enumerate(settings.vents.items())
    }
    design = Design(
        travels=travels,
        stages={name: (0.0, *(q.value for q in group.stages)) for name, group in settings.vents.items()},
        rule=OverrideRule(
            {name: q.value for name, q in settings.rain.positions.items()}, settings.rain.only_close
        ),
        debounce_s=settings.rain.debounce * behaviour.debounce_factor,
        entry_s=settings.rain.entry_delay,
        release_s=settings.rain.release_delay,
        stage_at_c=tuple(q.value for q in settings.house.stage_at),
        hysteresis_c=settings.house.hysteresis.value,
        temperature_c=settings.house.temperature.value,
        refresh_s=settings.refresh_every * behaviour.refresh_factor,
        behaviour=behaviour,
        phase=seed % _PHASES,
    )
    return MockUnit(design, start_s)
