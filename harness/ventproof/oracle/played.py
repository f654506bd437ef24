"""What was played to a unit, and which decided responses looked on: what a proof rests on (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof.oracle.timeline import WeatherChange
from ventproof.profile.duration import anchor_time_s, response_span, step_spans, stimulus_times
from ventproof.profile.model import Profile, Reaches, Response, until_of
from ventproof.profile.stimulus import (
    CloseContact,
    Fail,
    Idle,
    OpenContact,
    PulseContact,
    Rainfall,
    Restore,
    Stimulus,
    Wind,
    WriteValue,
)
from ventproof.profile.weather import rain_of, wind_of
from ventproof.table.model import ContactCondition

if TYPE_CHECKING:
    from ventproof.table.model import OverrideTable
    from ventproof.weather.course import Trace


PULSES_LATE_S: Final = 1.0
"""Cups that begin to turn otherwise show it so much later: the time to the next pulses. A level is no later."""
READ_BEFORE_S: Final = 10.0
"""Idle time ends so long after reading began again, see `ventproof.profile.stimulus.Idle`."""
_HOUR_S: Final = 3600
_FULL_PERCENT: Final = 100.0
_ASKED_LATE_S: Final = 2.0
"""A round of reading that goes on, or a time-out, when it should be silent or asked."""
_STEPS: Final = 120
"""A course that changes evenly is taken as so many steps."""
_START_S: Final = 60.0
"""A unit is taken to have come to its start state so long after it was asked to."""


@final
@dataclass(frozen=True, slots=True)
class Watched:
    """A response that was decided, and when the stimulus came that it counts from."""

    response: Response
    since_s: float


@final
@dataclass(frozen=True, slots=True)
class PlayedRun:
    """What was played, by the bench's names, and what was watched.

    Attributes:
        weather: everything that changed.
        modes: of each failure of a sensor that was played, its mode: by its instant and the sensor's name.
        watched: the decided responses.
        stands: where vents stood at first, where the start state says it, %.
        vents_to_s: until when the table alone says where vents go: nobody wrote another house temperature.
    """

    weather: tuple[WeatherChange, ...]
    watched: tuple[Watched, ...]
    modes: Mapping[tuple[float, str], str]
    stands: Mapping[str, float]
    vents_to_s: float = inf

    @property
    def until_s(self) -> float:
        """When the last of the watched responses is over."""
        return max((its.since_s + response_span(its.response)[1] for its in self.watched), default=0.0) + 1.0

    def without(self, sensor: str, mode: str) -> PlayedRun:
        """Return the same with a sensor that does not fail in one way."""
        weather, dropped = [], False
        for change in sorted(self.weather, key=lambda c: c.at_s):
            if change.kind == "failed" and change.name == sensor:
                dropped = bool(change.value) and self.modes.get((change.at_s, sensor)) == mode
                if dropped:
                    continue
            weather.append(change)
        return replace(self, weather=tuple(weather))


def changes_of(stimulus: Stimulus, at_s: float, table: OverrideTable) -> Iterator[WeatherChange]:
    """Yield what a stimulus changes, from an instant on; by the names that the profile has for outputs.

    Sensors that show wrong values, or loose contacts, are no weather that a table knows: they change nothing here.
    """
    match stimulus:
        case CloseContact() | OpenContact() | PulseContact():
            for after_s, closed in _edges(stimulus):
                yield WeatherChange(at_s + after_s, "contact", stimulus.outputs[0], float(closed))
        case WriteValue(write=name, value=value):
            yield _written(name, value.value, at_s, table)
        case Wind(wind=name):
            yield from (WeatherChange(at_s + s, "wind", name, v, PULSES_LATE_S) for s, v in _speeds(stimulus))
        case Rainfall(rainfall=name):
            if stimulus.filled is not None:
                yield WeatherChange(at_s, "filled", name, stimulus.filled.value / _FULL_PERCENT)
            yield from (WeatherChange(at_s + s, "rainfall", name, v) for s, v in _intensities(stimulus))
        case Fail(fail=name) if name in table.sensors and not stimulus.wanders and stimulus.mode != "chatter":
            yield WeatherChange(at_s, "failed", name, 1.0)
        case Restore(restore=name) if name in table.sensors:
            yield WeatherChange(at_s, "failed", name, 0.0)
        case Idle(idle=for_s):
            yield from _silence(at_s, for_s)


def _edges(stimulus: CloseContact | OpenContact | PulseContact) -> Iterator[tuple[float, bool]]:
    if not isinstance(stimulus, PulseContact):
        yield 0.0, isinstance(stimulus, CloseContact)
        return
    for pulse in range(stimulus.times):
        closes_s = pulse * (stimulus.closed_for + stimulus.open_for)
        yield closes_s, True
        yield closes_s + stimulus.closed_for, False


def _written(name: str, value: float, at_s: float, table: OverrideTable) -> WeatherChange:
    """Return what a value that is written changes."""
    if name == table.direction:
        return WeatherChange(at_s, "direction", "", value)
    if table.shows_wind(name):
        return WeatherChange(at_s, "wind", name, value)
    return WeatherChange(at_s, "level", name, value)


def _silence(at_s: float, for_s: float) -> Iterator[WeatherChange]:
    """Yield time in which nobody asks, but once an hour and for the last ten seconds."""
    asked_s = [*range(_HOUR_S, int(for_s), _HOUR_S), for_s - READ_BEFORE_S]
    for begin_s, end_s in zip([0.0, *asked_s[:-1]], asked_s, strict=True):
        for after_s, silent in ((begin_s, 1.0), (end_s, 0.0)):
            yield WeatherChange(at_s + after_s, "silent", "", silent, _ASKED_LATE_S)


def _speeds(wind: Wind) -> Iterator[tuple[float, float]]:
    course, begun_s = wind_of(wind), 0.0
    for trace in (*course.first, course.then):
        for after_s, speed in _steps(trace):
            yield begun_s + after_s, speed
        begun_s += trace.duration_s


def _steps(trace: Trace) -> Iterator[tuple[float, float]]:
    """Yield a trace as values that it jumps to; one that only jumps exactly."""
    spans = [
        pair for pair in pairwise(zip(trace.times_s, trace.values, strict=True)) if pair[0][0] < pair[1][0]
    ]
    if all(begin == end for (_, begin), (_, end) in spans):
        for (from_s, value), _ in spans:
            yield from_s - trace.start_s, value
        return
    step_s = trace.duration_s / _STEPS
    for step in range(_STEPS):
        yield step * step_s, trace.at(trace.start_s + (step + 0.5) * step_s)


def _intensities(rainfall: Rainfall) -> Iterator[tuple[float, float]]:
    begun_s = 0.0
    for piece in rain_of(rainfall).pieces:
        steps = 1 if piece.begins_mm_per_h == piece.ends_mm_per_h else _STEPS
        for step in range(steps):
            share = piece.duration_s / steps
            yield begun_s + float(step * share), float(piece.mm_per_h_at((2 * step + 1) * share / 2))
        begun_s += float(piece.duration_s)
    yield begun_s, 0.0


def _takes_over(stimulus: Stimulus, before: Stimulus) -> bool:
    """Return whether a stimulus puts an end to another: a wind or a rain to one of its kind, a value to a wind."""
    alike = type(stimulus) is type(before) or isinstance(stimulus, WriteValue)
    return alike and stimulus.outputs == before.outputs


def as_stated(profile: Profile, table: OverrideTable) -> PlayedRun:
    """Return what a profile plays, as far as it can be known without a run; its names are those of the table.

    Each step is taken to last as long as it can, and every response to be decided.
    """
    timed: list[tuple[float, Stimulus]] = []
    watched: list[Watched] = []
    begin_s = _START_S
    for step, (_, longest_s) in zip(profile.steps, step_spans(profile), strict=True):
        timed += [(begin_s + s, its) for its, (s, _) in zip(step.do, stimulus_times(step.do), strict=True)]
        watched += [Watched(its, begin_s + anchor_time_s(its, step.do)) for its in step.expect]
        begin_s += longest_s + 1.0
    return as_played(profile, table, timed, weather_of(timed, table), watched)


def as_played(
    profile: Profile,
    table: OverrideTable,
    timed: Sequence[tuple[float, Stimulus]],
    weather: Iterable[WeatherChange],
    watched: Iterable[Watched],
) -> PlayedRun:
    """Return what was played after a profile's start state.

    Args:
        profile: the profile; its names are those of the table.
        table: the table.
        timed: the stimuli, each with its instant.
        weather: what they changed.
        watched: the responses that were decided.
    """
    stands, start = _begun(profile, table)
    known_to_s = _contacts_known_to_s(profile, table, timed)
    return PlayedRun(
        weather=(*start, *weather, *_wires(profile, table, timed)),
        watched=tuple(
            its
            for its in watched
            if its.since_s + response_span(its.response)[1] < known_to_s and not until_of(its.response)
        ),
        modes={(at_s, its.fail): its.mode for at_s, its in timed if isinstance(its, Fail)},
        stands=stands,
        vents_to_s=_vents_known_to_s(profile, table, timed),
    )


def _begun(profile: Profile, table: OverrideTable) -> tuple[dict[str, float], list[WeatherChange]]:
    """Return where a profile's start state has the vents, and what it sets, as if that had been so from 0 s on."""
    signals = {vent.signal: name for name, vent in table.vents.items()}
    stands = {
        signals[response.signal]: response.reaches.value
        for response in profile.start.until
        if isinstance(response, Reaches) and response.signal in signals
    }
    supply = table.supply.contact if table.supply is not None else None
    return stands, [
        *(WeatherChange(0.0, "opens", vent, at) for vent, at in stands.items()),
        *(
            WeatherChange(0.0, "contact", name, float(state == "closed"))
            for name, state in profile.start.set.items()
            if name != supply
        ),
        *(_written(name, value.value, 0.0, table) for name, value in profile.start.write.items()),
    ]


