"""Begin, end, target, stage (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import inf
from typing import TYPE_CHECKING, final

from ventproof_bench.mock.inputs import Lapses
from ventproof_bench.mock.rules.settling import Settling
from ventproof_bench.mock.wind_and_tips import Alarm

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.settings import MockSettings, Positions, WindSettings
    from ventproof_bench.mock.wind_and_tips import Part


@final
@dataclass(frozen=True, slots=True)
class OverrideRule:
    """Where the vents go while the override is active.

    Attributes:
        positions: override position of each vent group, %; groups not named keep to their stage.
        only_close: a vent below its override position stays there; none opens during the override.
    """

    positions: Mapping[str, float]
    only_close: bool


def faulty_rule(rule: OverrideRule, behaviour: Behaviour) -> OverrideRule:
    """Return the rule as a unit of this behaviour carries it out."""
    rule = shifted(rule, behaviour.first_position_shift_percent)
    rule = shifted(rule, behaviour.last_position_shift_percent, group=-1)
    names = list(rule.positions)
    positions = dict(rule.positions)
    if len(names) > 1 and behaviour.positions_swapped:
        positions[names[0]], positions[names[1]] = positions[names[1]], positions[names[0]]
    if names and behaviour.skips_last_vent:
        del positions[names[-1]]
    return OverrideRule(positions, rule.only_close and not behaviour.opens_to_override)


def shifted(rule: OverrideRule, by_percent: float, *, group: int = 0) -> OverrideRule:
    """Return the rule with the position of one vent group, counted as a list's index, moved."""
    names = list(rule.positions)
    if not names or not by_percent:
        return rule
    moved = min(100.0, max(0.0, rule.positions[names[group]] + by_percent))
    return OverrideRule({**rule.positions, names[group]: moved}, rule.only_close)


def override_target(rule: OverrideRule, vent: str, stage_percent: float, ceiling_percent: float) -> float:
    """Return a vent's target during the override, %.

    Args:
        rule: the override.
        vent: name of the vent group.
        stage_percent: position that the ventilation stage calls for.
        ceiling_percent: where the vent stood when the override began, or its last target since then. Feeding
            each target back as the next ceiling is what keeps a vent from opening while it rains.
    """
    if vent not in rule.positions:
        return stage_percent
    if not rule.only_close:
        return rule.positions[vent]
    return min(rule.positions[vent], stage_percent, ceiling_percent)


