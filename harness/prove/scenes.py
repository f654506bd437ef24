"""The stories that are drafted of an override table: each override alone, at its edges, and what fails (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.overridetable.model import (
    ContactCondition,
    FailedCondition,
    LevelCondition,
    RainfallCondition,
    WindCondition,
    output_of,
)
from bench.units import canonical_symbol
from harness.prove.changes import Change
from harness.prove.scenario import Phase, Scenario
from harness.prove.strokes import (
    Stroke,
    begun,
    close,
    ended,
    just_beyond,
    just_lasting,
    just_over,
    lag_s,
    none,
    number,
    open_,
    plain,
    playable,
    played,
    short_of,
    turned,
)

if TYPE_CHECKING:
    from bench.overridetable.model import Condition, OverrideTable, TableOverride
    from harness.prove.margins import Margins

Threshold = WindCondition | RainfallCondition | LevelCondition
LONGEST_WAIT_S: Final = 1800.0
"""A condition that takes longer to come about is left to a person."""
_OPPOSITE: Final = 180.0


@final
@dataclass(frozen=True, slots=True)
class Scenes:
    """Writes the stories of one table for one bench."""

    table: OverrideTable
    margins: Margins

    def all(self) -> Iterator[Scenario]:
        """Yield every story, those of one override together."""
        for name, override in self.table.overrides.items():
            for condition in self.conditions(name):
                yield from self._of_condition(name, override, condition)
            if override.leeward:
                yield from self._leeward(name, override)
        yield from self._supply()

    def conditions(self, name: str) -> list[Condition]:
        """Return the conditions of an override that the bench can bring about."""
        override = self.table.overrides[name]
        return [c for c in override.when if playable(self.table, c, LONGEST_WAIT_S)]

    def story(
        self,
        file: str,
        *,
        title: str,
        about: str,
        overrides: tuple[str, ...],
        phases: tuple[Phase, ...],
        proves: tuple[str, ...],
    ) -> Scenario:
        """Return a story with what it needs to begin with: levels at which no override is active, wind from ahead."""
        strokes = [stroke for phase in phases for _, stroke in phase.strokes]
        writes: dict[str, str] = {}
        for stroke in strokes:
            if stroke.need not in {"contact", "°"}:
                writes[stroke.output] = self._calm(stroke.output)
        before: tuple[Change, ...] = ()
        if self.table.direction and any(stroke.output == self.table.direction for stroke in strokes):
            faces = next(v.faces for v in self.table.vents.values() if v.faces is not None)
            writes[self.table.direction] = f"{number(faces)} °"
            before = (Change(0.0, "direction", "", faces),)
        failing = {c.name for stroke in strokes for c in stroke.changes if c.kind == "failed"}
        sensors = tuple(name for name in self.table.sensors if name in failing)
        return Scenario(
            file=file,
            title=title,
            about=about,
            overrides=overrides,
            phases=phases,
            proves=(*proves, *(f"vents.{vent}" for vent in self._moved(overrides))),
            sensors=sensors,
            writes=writes,
            before=before,
        )

    def _moved(self, overrides: tuple[str, ...]) -> list[str]:
        moved = {vent for name in overrides for vent in self.table.overrides[name].positions}
        return [vent for vent in self.table.vents if vent in moved]

    def _calm(self, output: str) -> str:
        sensor = self.table.sensors.get(output)
        if sensor is not None and sensor.good is not None:
            return f"{number(sensor.good.value)} {canonical_symbol(sensor.good.dimension)}"
        conditions = (c for override in self.table.overrides.values() for c in override.when)
        condition = next(c for c in conditions if isinstance(c, LevelCondition) and c.level == output)
        return f"{number(none(self.table, condition))} {canonical_symbol(condition.begins_at.dimension)}"

    # one override

    def _of_condition(self, name: str, override: TableOverride, condition: Condition) -> Iterator[Scenario]:
        if isinstance(condition, FailedCondition):
            for how in self.table.sensors[condition.failed].how:
                yield self._failure(name, override, condition, how)
            return
        yield self._course(name, override, condition)
        if isinstance(condition, WindCondition | RainfallCondition | LevelCondition):
            yield self._edges(name, override, condition)
        if isinstance(condition, ContactCondition):
            yield from self._bounces(name, override, condition)
        if isinstance(condition, ContactCondition | LevelCondition):
            yield from self._delays(name, override, condition)

    def _course(self, name: str, override: TableOverride, condition: Condition) -> Scenario:
        begins, ends = begun(self.table, condition), ended(self.table, condition)
        output = str(output_of(condition))
        about = (
            f"The house is warm and every vent stands open. Then: {begins.about}. The {plain(name)} override must begin"
            f" after its entry delay, and the vents must go to their positions in time and stay there. When the"
            f" condition is over they wait for the release delay, and only then open again."
        )
        proves = (f"{name}.{output}", f"{name}.entry_delay", f"{name}.release_delay", *self._positions(name))
        phases = (self.phase(begins), *self._ending(name, override, ends))
        if override.latched:
            proves = (*proves, f"{name}.latched")
        title = f"{_by(name, output)} begins, holds and lets go"
        return self.story(
            f"{name}-by-{output}", title=title, about=about, overrides=(name,), phases=phases, proves=proves
        )

    def _ending(self, name: str, override: TableOverride, ends: Stroke) -> tuple[Phase, ...]:
        """Return how an override ends: by itself, or by a reset."""
        if not override.latched or self.table.reset is None:
            return (self.phase(ends),)
        watch_s = override.release_delay + override.delays_within + 5
        keeps = Phase(ends.about, ((0.0, ends),), watch_s, f"{plain(name)} is latched")
        return keeps, self.reset()

    def _positions(self, name: str) -> tuple[str, ...]:
        return tuple(f"{name}.positions.{vent}" for vent in self.table.overrides[name].positions)

    def _edges(self, name: str, override: TableOverride, condition: Threshold) -> Scenario:
        output = str(output_of(condition))
        slow_s = lag_s(condition) + override.delays_within + 5
        begins, ends = condition.begins_at, condition.ends_at
        near, far = ("below", "above") if condition.rising else ("above", "below")
        about = (
            f"The {plain(name)} override begins at {begins} and lasts to {ends}, where the unit may be off by"
            f" {condition.accuracy}. Just short of the threshold nothing may happen; just beyond it the override must"
            f" begin. It must last until the value is back past {ends}, and end just beyond that."
        )

        def step(value: float, title: str, watch_s: float, why: str, *, lasts: bool = False) -> Phase:
            return Phase(title, ((0.0, played(condition, value, lasts=lasts)),), watch_s, why)

        phases: tuple[Phase, ...] = (
            step(
                short_of(condition),
                f"just {near} {begins}",
                slow_s + override.entry_delay,
                f"the threshold is {begins}",
            ),
            step(just_beyond(condition), f"just {far} {begins}", 10.0, ""),
            step(
                just_lasting(condition),
                f"just {far} {ends}",
                slow_s + override.release_delay,
                f"it lasts to {ends}",
                lasts=True,
            ),
        )
        if not override.latched:
            phases = (*phases, step(just_over(condition), f"just {near} {ends}", 10.0, ""))
        proves = (f"{name}.{output}", f"{name}.{output}.ends_at")
        title = f"{_by(name, output)}, at the edges of its hysteresis"
        return self.story(
            f"{name}-edges-of-{output}",
            title=title,
            about=about,
            overrides=(name,),
            phases=phases,
            proves=proves,
        )

    def _bounces(self, name: str, override: TableOverride, condition: ContactCondition) -> Iterator[Scenario]:
        short_s = round(condition.debounce / 2, 3)
        if not short_s or short_s < self.margins.fastest_edge_s(condition.contact):
            return
        pause_s = round(2 * condition.debounce, 3)
        times = 10
        changes = tuple(
            Change(k * (short_s + pause_s) + after_s, "contact", condition.contact, closed)
            for k in range(times)
            for after_s, closed in ((0.0, 1.0), (short_s, 0.0))
        )
        says = (
            f"pulse: {condition.contact}, times: {times}, closed_for: {number(1000 * short_s)} ms,"
            f" open_for: {number(1000 * pause_s)} ms"
        )
        stroke = Stroke(says, changes, f"contact {plain(condition.contact)} bounces", condition.contact)
        watch_s = override.entry_delay + override.delays_within + 5
        about = (
            f"A contact bounces: it closes {times} times for {number(1000 * short_s)} ms. The unit must not believe a"
            f" state that lasts less than {number(1000 * condition.debounce)} ms."
        )
        phase = Phase(stroke.about, ((0.0, stroke),), watch_s, "bounce is no weather")
        title = f"bounce of {plain(condition.contact)} is ignored"
        proves = (f"{name}.{condition.contact}.debounce",)
        yield self.story(
            f"{name}-bounce-of-{condition.contact}",
            title=title,
            about=about,
            overrides=(name,),
            phases=(phase,),
            proves=proves,
        )

    def _delays(self, name: str, override: TableOverride, condition: Condition) -> Iterator[Scenario]:
        """Yield what is a little shorter than a delay, and what is a little longer."""
        lag, flag = lag_s(condition), override.flag
        signal = flag or next(iter(self.table.vents.values())).signal
        by_s = override.delays_within + lag + self.margins.late_s(signal)
        short_in_s, short_out_s = override.entry_delay - by_s, override.release_delay - by_s
        output = str(output_of(condition))
        begins, ends = begun(self.table, condition), ended(self.table, condition)
        phases: list[Phase] = []
        proves: list[str] = []
        if short_in_s >= lag + self.margins.late_s(signal):
            blip = (begins, (_tenth(short_in_s), ends))
            watch_s = _tenth(short_in_s) + override.entry_delay + by_s + 5
            title = f"{begins.about}, for less than the entry delay"
            why = f"the entry delay is {number(override.entry_delay)} s"
            phases.append(Phase(title, ((0.0, blip[0]), blip[1]), watch_s, why))
            proves.append(f"{name}.entry_delay")
        phases.append(self.phase(begins))
        if short_out_s >= lag + self.margins.late_s(signal):
            watch_s = _tenth(short_out_s) + override.release_delay + by_s + 5
            title = f"{ends.about}, for less than the release delay"
            why = f"the release delay is {number(override.release_delay)} s and begins anew"
            phases.append(Phase(title, ((0.0, ends), (_tenth(short_out_s), begins)), watch_s, why))
            proves.append(f"{name}.release_delay")
        if not proves:
            return
        about = (
            f"Weather that comes for less than the entry delay must move nothing, and a pause that is shorter than the"
            f" release delay must not open the vents: the {plain(name)} override waits for its delays to the end, and"
            f" counts them anew."
        )
        phases.extend(self._ending(name, override, ends))
        title = f"{_by(name, output)}, shorter than its delays"
        yield self.story(
            f"{name}-delays-of-{output}",
            title=title,
            about=about,
            overrides=(name,),
            phases=tuple(phases),
            proves=tuple(proves),
        )

    def _failure(self, name: str, override: TableOverride, condition: FailedCondition, how: str) -> Scenario:
        sensor = condition.failed
        fails, mends = begun(self.table, condition, how=how), ended(self.table, condition)
        about = (
            f"What {plain(sensor)} shows while {fails.about} is no weather. The unit must notice it in time and take it"
            f" for {plain(name)}; once the sensor is mended it must trust it again, but not at once, and the vents open"
            f" after the release delay."
        )
        proves = (
            f"{name}.{sensor}.failed",
            f"{name}.entry_delay",
            f"{name}.release_delay",
            f"sensors.{sensor}.{how}",
            f"sensors.{sensor}.fails_after",
            f"sensors.{sensor}.mends_after",
            *self._positions(name),
        )
        phases = (self.phase(fails), *self._ending(name, override, mends))
        return self.story(
            f"{name}-{sensor}-fails-{how}",
            title=f"{plain(sensor)} fails: {how}",
            about=about,
            overrides=(name,),
            phases=phases,
            proves=proves,
        )

    def _leeward(self, name: str, override: TableOverride) -> Iterator[Scenario]:
        conditions = self.conditions(name)
        if self.table.direction is None or not conditions:
            return
        for vent in override.leeward:
            faces = self.table.vents[vent].faces
            assert faces is not None, "loading sees to it"
            begins, ends = begun(self.table, conditions[0]), ended(self.table, conditions[0])
            behind = turned(self.table.direction, (faces + _OPPOSITE) % (2 * _OPPOSITE))
            ahead = turned(self.table.direction, faces)
            about = (
                f"Vent {plain(vent)} opens away from the wind. In {plain(name)} it may stand further open than to"
                f" windward; when the wind turns it must close as far as the other side must."
            )
            phases = (
                Phase(f"{begins.about}, from behind", ((0.0, behind), (1.0, begins))),
                self.phase(ahead),
                *self._ending(name, override, ends),
            )
            yield self.story(
                f"{name}-leeward-{vent}",
                title=f"{plain(name)} on the lee side of {plain(vent)}",
                about=about,
                overrides=(name,),
                phases=phases,
                proves=(f"{name}.leeward.{vent}", f"{name}.positions.{vent}"),
            )

    # supply

    def _supply(self) -> Iterator[Scenario]:
        supply = self.table.supply
        name = next((n for n in self.table.overrides if self.conditions(n)), None)
        if supply is None or name is None:
            return
        condition = self.conditions(name)[0]
        override = self.table.overrides[name]
        away_s = 10.0 + supply.rides_through
        lost = ((0.0, open_(supply.contact)), (away_s, close(supply.contact)))
        boots_s = away_s + supply.boots_for + supply.delays_within
        flags = (
            tuple(
                (override.flag, f"equals: on, within: {number(round(boots_s + condition_s, 1))} s")
                for condition_s in (
                    override.entry_delay
                    + override.delays_within
                    + lag_s(condition)
                    + self.margins.late_s(override.flag or ""),
                )
            )
            if override.flag
            else ()
        )
        begins, ends = begun(self.table, condition), ended(self.table, condition)
        about = (
            f"The unit loses its supply while {begins.about}, and gets it back. It must find the weather again by"
            f" itself before it opens a vent."
        )
        phases = (
            self.phase(begins),
            Phase("the supply goes for ten seconds and comes back", lost, also=flags),
            *self._ending(name, override, ends),
        )
        proves = ("supply.boots_for", "supply.restart", f"{name}.entry_delay")
        yield self.story(
            f"supply-lost-in-{name}",
            title=f"the supply is lost in {plain(name)}",
            about=about,
            overrides=(name,),
            phases=phases,
            proves=proves,
        )

    def reset(self) -> Phase:
        """Return the reset of latched overrides."""
        assert self.table.reset is not None, "loading sees to it"
        return Phase("reset", ((0.0, close(self.table.reset)), (1.0, open_(self.table.reset))))

    def phase(self, stroke: Stroke, watch_s: float = 10.0, why: str = "") -> Phase:
        """Return a phase of one stimulus, named after it."""
        return Phase(stroke.about, ((0.0, stroke),), watch_s, why)


def _tenth(span_s: float) -> float:
    return int(span_s * 10) / 10


def _by(name: str, output: str) -> str:
    return plain(name) if name == output else f"{plain(name)} by {plain(output)}"