def _contacts(table: OverrideTable) -> set[str]:
    """Return the contacts that conditions are about, but for those that are sensors which can fail."""
    conditions = (its for override in table.overrides.values() for its in override.conditions)
    return {its.contact for its in conditions if isinstance(its, ContactCondition)} - {*table.sensors}


def _wires(
    profile: Profile, table: OverrideTable, timed: Iterable[tuple[float, Stimulus]]
) -> Iterator[WeatherChange]:
    """Yield what the unit sees of a contact whose wire breaks or is shorted, and once that works again."""
    contacts = _contacts(table)
    closed = {name: state == "closed" for name, state in profile.start.set.items()}
    for at_s, stimulus in timed:
        match stimulus:
            case CloseContact(close=name):
                closed[name] = True
            case OpenContact(open=name) | PulseContact(pulse=name):
                closed[name] = False
            case Fail(fail=name, mode=how) if name in contacts and how in _WIRES:
                yield WeatherChange(at_s, "contact", name, _WIRES[how])
            case Restore(restore=name) if name in contacts and name in closed:
                yield WeatherChange(at_s, "contact", name, float(closed[name]))


_WIRES: Final[Mapping[str, float]] = {"open": 0.0, "short": 1.0}
"""What a contact shows whose wire fails so."""


def _contacts_known_to_s(
    profile: Profile, table: OverrideTable, timed: Iterable[tuple[float, Stimulus]]
) -> float:
    """Return until when it is known what contacts show: one that fails may chatter, or be driven unseen."""
    contacts, failing = _contacts(table), set[str]()
    known = {*profile.start.set}
    unknown = {table.reset, table.supply.contact if table.supply is not None else None} - {None}
    for at_s, stimulus in timed:
        match stimulus:
            case Fail(fail=name) if name in unknown:
                return at_s
            case Fail(fail=name, mode=how) if name in contacts:
                if how not in _WIRES or name not in known:
                    return at_s
                failing.add(name)
            case Restore(restore=name):
                failing.discard(name)
            case CloseContact() | OpenContact() | PulseContact():
                known.add(stimulus.outputs[0])
                if stimulus.outputs[0] in failing:
                    return at_s
    return inf


def _vents_known_to_s(
    profile: Profile, table: OverrideTable, timed: Iterable[tuple[float, Stimulus]]
) -> float:
    """Return when the house first gets another temperature than at the start, which moves vents as no table says."""
    begun = {name: value.value for name, value in profile.start.write.items()}
    return min(
        (
            at_s
            for at_s, stimulus in timed
            if isinstance(stimulus, WriteValue)
            and stimulus.write in table.opened_by
            and stimulus.value.value != begun.get(stimulus.write)
        ),
        default=inf,
    )


def weather_of(timed: Sequence[tuple[float, Stimulus]], table: OverrideTable) -> Iterator[WeatherChange]:
    """Yield what stimuli change, each from its instant on; a wind or a rain only until the next one takes over."""
    for number, (at_s, stimulus) in enumerate(timed):
        to_s = next(
            (t_s for t_s, its in timed[number + 1 :] if _takes_over(its, stimulus)),
            inf,
        )
        for change in changes_of(stimulus, at_s, table):
            if change.at_s < to_s or not isinstance(stimulus, Wind | Rainfall):
                yield change
