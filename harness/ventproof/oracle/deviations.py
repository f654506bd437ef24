"""Units that keep to a table in everything but one line: what a proof of that line must tell apart (pure).

To prove a line of an override table a test must go to the line's edge. How near that is, these units say: each has one
line off by as little as counts, in one direction, and exactly so.

- A threshold, or the far end of its hysteresis: by twice the table's `accuracy`, higher and lower; so a value must be
  played within that on either side. Where the accuracy is nothing: by a fifth of the hysteresis.
- A time (delay, silence, time to fail or recover, boot): by four times the table's `delay_tolerance`, one second and a
  fifth of the time itself, longer and shorter; shorter than nothing is nothing.
- A position: by twice the vent's `tolerance` and 1 %, further open and further closed.
- A travel: a quarter slower than the slowest that is right, a quarter faster than the fastest.
- A mean: none, and one over a longer time. A debounce: none.
- Conditions that must hold together: each alone enough, and all together not.
- Whatever is there or not (a contact, a failure or another override that counts, the state in which a contact does, a
  failure that is noticed, `only_close`, `latched`, the way of a restart): the other way.
- A limit: by twice the vent's `tolerance`, 1 % and what the `accuracy` of the wind or the rain makes of it, at either
  end; and one that does not fall. What limits fall between: by a quarter of its span, lower and higher.
- The dead band of the sides: none, and twice as wide.
- Precedence of two overrides: every other order in which some vent would go elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, final

from ventproof.table.lines import condition_names, joint_names, shared, span_said
from ventproof.table.model import (
    ActiveCondition,
    BusSilentCondition,
    ContactCondition,
    JoinedCondition,
    OverrideTable,
    PlacedCondition,
    TableOverride,
    ThresholdCondition,
    WindCondition,
    output_of,
)
from ventproof_bench.base.quantities import Quantity, canonical_symbol

if TYPE_CHECKING:
    from ventproof.table.model import Alternative, Condition, TableSensor, TableVent


_LEAST_S: Final = 1.0
_SHARE: Final = 0.2
_TRAVEL_SHARE: Final = 0.25
_LEAST_PERCENT: Final = 1.0
_SPAN_SHARE: Final = 0.25
_FULL_PERCENT: Final = 100.0


@final
@dataclass(frozen=True, slots=True)
class Deviation:
    """A unit that has one line of a table otherwise.

    Attributes:
        line: the line's name.
        says: what the unit does, in words.
        table: the table that it keeps to.
        unnoticed: a sensor, and how it fails without the unit's noticing; None for none.
    """

    line: str
    says: str
    table: OverrideTable
    unnoticed: tuple[str, str] | None = None


def deviations(table: OverrideTable) -> Iterator[Deviation]:
    """Yield the units of every line of a table."""
    for name, vent in table.vents.items():
        yield from _of_vent(table, name, vent)
    for name, sensor in table.sensors.items():
        yield from _of_sensor(table, name, sensor)
    for name, override in table.overrides.items():
        yield from _of_joint(table, name, override)
        for its, placed in zip(condition_names(override), override.placed, strict=True):
            yield from _of_condition(table, name, f"{name}.{its}", placed)
        yield from _of_override(table, name, override)
    yield from _of_precedence(table)
    yield from _of_sides(table)
    yield from _of_supply(table)


def off_by_s(span_s: float, within_s: float) -> float:
    """Return by how much a time must be off to count, seconds, where it may be off by `within_s`."""
    return 4 * within_s + _LEAST_S + _SHARE * span_s


def off_by(condition: ThresholdCondition) -> float:
    """Return by how much a threshold must be off to count, in its canonical unit."""
    apart = abs(condition.begins_at.value - condition.ends_at.value)
    return 2 * condition.accuracy.value or _SHARE * apart


def _changed(table: OverrideTable, part: str, name: str, **its: Any) -> OverrideTable:  # noqa: ANN401 - fields of a model
    parts = getattr(table, part)
    return table.model_copy(update={part: {**parts, name: parts[name].model_copy(update=its)}})


def _conditioned(
    table: OverrideTable, name: str, placed: PlacedCondition, condition: Condition | None = None
) -> OverrideTable:
    """Return a table in which an override has another condition, or lacks one."""
    other = [] if condition is None else [condition]
    alternative = table.overrides[name].when[placed.alternative]
    if not isinstance(alternative, JoinedCondition):
        return _instead(table, name, placed.alternative, other)
    parts = list(alternative.all)
    assert placed.part is not None, "it stands among others"
    parts[placed.part : placed.part + 1] = other
    joined = alternative.model_copy(update={"all": parts})
    return _instead(table, name, placed.alternative, [joined])


def _instead(table: OverrideTable, name: str, number: int, others: Sequence[Alternative]) -> OverrideTable:
    """Return a table in which others stand for one alternative of an override."""
    when = list(table.overrides[name].when)
    when[number : number + 1] = others
    return _changed(table, "overrides", name, when=when)


def _moved(said: Quantity, by: float) -> Quantity:
    value = round(said.value + by, 9)
    return Quantity(value, said.dimension, f"{value:g} {canonical_symbol(said.dimension)}")


def _around(span_s: float, within_s: float) -> Iterator[float]:
    by_s = off_by_s(span_s, within_s)
    yield span_s + by_s
    if span_s > 0:
        yield max(0.0, span_s - by_s)


def _of_vent(table: OverrideTable, name: str, vent: TableVent) -> Iterator[Deviation]:
    shortest_s, longest_s = vent.full_travel
    for span_s in (longest_s * (1 + _TRAVEL_SHARE), shortest_s * (1 - _TRAVEL_SHARE)):
        deviating = _changed(table, "vents", name, full_travel=(span_s, span_s))
        yield Deviation(f"vents.{name}", f"vent {name} travels in {span_said(span_s)}", deviating)


def _of_sensor(table: OverrideTable, name: str, sensor: TableSensor) -> Iterator[Deviation]:
    for mode in sensor.modes:
        line, says = f"sensors.{name}.{mode}", f"{name} that fails {mode!r} is not noticed"
        yield Deviation(line, says, table, (name, mode))
    for key, what in (("fails_after", "counts as failed"), ("recovers_after", "is trusted again")):
        for span_s in _around(getattr(sensor, key), sensor.delay_tolerance):
            deviating = _changed(table, "sensors", name, **{key: span_s, "delay_tolerance": 0.0})
            yield Deviation(f"sensors.{name}.{key}", f"{name} {what} after {span_said(span_s)}", deviating)


def _of_joint(table: OverrideTable, name: str, override: TableOverride) -> Iterator[Deviation]:
    for number, its in joint_names(override).items():
        joint, line = override.when[number], f"{name}.{its}"
        assert isinstance(joint, JoinedCondition), "its name says so"
        never = f"{name} does not begin when all of these hold"
        yield Deviation(line, never, _instead(table, name, number, []))
        alone = f"{name} begins when one of these holds"
        yield Deviation(line, alone, _instead(table, name, number, joint.all))


def _of_condition(table: OverrideTable, name: str, line: str, placed: PlacedCondition) -> Iterator[Deviation]:
    condition = placed.condition
    if isinstance(condition, ThresholdCondition):
        yield from _of_threshold(table, name, line, placed)
        return
    if isinstance(condition, BusSilentCondition):
        for span_s in _around(condition.bus_silent, table.overrides[name].delay_tolerance):
            silent = condition.model_copy(update={"bus_silent": span_s})
            says = f"{name} begins when the bus is silent for {span_said(span_s)}"
            yield Deviation(line, says, _conditioned(table, name, placed, silent))
        return
    whose = f"override {condition.active}" if isinstance(condition, ActiveCondition) else output_of(condition)
    yield Deviation(line, f"{name} takes no notice of {whose}", _conditioned(table, name, placed))
    if not isinstance(condition, ContactCondition):
        return
    if condition.state == "open":
        closed = condition.model_copy(update={"state": "closed"})
        says = f"{condition.contact} counts when it is closed"
        yield Deviation(line, says, _conditioned(table, name, placed, closed))
    if condition.debounce:
        bare = condition.model_copy(update={"debounce": 0.0})
        says = f"{condition.contact} counts at once"
        yield Deviation(f"{line}.debounce", says, _conditioned(table, name, placed, bare))


def _of_threshold(table: OverrideTable, name: str, line: str, placed: PlacedCondition) -> Iterator[Deviation]:
    condition = placed.condition
    assert isinstance(condition, ThresholdCondition), "whoever asks sees to it"
    sign, by, output = 1 if condition.rising else -1, off_by(condition), output_of(condition)
    begins, ends = condition.begins_at, condition.ends_at
    apart = abs(begins.value - ends.value)
    exact = condition.model_copy(update={"accuracy": _moved(condition.accuracy, -condition.accuracy.value)})
    # One does not come to lie beyond the other.
    for step in (by, -min(by, apart)):
        at = _moved(begins, sign * step)
        other = exact.model_copy(update={"above" if condition.rising else "below": at})
        side = "above" if condition.rising else "below"
        says = f"{name} begins {side} {at} of {output}"
        yield Deviation(line, says, _conditioned(table, name, placed, other))
    for step in (min(by, apart), -by):
        at = _moved(ends, sign * step)
        other = exact.model_copy(update={"ends_at": at})
        says = f"{name} lasts to {at} of {output}"
        yield Deviation(f"{line}.ends_at", says, _conditioned(table, name, placed, other))
    if isinstance(condition, WindCondition):
        yield from _of_mean(table, name, line, placed, condition)


def _of_mean(
    table: OverrideTable, name: str, line: str, placed: PlacedCondition, condition: WindCondition
) -> Iterator[Deviation]:
    over_s = condition.averaged_over
    for span_s in (over_s + off_by_s(over_s, table.overrides[name].delay_tolerance), 0.0):
        other = condition.model_copy(update={"averaged_over": span_s})
        says = f"{condition.wind} is averaged over {span_said(span_s)}"
        yield Deviation(f"{line}.averaged_over", says, _conditioned(table, name, placed, other))


def _of_override(table: OverrideTable, name: str, override: TableOverride) -> Iterator[Deviation]:
    for key, word in (("entry_delay", "begins"), ("release_delay", "ends")):
        for span_s in _around(getattr(override, key), override.delay_tolerance):
            deviating = _changed(table, "overrides", name, **{key: span_s, "delay_tolerance": 0.0})
            yield Deviation(f"{name}.{key}", f"{name} {word} after {span_said(span_s)}", deviating)
    if override.flag_while_active == "off":
        deviating = _changed(table, "overrides", name, flag_while_active="on")
        says = f"{override.flag} is on while {name} is active"
        yield Deviation(f"{name}.flag_while_active", says, deviating)
    for key, where in (("positions", ""), ("leeward", " on the lee side")):
        positions: dict[str, Quantity] = getattr(override, key)
        for vent, position in positions.items():
            by = 2 * table.vents[vent].tolerance.value + _LEAST_PERCENT
            for at in (_moved(position, by), _moved(position, -by)):
                if 0 <= at.value <= _FULL_PERCENT:
                    deviating = _changed(table, "overrides", name, **{key: {**positions, vent: at}})
                    yield Deviation(f"{name}.{key}.{vent}", f"{name} sends {vent} to {at}{where}", deviating)
    yield from _of_limits(table, name, override)
    if override.positions:
        deviating = _changed(table, "overrides", name, only_close=not override.only_close)
        opens = "vents" if override.only_close else "no vent"
        yield Deviation(f"{name}.only_close", f"{name} opens {opens}", deviating)
    if override.latched:
        deviating = _changed(table, "overrides", name, latched=False)
        yield Deviation(f"{name}.latched", f"{name} ends by itself", deviating)


def _of_limits(table: OverrideTable, name: str, override: TableOverride) -> Iterator[Deviation]:
    if override.fall_between is None:
        return
    begin, end = override.fall_between
    span = end.value - begin.value
    for vent, (first, last) in override.limits.items():
        unsure = override.measures.accuracy.value / span * (first.value - last.value)
        by = 2 * (table.vents[vent].tolerance.value + unsure) + _LEAST_PERCENT
        opens = table.vents[vent].open.value
        others = [(_moved(first, step), last) for step in (by, -by)]
        others += [(first, _moved(last, step)) for step in (by, -by)]
        for its in (*others, (first, first)):
            if all(0 <= at.value <= _FULL_PERCENT for at in its) and min(its[0].value, first.value) < opens:
                deviating = _changed(table, "overrides", name, limits={**override.limits, vent: its})
                says = f"{name} limits {vent} to {its[0]} up to {begin}, and to {its[1]} at {end}"
                yield Deviation(f"{name}.limits.{vent}", says, deviating)
    for by in (_SPAN_SHARE * span, -_SPAN_SHARE * span):
        moved = _moved(begin, by), _moved(end, by)
        deviating = _changed(table, "overrides", name, fall_between=moved)
        yield Deviation(
            f"{name}.fall_between", f"the limits of {name} fall from {moved[0]} to {moved[1]}", deviating
        )


def _of_sides(table: OverrideTable) -> Iterator[Deviation]:
    sides = table.sides
    band = sides.dead_band
    for times in (0, 2) if band.value else ():
        other = sides.model_copy(update={"dead_band": _moved(band, (times - 1) * band.value)})
        says = f"a vent changes its side {other.dead_band} past 90 degrees from the wind"
        yield Deviation("sides.dead_band", says, table.model_copy(update={"sides": other}))
    for span_s in _around(sides.settles_after, sides.delay_tolerance) if sides.settles_after else ():
        other = sides.model_copy(update={"settles_after": span_s, "delay_tolerance": 0.0})
        says = f"a vent changes its side after {span_said(span_s)}"
        yield Deviation("sides.settles_after", says, table.model_copy(update={"sides": other}))


def _of_precedence(table: OverrideTable) -> Iterator[Deviation]:
    names = list(table.overrides)
    for place, one in enumerate(names):
        for other in names[place + 1 :]:
            if not shared(table, one, other):
                continue
            for first, second in ((one, other), (other, one)):
                if _would_differ(table, first, second):
                    ranks = [first, second, *(name for name in names if name not in {one, other})]
                    deviating = table.model_copy(update={"precedence": ranks})
                    says = f"{first} decides, whatever {second} says"
                    yield Deviation(f"precedence.{one}.{other}", says, deviating)


def _would_differ(table: OverrideTable, first: str, second: str) -> bool:
    """Return whether some vent would go elsewhere if the one override always decided over the other."""
    mine, theirs = (table.overrides[name].positions for name in (first, second))
    vents = [vent for vent in mine if vent in theirs]
    if table.ranks is None:
        return any(mine[vent].value > theirs[vent].value for vent in vents)
    rank = {name: place for place, names in enumerate(table.ranks) for name in names}
    return rank[second] < rank[first] and any(mine[vent].value != theirs[vent].value for vent in vents)


def _of_supply(table: OverrideTable) -> Iterator[Deviation]:
    supply = table.supply
    if supply is None:
        return
    longer_s = supply.boots_for + off_by_s(supply.boots_for, supply.delay_tolerance)
    other = "resume" if supply.restart == "reference" else "reference"
    for key, its, says in (
        ("rides_through", 0.0, "every interruption of the supply is felt"),
        ("boots_for", longer_s, f"the unit acts {span_said(longer_s)} after its supply is back"),
        ("restart", other, f"it restarts with {other!r}"),
    ):
        update = {key: its} | ({} if key == "restart" else {"delay_tolerance": 0.0})
        deviating = table.model_copy(update={"supply": supply.model_copy(update=update)})
        yield Deviation(f"supply.{key}", says, deviating)
