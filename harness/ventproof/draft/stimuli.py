"""How the bench brings a condition of a table about and ends it: stimuli, and what they change at the unit (pure)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.oracle.timeline import WeatherChange
from ventproof.profile.stimulus import (
    CloseContact,
    Fail,
    Idle,
    OpenContact,
    PulseContact,
    Rainfall,
    Restore,
    Wind,
    WriteValue,
)
from ventproof.table.model import (
    ContactCondition,
    FailedCondition,
    LevelCondition,
    RainfallCondition,
    ThresholdCondition,
    WindCondition,
    output_of,
)
from ventproof_bench.base.quantities import Dimension, Quantity, canonical_symbol, parse, span_text

if TYPE_CHECKING:
    from ventproof.profile.stimulus import Stimulus
    from ventproof.table.model import Condition, OverrideTable


PULSES_LATE_S: Final = 1.0
"""Cups that begin to turn otherwise show it so much later: the time to the next pulses."""
_BEYOND: Final = 1.25
"""Of the accuracy: how far beyond it a value lies that the unit must tell from its threshold."""
_RAINS_FOR_S: Final = 10_800.0
_EMPTY: Final = parse("0 %")
_NEARLY_FULL: Final = parse("90 %")
_FULL_PERCENT: Final = 100.0
READ_BEFORE_S: Final = 10.0
"""Idle time ends so long after reading began again, see `ventproof.profile.stimulus.Idle`."""
_HOUR_S: Final = 3600
_ASKED_LATE_S: Final = 2.0
"""A round of reading that goes on, or a time-out, when it should be silent or asked."""

FailureMode = Literal["open", "short", "stuck"]


@final
@dataclass(frozen=True, slots=True)
class PlannedStimulus:
    """One stimulus as a profile states it, and the changes that it makes, counted from itself.

    Attributes:
        stimulus: without `at` and `label`.
        changes: what it changes.
        about: in words, for a step's name.
    """

    stimulus: Stimulus
    changes: tuple[WeatherChange, ...]
    about: str

    @property
    def output(self) -> str:
        """The output that it acts on; empty for time in which nobody asks the unit anything."""
        return next(iter(self.stimulus.outputs), "")

    def at(self, t_s: float) -> list[WeatherChange]:
        """Return its changes for an instant, seconds."""
        return [replace(change, at_s=change.at_s + t_s) for change in self.changes]

    def with_lateness(self, late_s: float) -> PlannedStimulus:
        """Return the same with changes that may come so much later, seconds."""
        return replace(self, changes=tuple(replace(change, late_s=late_s) for change in self.changes))


TimedStimuli = tuple[tuple[float, PlannedStimulus], ...]
"""Stimuli with their times, seconds after the step's begin."""


def plain(name: str) -> str:
    """Return a name as a person says it: `outside_temperature` becomes `outside temperature`."""
    return name.replace("_", " ")


def number(value: float) -> str:
    """Return a number without needless digits."""
    return f"{round(value, 6):.8g}"


def quantity(value: float, dimension: Dimension) -> Quantity:
    """Return a value of a dimension's canonical unit as a file states it, to a millionth."""
    return parse(f"{number(value)} {canonical_symbol(dimension)}")


def close(name: str) -> PlannedStimulus:
    """Return the closing of a contact."""
    change = WeatherChange(0.0, "contact", name, 1.0)
    return PlannedStimulus(CloseContact(close=name), (change,), f"contact {plain(name)} closes")


def open_(name: str) -> PlannedStimulus:
    """Return the opening of a contact."""
    change = WeatherChange(0.0, "contact", name, 0.0)
    return PlannedStimulus(OpenContact(open=name), (change,), f"contact {plain(name)} opens")


def pulsed(name: str, times: int, *, closed_s: float, open_s: float) -> PlannedStimulus:
    """Return a contact that closes several times, seconds."""
    edges = (
        (pulse * (closed_s + open_s) + after_s, state)
        for pulse in range(times)
        for after_s, state in ((0.0, 1.0), (closed_s, 0.0))
    )
    changes = tuple(WeatherChange(at_s, "contact", name, state) for at_s, state in edges)
    pulse = PulseContact(pulse=name, times=times, closed_for=span_text(closed_s), open_for=span_text(open_s))
    return PlannedStimulus(pulse, changes, f"contact {plain(name)} chatters")


