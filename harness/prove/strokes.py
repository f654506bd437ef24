"""How the bench brings a condition of a table about and ends it: what a profile says, what it changes (pure)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from bench.overridetable.model import (
    ContactCondition,
    FailedCondition,
    LevelCondition,
    RainfallCondition,
    ThresholdCondition,
    WindCondition,
)
from bench.units import canonical_symbol
from harness.prove.changes import Change

if TYPE_CHECKING:
    from bench.overridetable.model import Condition, OverrideTable

PULSES_LATE_S: Final = 1.0
"""Cups that begin to turn otherwise show it so much later: the time to the next pulses."""
_BEYOND: Final = 1.25
"""Of the accuracy: how far beyond it a value lies that the unit must tell from its threshold."""
_RAINS_FOR: Final = "3 h"
READ_BEFORE_S: Final = 10.0
"""Idle time ends so long after reading began again, see `harness.profile.stimulus.Idle`."""
_HOUR_S: Final = 3600
_ASKED_LATE_S: Final = 2.0
"""A round of reading that goes on, or a time-out, when it should be silent or asked."""


@final
@dataclass(frozen=True, slots=True)
class Stroke:
    """One stimulus: its words in a profile, and the changes that it makes, counted from itself.

    Attributes:
        says: keys and values, without `at` and `label`.
        changes: what it changes.
        about: in words, for a step's name.
        output: the output that it acts on; empty for time in which nobody asks the unit anything.
        need: what the profile needs that output to be: `contact`, or a unit.
    """

    says: str
    changes: tuple[Change, ...]
    about: str
    output: str
    need: str = "contact"

    def at(self, t_s: float) -> list[Change]:
        """Return its changes for an instant, seconds."""
        return [replace(change, at_s=change.at_s + t_s) for change in self.changes]


def plain(name: str) -> str:
    """Return a name as a person says it: `outside_temperature` becomes `outside temperature`."""
    return name.replace("_", " ")


def number(value: float) -> str:
    """Return a number without needless digits."""
    return f"{round(value, 6):.8g}"


def playable(table: OverrideTable, condition: Condition, longest_s: float) -> bool:
    """Return whether a bench can bring a condition about, in no more than this time."""
    if isinstance(condition, FailedCondition):
        return table.sensors[condition.failed].fails_after <= longest_s
    return isinstance(condition, ContactCondition | ThresholdCondition)


def begun(
    table: OverrideTable, condition: Condition, *, value: float | None = None, how: str = "open"
) -> Stroke:
    """Return what brings a condition about, strongly unless a value is given."""
    match condition:
        case ContactCondition(contact=name):
            return close(name)
        case FailedCondition(failed=name):
            said = {
                "open": "the wire of {} breaks",
                "short": "the wires of {} touch",
                "stuck": "{} stays as it is",
            }
            change = Change(0.0, "failed", name, 1.0)
            about = said[how].format(f"the {plain(name)}")
            return Stroke(f"fail: {name}, how: {how}", (change,), about, name, _need(table, name))
        case ThresholdCondition():
            return played(condition, strong(condition) if value is None else value)
    raise AssertionError(f"{condition!r} cannot be played")


def ended(table: OverrideTable, condition: Condition) -> Stroke:
    """Return what ends a condition for certain."""
    match condition:
        case ContactCondition(contact=name):
            return open_(name)
        case FailedCondition(failed=name):
            change = Change(0.0, "failed", name, 0.0)
            about = f"the wire of the {plain(name)} is mended"
            return Stroke(f"mend: {name}", (change,), about, name, _need(table, name))
        case ThresholdCondition():
            return played(condition, none(table, condition))
    raise AssertionError(f"{condition!r} cannot be played")


def close(name: str) -> Stroke:
    """Return the closing of a contact."""
    return Stroke(
        f"close: {name}", (Change(0.0, "contact", name, 1.0),), f"contact {plain(name)} closes", name
    )


def open_(name: str) -> Stroke:
    """Return the opening of a contact."""
    return Stroke(f"open: {name}", (Change(0.0, "contact", name, 0.0),), f"contact {plain(name)} opens", name)


def turned(name: str, degrees: float) -> Stroke:
    """Return a wind that comes from this direction."""
    change = Change(0.0, "direction", "", degrees)
    said = f"{number(degrees)} °"
    return Stroke(f"write: {name}, value: {said}", (change,), f"the wind comes from {said}", name, "°")


def idle(for_s: float) -> Stroke:
    """Return time in which nobody asks, but once an hour and for the last ten seconds; so many whole minutes."""
    asked_s = [*range(_HOUR_S, int(for_s), _HOUR_S), for_s - READ_BEFORE_S]
    edges = zip([0.0, *asked_s[:-1]], asked_s, strict=True)
    changes = tuple(
        Change(at_s, "silent", "", silent, _ASKED_LATE_S)
        for begin_s, end_s in edges
        for at_s, silent in ((begin_s, 1.0), (end_s, 0.0))
    )
    hours, minutes = divmod(for_s / 60, 60)
    span = f"{number(hours)} h {number(minutes)} min" if hours else f"{number(minutes)} min"
    return Stroke(f"idle: {number(for_s / 60)} min", changes, f"nobody asks for {span}", "", "")


def asked(table: OverrideTable) -> Stroke:
    """Return what changes nothing but from which responses can count: the value that opens the vents once more."""
    name, value = next(iter(table.opened_by.items()))
    unit = canonical_symbol(value.dimension)
    return Stroke(f"write: {name}, value: {value.text}", (), "the unit is asked again", name, unit)


def played(condition: ThresholdCondition, value: float, *, lasts: bool = False) -> Stroke:
    """Return a wind, a rain or a level of this value, in its canonical unit.

    A rain that lasts goes on from one before it: the bucket is nearly full already.
    """
    unit = canonical_symbol(condition.begins_at.dimension)
    said = f"{number(value)} {unit}"
    match condition:
        case WindCondition(wind=name):
            change = Change(0.0, "wind", name, value, PULSES_LATE_S)
            return Stroke(f"wind: {name}, speed: {said}", (change,), f"wind of {said}", name)
        case RainfallCondition(rainfall=name):
            change = Change(0.0, "rainfall", name, value)
            span = f"for: {_RAINS_FOR if value else '1 s'}{', filled: 90 %' if lasts else ''}"
            about = f"rain of {said}" if value else "the rain ends"
            return Stroke(f"rainfall: {name}, intensity: {said}, {span}", (change,), about, name)
        case LevelCondition(level=name):
            change = Change(0.0, "level", name, value)
            return Stroke(f"write: {name}, value: {said}", (change,), f"{plain(name)} {said}", name, unit)
    raise AssertionError(f"{condition!r} has no value to play")


def _need(table: OverrideTable, sensor: str) -> str:
    good = table.sensors[sensor].good
    return "contact" if good is None else canonical_symbol(good.dimension)


def _sign(condition: ThresholdCondition) -> int:
    return 1 if condition.rising else -1


def strong(condition: ThresholdCondition) -> float:
    """Return a value that is clearly beyond the threshold."""
    begins, ends = condition.begins_at.value, condition.ends_at.value
    return begins + _sign(condition) * max(abs(begins - ends), 5 * condition.accuracy.value)


def none(table: OverrideTable, condition: ThresholdCondition) -> float:
    """Return a value with which the condition is over for certain; what the sensor shows while it is well."""
    if isinstance(condition, RainfallCondition):
        return 0.0
    if isinstance(condition, LevelCondition):
        sensor = table.sensors.get(condition.level)
        if sensor is not None and sensor.good is not None:
            return sensor.good.value
        return condition.ends_at.value - _sign(condition) * abs(strong(condition) - condition.ends_at.value)
    return round(condition.ends_at.value / 3, 1)


def short_of(condition: ThresholdCondition) -> float:
    """Return a value just short of the threshold: by a little more than the unit may be off."""
    return condition.begins_at.value - _sign(condition) * _BEYOND * condition.accuracy.value


def just_beyond(condition: ThresholdCondition) -> float:
    """Return a value just beyond the threshold."""
    return condition.begins_at.value + _sign(condition) * _BEYOND * condition.accuracy.value


def just_lasting(condition: ThresholdCondition) -> float:
    """Return a value at which the condition, once begun, just lasts."""
    return condition.ends_at.value + _sign(condition) * _BEYOND * condition.accuracy.value


def just_over(condition: ThresholdCondition) -> float:
    """Return a value at which the condition is just over."""
    return condition.ends_at.value - _sign(condition) * _BEYOND * condition.accuracy.value


def lag_s(condition: Condition) -> float:
    """Return how long a value may take to be seen, or to be seen as over, seconds: the mean, the tips, the debounce."""
    match condition:
        case WindCondition(averaged_over=over_s):
            return over_s + PULSES_LATE_S
        case RainfallCondition():
            lowest = condition.ends_at.value - condition.accuracy.value
            return condition.tip.value * 3600.0 / max(lowest, 1e-3) * condition.of_last
        case ContactCondition(debounce=debounce_s):
            return debounce_s
    return 0.0