@final
class Overrides:
    """Every override of the unit; made anew at every start.

    Args:
        settings: of the unit.
        behaviour: what is wrong with it.
        sees_from_s: before this instant no weather is handed to the overrides.
        lapses: what slips the unit's attention.
        stands: says where each vent stands now, %.
        changed: called when an override began or ended.

    Attributes:
        active: those that are active, in the order in which they began.
        delays: the entry and release delay of each.
        parts: what falls due.
    """

    def __init__(
        self,
        settings: MockSettings,
        behaviour: Behaviour,
        sees_from_s: float,
        *,
        lapses: Lapses,
        stands: Callable[[], dict[str, float]],
        changed: Callable[[], None],
    ) -> None:
        self.active: tuple[str, ...] = ()
        self.delays = _delays(settings, behaviour)
        self._behaviour = behaviour
        self._lapses = lapses
        self._order = settings.precedence
        self._latched = settings.latched
        self._wind = settings.wind
        self._stands, self._changed = stands, changed
        self._rules = {name: _rule(override) for name, override in settings.overrides.items()}
        if settings.wind:
            self._rules["gale"] = _gale_rule(settings.wind, frozenset(), behaviour)
        if settings.frost:
            shift = behaviour.frost_position_shift_percent
            self._rules["frost"] = shifted(self._rules["frost"], shift)
        for name in settings.rules:
            self._rules[name] = shifted(self._rules[name], behaviour.rule_position_shift_percent)
        self._rules["rain"] = faulty_rule(self._rules["rain"], behaviour)
        self._ceilings: dict[str, dict[str, float]] = {}
        self._fed: Mapping[str, bool] | None = None
        """What they were handed last; None where they have changed since."""
        self._limits: Mapping[str, Mapping[str, float]] = {}
        self._gives_up, self._sight = Alarm(), Alarm(sees_from_s)
        self.parts: tuple[Part, ...] = (
            *((delay, partial(self._settled, name)) for name, delay in self.delays.items()),
            (self._gives_up, self._give_up),
            (self._sight, self._see),
        )

    def set_rain_delays(self, entry_s: float, release_s: float) -> None:
        """Take other delays of the rain override; one that is already running keeps its length."""
        behaviour, rain = self._behaviour, self.delays["rain"]
        rain.on_s = (entry_s * behaviour.entry_factor + behaviour.entry_extra_s) * behaviour.delay_factor
        rain.off_s = release_s * behaviour.release_factor * behaviour.delay_factor

    def feed(self, demands: Mapping[str, bool], now_s: float) -> None:
        """Hand the overrides what the weather calls for; the same mapping only where that is the same."""
        if self._sight.due_s < inf or demands is self._fed:
            return
        self._fed = demands
        self._lapses.rain(now_s, raining=demands["rain"], gale="gale" in self.active)
        for name, demand in demands.items():
            if not self._unnoticed(name, demand=demand):
                self._lapses.begin(self.delays[name], now_s, state=demand)

    def reset(self) -> None:
        """End the latched overrides whose release delay is over."""
        for name in self.active:
            if name in self._latched and not self.delays[name].value:
                self._end(name)

    def referenced(self) -> None:
        """Take where the vents stand after a reference run: an override that only closes keeps them there."""
        stands = self._stands()
        for name, ceilings in self._ceilings.items():
            self._ceilings[name] = {vent: min(ceiling, stands[vent]) for vent, ceiling in ceilings.items()}

    def turn(self, leeward: frozenset[str]) -> None:
        """Take which vent groups face away from the wind."""
        if self._wind is not None:
            self._rules["gale"] = _gale_rule(self._wind, leeward, self._behaviour)

    def limit(self, limits: Mapping[str, Mapping[str, float]]) -> bool:
        """Take how far each rule lets each vent be open at most, %; returns whether that changes something now."""
        if self._behaviour.limits_only_fall:
            limits = {name: self._fallen(name, now) for name, now in limits.items()}
        changes = any(limits.get(name) != self._limits.get(name) for name in self.active)
        self._limits = limits
        return changes

    def _fallen(self, name: str, limits: Mapping[str, float]) -> Mapping[str, float]:
        """Return limits that are no higher than they were while the rule has been active: a fault."""
        if name not in self.active:
            return limits
        before = self._limits.get(name, limits)
        return {vent: min(limit, before[vent]) for vent, limit in limits.items()}

    def target(self, vent: str, stage_percent: float) -> float:
        """Return a vent's target, %, from the position that its stage calls for and the active overrides."""
        limits = [its[vent] for name in self.active if vent in (its := self._limits.get(name, {}))]
        deciding = [name for name in self._ranked() if vent in self._rules[name].positions]
        if not deciding:
            return min([stage_percent, *limits])
        if self._order is not None or self._behaviour.last_override_wins:
            del deciding[1:]
        positions = [
            override_target(self._rules[name], vent, stage_percent, self._ceilings[name][vent])
            for name in deciding
        ]
        target = min([*positions, *limits])
        # Of every active override, whoever decided: one that only closes opens nothing while it lasts.
        for ceilings in self._ceilings.values():
            ceilings[vent] = target
        return target

    def _ranked(self) -> Iterable[str]:
        if self._behaviour.last_override_wins:
            return reversed(self.active)
        return [name for name in self._order or self.active if name in self.active]

    def _unnoticed(self, name: str, *, demand: bool) -> bool:
        """Return whether what the weather calls for is not noticed: a fault."""
        delay, behaviour = self.delays[name], self._behaviour
        if delay.value and not demand:
            return name in behaviour.latched
        if name != "rain":
            return False
        if delay.value:
            return delay.pending and behaviour.release_survives_closing
        return self._lapses.missed if demand else behaviour.entry_survives_opening

    def _settled(self, name: str) -> None:
        delay = self.delays[name]
        now_s = delay.due_s
        delay.fire()
        self._fed = None
        if not delay.value:
            if name not in self._latched:
                self._end(name)
            return
        if name in self.active:  # latched, and not reset since
            return
        if self.active and self._behaviour.drops_second_override:
            return
        if name == "rain" and self._behaviour.gives_up_after_s is not None:
            self._gives_up.due_s = now_s + self._behaviour.gives_up_after_s
        self.active = (*self.active, name)
        self._ceilings[name] = self._stands()
        self._changed()

    def _end(self, name: str) -> None:
        if name == "rain":
            self._gives_up.due_s = inf
        ended = self.active if self._behaviour.release_drops_others else (name,)
        self.active = tuple(other for other in self.active if other not in ended)
        for other in ended:
            self._ceilings.pop(other, None)
        self._changed()

    def _give_up(self) -> None:
        self._end("rain")

    def _see(self) -> None:
        self._sight.due_s = inf


def _delays(settings: MockSettings, behaviour: Behaviour) -> dict[str, Settling]:
    """Return the entry and release delay of each override."""
    delays = {"rain": Settling(settings.rain.entry_delay, settings.rain.release_delay)}
    if gale := settings.wind:
        delays["gale"] = Settling(gale.entry_delay, gale.release_delay * behaviour.gale_release_factor)
    if frost := settings.frost:
        delays["frost"] = Settling(frost.entry_delay * behaviour.frost_entry_factor, frost.release_delay)
    if settings.sensors.failure is not None:
        delays["failure"] = Settling(0.0, 0.0)
    for name, rule in settings.rules.items():
        entry_s = rule.entry_delay * behaviour.rule_entry_factor
        delays[name] = Settling(entry_s, rule.release_delay * behaviour.rule_release_factor)
    for delay in delays.values():
        delay.on_s *= behaviour.delay_factor
        delay.off_s *= behaviour.delay_factor
    return delays


def _rule(override: Positions) -> OverrideRule:
    return OverrideRule({name: q.value for name, q in override.positions.items()}, override.only_close)


def _gale_rule(wind: WindSettings, leeward: frozenset[str], behaviour: Behaviour) -> OverrideRule:
    lee = {name: q.value for name, q in wind.leeward.items() if name in leeward}
    rule = OverrideRule({**_rule(wind).positions, **lee}, wind.only_close)
    return shifted(rule, behaviour.gale_position_shift_percent)


_GRID_DECIMALS = 9  # tenths of a degree are not exact in binary: 22 - 0.3 and 217 / 10 must compare equal


def next_stage(stage: int, temperature_c: float, stage_at_c: Sequence[float], hysteresis_c: float) -> int:
    """Return the stage that follows `stage` at a house temperature, °C.

    Stage n begins at `stage_at_c[n - 1]`, rising, and ends `hysteresis_c` below that, both limits inclusive;
    with no hysteresis it ends just below where it began.
    """
    temperature_c = round(temperature_c, _GRID_DECIMALS)
    while stage < len(stage_at_c) and temperature_c >= stage_at_c[stage]:
        stage += 1
    while stage and temperature_c <= round(stage_at_c[stage - 1] - hysteresis_c, _GRID_DECIMALS):
        if temperature_c >= stage_at_c[stage - 1]:
            break
        stage -= 1
    return stage