def wind(name: str, speed: Quantity) -> PlannedStimulus:
    """Return a wind on cups, or on a wind sensor."""
    change = WeatherChange(0.0, "wind", name, speed.value, PULSES_LATE_S)
    return PlannedStimulus(Wind(wind=name, speed=speed), (change,), f"wind of {speed}")


def rain(name: str, intensity: Quantity, for_s: float, *, filled: Quantity = _EMPTY) -> PlannedStimulus:
    """Return a rain into the bucket, which is empty unless `filled` says otherwise."""
    rainfall = Rainfall(rainfall=name, intensity=intensity, for_=span_text(for_s), filled=filled)
    about = f"rain of {intensity}" if intensity.value else "the rain ends"
    share = filled.value / _FULL_PERCENT
    changes = WeatherChange(0.0, "rainfall", name, intensity.value), WeatherChange(0.0, "filled", name, share)
    return PlannedStimulus(rainfall, changes, about)


def level(name: str, value: Quantity) -> PlannedStimulus:
    """Return a value that is written or played as a level."""
    change = WeatherChange(0.0, "level", name, value.value)
    return PlannedStimulus(WriteValue(write=name, value=value), (change,), f"{plain(name)} {value}")


def turned(name: str, direction: Quantity) -> PlannedStimulus:
    """Return a wind that comes from this direction."""
    change = WeatherChange(0.0, "direction", "", direction.value)
    return PlannedStimulus(
        WriteValue(write=name, value=direction), (change,), f"the wind comes from {direction}"
    )


def failed(name: str, mode: FailureMode) -> PlannedStimulus:
    """Return the failure of a sensor."""
    abouts = {
        "open": f"the wire of the {plain(name)} breaks",
        "short": f"the wires of the {plain(name)} touch",
        "stuck": f"the {plain(name)} stays as it is",
    }
    return PlannedStimulus(
        Fail(fail=name, mode=mode), (WeatherChange(0.0, "failed", name, 1.0),), abouts[mode]
    )


def cut(name: str, *, closed: bool) -> tuple[PlannedStimulus, PlannedStimulus]:
    """Return how the wire of a contact breaks, and works again with the contact in this state."""
    opens, back = (WeatherChange(0.0, "contact", name, value) for value in (0.0, float(closed)))
    return (
        PlannedStimulus(Fail(fail=name, mode="open"), (opens,), f"the wire of the {plain(name)} is cut"),
        PlannedStimulus(Restore(restore=name), (back,), f"the wire of the {plain(name)} works again"),
    )


def restored(name: str) -> PlannedStimulus:
    """Return the end of a sensor's failure."""
    change = WeatherChange(0.0, "failed", name, 0.0)
    return PlannedStimulus(Restore(restore=name), (change,), f"the wire of the {plain(name)} works again")


def idle(for_s: float) -> PlannedStimulus:
    """Return time in which nobody asks, but once an hour and for the last ten seconds; so many whole minutes."""
    asked_s = [*range(_HOUR_S, int(for_s), _HOUR_S), for_s - READ_BEFORE_S]
    edges = zip([0.0, *asked_s[:-1]], asked_s, strict=True)
    changes = tuple(
        WeatherChange(at_s, "silent", "", silent, _ASKED_LATE_S)
        for begin_s, end_s in edges
        for at_s, silent in ((begin_s, 1.0), (end_s, 0.0))
    )
    hours, minutes = divmod(for_s / 60, 60)
    span = f"{number(hours)} h {number(minutes)} min" if hours else f"{number(minutes)} min"
    return PlannedStimulus(Idle(idle=span_text(for_s)), changes, f"no polling for {span}")


def asked(table: OverrideTable) -> PlannedStimulus:
    """Return what changes nothing but from which responses can count: the value that opens the vents once more."""
    name, value = next(iter(table.opened_by.items()))
    return PlannedStimulus(WriteValue(write=name, value=value), (), "the unit is asked again")


def playable(table: OverrideTable, condition: Condition, longest_s: float) -> bool:
    """Return whether a bench can bring a condition about, in no more than this time."""
    if isinstance(condition, FailedCondition):
        return table.sensors[condition.failed].fails_after <= longest_s
    return isinstance(condition, ContactCondition | ThresholdCondition)


def begun(condition: Condition, *, mode: FailureMode = "open") -> PlannedStimulus:
    """Return what brings a condition about, a value strongly."""
    match condition:
        case ContactCondition(contact=name, state=state):
            return close(name) if state == "closed" else open_(name)
        case FailedCondition(failed=name):
            return failed(name, mode)
        case ThresholdCondition():
            return played(condition, strong(condition))
    raise AssertionError(f"{condition!r} cannot be played")


def ended(table: OverrideTable, condition: Condition) -> PlannedStimulus:
    """Return what ends a condition for certain."""
    match condition:
        case ContactCondition(contact=name, state=state):
            return open_(name) if state == "closed" else close(name)
        case FailedCondition(failed=name):
            return restored(name)
        case ThresholdCondition():
            return played(condition, none(table, condition))
    raise AssertionError(f"{condition!r} cannot be played")


def played(condition: ThresholdCondition, value: float, *, lasts: bool = False) -> PlannedStimulus:
    """Return a wind, a rain or a level of this value, in its canonical unit.

    A rain that lasts goes on from one before it: the bucket is nearly full already.
    """
    shown = quantity(value, condition.begins_at.dimension)
    match condition:
        case WindCondition(wind=name):
            return wind(name, shown)
        case RainfallCondition(rainfall=name):
            return rain(name, shown, _RAINS_FOR_S if value else 1.0, filled=_NEARLY_FULL if lasts else _EMPTY)
        case LevelCondition(level=name):
            return level(name, shown)
    raise AssertionError(f"{condition!r} has no value to play")


def sign(condition: ThresholdCondition) -> int:
    """Return 1 for a condition of high values, -1 for one of low values."""
    return 1 if condition.rising else -1


def strong(condition: ThresholdCondition) -> float:
    """Return a value that is clearly beyond the threshold."""
    begins, ends = condition.begins_at.value, condition.ends_at.value
    return begins + sign(condition) * max(abs(begins - ends), 5 * condition.accuracy.value)


def none(table: OverrideTable, condition: ThresholdCondition) -> float:
    """Return a value with which the condition is over for certain; what the sensor shows while it is well."""
    if isinstance(condition, RainfallCondition):
        return 0.0
    if isinstance(condition, LevelCondition | WindCondition):
        sensor = table.sensors.get(str(output_of(condition)))
        if sensor is not None and sensor.normal is not None:
            return sensor.normal.value
    if isinstance(condition, LevelCondition):
        return condition.ends_at.value - sign(condition) * abs(strong(condition) - condition.ends_at.value)
    return round(condition.ends_at.value / 3, 1)


def short_of(condition: ThresholdCondition) -> float:
    """Return a value just short of the threshold: by a little more than the unit may be off."""
    return condition.begins_at.value - sign(condition) * _BEYOND * condition.accuracy.value


def just_beyond(condition: ThresholdCondition) -> float:
    """Return a value just beyond the threshold."""
    return condition.begins_at.value + sign(condition) * _BEYOND * condition.accuracy.value


def just_lasting(condition: ThresholdCondition) -> float:
    """Return a value at which the condition, once begun, just lasts."""
    return condition.ends_at.value + sign(condition) * _BEYOND * condition.accuracy.value


def just_over(condition: ThresholdCondition) -> float:
    """Return a value at which the condition is just over."""
    return condition.ends_at.value - sign(condition) * _BEYOND * condition.accuracy.value


def lag_s(condition: Condition) -> float:
    """Return how long a value may take to be seen, or to be seen as over, seconds: the mean, the tips, the debounce."""
    match condition:
        case WindCondition(averaged_over=over_s):
            return over_s + PULSES_LATE_S
        case RainfallCondition():
            lowest = condition.ends_at.value - condition.accuracy.value
            return condition.tip.value * 3600.0 / max(lowest, 1e-3) * condition.tips
        case ContactCondition(debounce=debounce_s):
            return debounce_s
    return 0.0
