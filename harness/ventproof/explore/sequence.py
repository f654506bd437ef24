"""Weather and what is owed (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.assembly import Band, equals, found, keeps, percent
from ventproof.draft.resolution import Margins
from ventproof.explore.moves import LATEST_S, wires_of
from ventproof.oracle.conditions import flag_of
from ventproof.oracle.oracle import ExpectedBehaviour, expected
from ventproof.oracle.sides import ahead_deg
from ventproof.oracle.timeline import WeatherChange
from ventproof.profile.check_responses import kind_of
from ventproof.profile.model import StaysAtLeast, StaysAtMost
from ventproof.table.model import output_of
from ventproof_bench.base.quantities import span_text
from ventproof_bench.yamlfile.fields import FLAG_UNIT

if TYPE_CHECKING:
    from ventproof.explore.moves import Move
    from ventproof.oracle.oracle import ExpectedBehaviour
    from ventproof.oracle.targets import PossibleTravel, Range
    from ventproof.oracle.timeline import UncertainState
    from ventproof.profile.model import Response
    from ventproof.table.model import OverrideTable
    from ventproof_bench.benchfile.model import BenchFile


_REST_S: Final = 5.0
"""A sequence ends so long after the last thing that it brings about, or that a wrong unit would."""

_STILL_PERCENT: Final = 0.01

SHORTEST_S: Final = 1.0
"""Between two things that are done."""


@final
@dataclass(frozen=True, slots=True)
class Action:
    """Something that is done, so many seconds after the sequence begins."""

    at_s: float
    move: Move


Sequence = tuple[Action, ...]


def weather_of(table: OverrideTable, sequence: Sequence) -> list[WeatherChange]:
    """Return the weather that a sequence makes; where the wind comes from is known from the begin."""
    ahead = ahead_deg(table)
    weather = [] if ahead is None else [WeatherChange(0.0, "direction", "", ahead)]
    return weather + [change for action in sequence for change in action.move.planned.at(action.at_s)]


def foreseen(table: OverrideTable, sequence: Sequence) -> ExpectedBehaviour:
    """Return what the unit owes in a sequence, followed until nothing that it brings about is still to come."""
    end_s = sequence[-1].at_s if sequence else 0.0
    known = expected(table, weather_of(table, sequence), end_s + longest_tail_s(table))
    changes_s = [end_s + _noticed_s(table, sequence, known)]
    for bounds in (known.activity.powered, *known.activity.active.values()):
        changes_s += [t_s for line in (bounds.may, bounds.must) for t_s in line.switches_s]
    for travel in known.vents.values():
        for course in (travel.low, travel.high):
            moving = (b for a, b in pairwise(course) if abs(a[1] - b[1]) > _STILL_PERCENT)
            changes_s += [t_s for t_s, _ in moving]
    # What comes later comes of nothing that was done: cups that stand still for half a day.
    last_s = max(t_s for t_s in changes_s if t_s < known.until_s)
    return expected(table, weather_of(table, sequence), last_s + _REST_S)


def _noticed_s(table: OverrideTable, sequence: Sequence, known: ExpectedBehaviour) -> float:
    """Return how long a wrong unit waits before it acts on the last thing that is done, seconds.

    What is just short of a threshold, between the ends of a hysteresis or within a dead band changes nothing in a right
    unit. So nothing else says how long to watch for what it changes in a wrong one.
    """
    if not sequence:
        return 0.0
    move, end_s = sequence[-1].move, sequence[-1].at_s
    output = move.planned.output
    if move.thing == wires_of(output):
        return table.sensors[output].fails_after
    delays_s = [0.0]
    for name, override in table.overrides.items():
        sensing_s = [getattr(c, "averaged_over", 0.0) for c in override.conditions if output_of(c) == output]
        if sensing_s:
            ends = known.activity.active[name].at(end_s) == "yes"
            delay_s = override.release_delay if ends else override.entry_delay
            delays_s.append(min(sensing_s) + delay_s + override.delay_tolerance)
    if output == table.direction:
        delays_s.append(table.sides.settles_after + table.sides.delay_tolerance)
    return max(delays_s)


def longest_tail_s(table: OverrideTable) -> float:
    """Return how long after the last action something may still come of it, seconds."""
    supply = table.supply
    boots_s = supply.boots_for + supply.delay_tolerance if supply is not None else 0.0
    delays_s = max(o.entry_delay + o.release_delay + 2 * o.delay_tolerance for o in table.overrides.values())
    runs_s = max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    return boots_s + delays_s + 2 * runs_s + table.sides.settles_after + _SENSING_S


_SENSING_S: Final = 60.0
"""Allowed for averaging, for tips of a bucket and for sensors that fail."""


def gaps_s(table: OverrideTable) -> tuple[float, ...]:
    """Return the spans to leave between two actions: about each delay of the table, on the way, and at rest."""
    delays = {override.entry_delay for override in table.overrides.values()}
    delays |= {override.release_delay for override in table.overrides.values()}
    delays |= {sensor.fails_after for sensor in table.sensors.values()}
    delays.add(table.sides.settles_after)
    within_s = max(override.delay_tolerance for override in table.overrides.values()) + SHORTEST_S
    travel_s = max(vent.full_travel[1] for vent in table.vents.values())
    spans = {SHORTEST_S, travel_s / 2, travel_s + within_s}
    for delay in delays:
        if delay <= longest_tail_s(table):
            spans |= {delay - within_s, delay / 2, delay + within_s}
    spans.add(max(spans) + travel_s)
    return tuple(sorted({round(span, 1) for span in spans if span >= SHORTEST_S}))


_BACK_S: Final = 2.0  # after a loss of supply, until the registers are filled again
_SHORTEST_S: Final = 1.0  # a state that lasts less is not asked for
_SAME_PERCENT: Final = 0.2
_WIDEST_PERCENT: Final = 30.0  # a vent that may stand anywhere within more is not asked where
_TELLS_PERCENT: Final = 5.0  # a bound that is no closer than this to the whole range says nothing


@final
@dataclass(frozen=True, slots=True)
class Requirement:
    """One response that the unit owes.

    Attributes:
        response: the response, with what the table says to it as its `purpose`.
        after: number of the action that it counts from; None for the begin of a step without one.
    """

    response: Response
    after: int | None

    @property
    def signal(self) -> str:
        """The signal."""
        return self.response.signal

    @property
    def kind(self) -> str:
        """The kind of response."""
        return kind_of(self.response)


Span = tuple[float, float]


@final
@dataclass(frozen=True, slots=True)
class SignalAccuracy:
    """How well the bench sees a signal: so many seconds late, so many of its units off, and all the time or not."""

    signal: str
    unit: str
    late_s: float
    off: float
    always: bool = True


SignalAccuracies = Mapping[str, SignalAccuracy]
"""By signal; one that the bench cannot see well enough to decide anything has none."""


def accuracies_of(table: OverrideTable, bench: BenchFile) -> SignalAccuracies:
    """Return how a bench sees the signals of a table."""
    signals = [vent.signal for vent in table.vents.values()]
    signals += [override.flag for override in table.overrides.values() if override.flag is not None]
    signals += [sensor.flag for sensor in table.sensors.values() if sensor.flag is not None]
    margins = Margins(bench)
    accuracies = (_accuracy(margins, signal) for signal in signals)
    return {accuracy.signal: accuracy for accuracy in accuracies if accuracy is not None}


def requirements_of(
    table: OverrideTable, accuracies: SignalAccuracies, sequence: Sequence, foreseen: ExpectedBehaviour
) -> list[Requirement]:
    """Return what the unit owes while a sequence is played, in order of time."""
    made = _Requirements(table, accuracies, sequence, foreseen)
    return sorted(dict.fromkeys(made.all()), key=lambda requirement: requirement.after or 0)


def last_requirements_of(
    table: OverrideTable, accuracies: SignalAccuracies, foreseen: ExpectedBehaviour
) -> list[Requirement]:
    """Return what the unit owes once everything has come to rest, counted from then."""
    requirements = []
    for signal, bounds, why in _flags(table, foreseen):
        state = bounds.at(foreseen.until_s)
        powered = foreseen.activity.powered.at(foreseen.until_s)
        if signal in accuracies and state != "open" and powered == "yes":
            accuracy = accuracies[signal]
            rests = found(signal, accuracy.late_s, on=state == "yes", watched=accuracy.always, purpose=why)
            requirements.append(Requirement(rests, None))
    return requirements


def _flags(table: OverrideTable, foreseen: ExpectedBehaviour) -> Iterator[tuple[str, UncertainState, str]]:
    for name, override in table.overrides.items():
        if override.flag is not None:
            yield override.flag, flag_of(override, foreseen.activity.active[name]), name
    for name, sensor in table.sensors.items():
        if sensor.flag is not None:
            yield sensor.flag, foreseen.activity.failed[name], name


def _accuracy(margins: Margins, signal: str) -> SignalAccuracy | None:
    unit = margins.bench.signals[signal].unit
    if unit == FLAG_UNIT:
        return SignalAccuracy(signal, unit, margins.late_s(signal), 0.0, always=margins.watches(signal))
    if margins.bench.traits(signal).rate_per_s is None:
        return None
    return SignalAccuracy(signal, unit, margins.late_s(signal), margins.tolerance(signal, 0.0))


@final
class _Requirements:
    def __init__(
        self,
        table: OverrideTable,
        accuracies: SignalAccuracies,
        sequence: Sequence,
        foreseen: ExpectedBehaviour,
    ) -> None:
        self._table, self._accuracies, self._foreseen = table, accuracies, foreseen
        self._at_s = [action.at_s for action in sequence]
        self._until_s = foreseen.until_s
        powered = foreseen.activity.powered.must.inverted().yes()
        self._dark = [(begin_s - _BACK_S, end_s + _BACK_S) for begin_s, end_s in powered]

    def all(self) -> Iterator[Requirement]:
        for signal, bounds, why in _flags(self._table, self._foreseen):
            accuracy = self._accuracies.get(signal)
            if accuracy is not None:
                yield from self._flag(accuracy, bounds, why)
        for name, vent in self._table.vents.items():
            accuracy = self._accuracies.get(vent.signal)
            if accuracy is not None:
                yield from self._vent(name, accuracy, self._foreseen.vents[name])

    # flags

    def _flag(self, accuracy: SignalAccuracy, bounds: UncertainState, why: str) -> Iterator[Requirement]:
        before: tuple[float, bool] | None = None
        for on, (begin_s, end_s) in self._known(bounds):
            if before is not None and before[1] != on and end_s - begin_s > _SHORTEST_S + accuracy.late_s:
                after = self._last_action(before[0])
                within_s = round(begin_s - self._at_s[after] + accuracy.late_s, 1)
                yield Requirement(equals(accuracy.signal, within_s, on=on, purpose=why), after)
            if accuracy.always:
                yield from self._keeps(accuracy, (begin_s, end_s), why, on=on)
            before = end_s, on

    def _keeps(self, accuracy: SignalAccuracy, span: Span, why: str, *, on: bool) -> Iterator[Requirement]:
        for after, for_s in self._settled(span, accuracy):
            yield Requirement(keeps(accuracy.signal, for_s, on=on, purpose=why), after)

    def _settled(self, span: Span, accuracy: SignalAccuracy) -> Iterator[tuple[int, float]]:
        """Yield the first action in a span, and for how long after it the bench sees what lasts for that span."""
        begin_s, end_s = span
        settled_s = begin_s + accuracy.late_s if begin_s > 0 else 0.0
        after = next((n for n, at_s in enumerate(self._at_s) if at_s >= settled_s), None)
        if after is not None:
            for_s = end_s - self._at_s[after] - LATEST_S - accuracy.late_s
            if for_s >= _SHORTEST_S:
                yield after, round(for_s, 1)

    def _known(self, bounds: UncertainState) -> list[tuple[bool, Span]]:
        """Return the spans in which a flag certainly is on or off and can be read, in order of time."""
        sure = [(True, span) for span in bounds.must.yes()]
        sure += [(False, span) for span in bounds.may.inverted().yes()]
        return sorted(
            ((on, span) for on, whole in sure for span in self._light(whole)), key=lambda item: item[1]
        )

    def _light(self, whole: Span) -> Iterator[Span]:
        """Yield the parts of a span in which the unit answers."""
        begin_s, end_s = max(whole[0], 0.0), min(whole[1], self._until_s)
        for dark_s, light_s in self._dark:
            if dark_s >= end_s:
                break
            if begin_s < dark_s:
                yield begin_s, dark_s
            begin_s = max(begin_s, light_s)
        if begin_s < end_s:
            yield begin_s, end_s

    def _last_action(self, t_s: float) -> int:
        return max((n for n, at_s in enumerate(self._at_s) if at_s <= t_s), default=0)

    # vents

    def _vent(self, name: str, accuracy: SignalAccuracy, travel: PossibleTravel) -> Iterator[Requirement]:
        known = self._table.vents[name].tolerance.value + accuracy.off
        left_s: float | None = None
        for stands, (begin_s, end_s) in self._rests(travel):
            at = round((stands.low + stands.high) / 2, 1)
            tolerance = _half_percents(max(stands.high - at, at - stands.low) + known)
            band = Band(accuracy.signal, percent(at), percent(tolerance))
            after = self._last_action(begin_s if left_s is None else left_s)
            within_s = begin_s - self._at_s[after] + accuracy.late_s
            holds_s = end_s - begin_s - LATEST_S - 2 * accuracy.late_s
            if begin_s > self._at_s[after] and holds_s >= _SHORTEST_S:
                before = travel.within(self._at_s[after])
                reach = tolerance + accuracy.off
                anyhow = before.low <= at + reach and before.high >= at - reach
                reaches = band.reaches(round(within_s, 1), round(holds_s, 1), purpose=name, anyhow=anyhow)
                yield Requirement(reaches, after)
            for at_rest, for_s in self._settled((begin_s, end_s), accuracy):
                yield Requirement(band.stays(for_s, purpose=name), at_rest)
            left_s = end_s
        yield from self._bounded(name, accuracy, travel, _half_percents(known))

    def _rests(self, travel: PossibleTravel) -> list[tuple[Range, Span]]:
        """Return between which positions the vent certainly stands, and when, in order of time."""
        edges = sorted(
            {t_s for course in (travel.low, travel.high) for t_s, _ in course if t_s <= self._until_s}
        )
        rests: list[tuple[Range, Span]] = []
        for begin_s, end_s in pairwise(edges):
            stands, ends = (travel.within(t_s) for t_s in (begin_s, end_s))
            if stands.high - stands.low > _WIDEST_PERCENT or not _alike(stands, ends):
                continue
            stands = stands.joined(ends)
            if rests and rests[-1][1][1] == begin_s and _alike(rests[-1][0], stands):
                rests[-1] = rests[-1][0].joined(stands), (rests[-1][1][0], end_s)
            else:
                rests.append((stands, (begin_s, end_s)))
        return [(stands, span) for stands, whole in rests for span in self._light(whole)]

    def _bounded(
        self, name: str, accuracy: SignalAccuracy, travel: PossibleTravel, tolerance: float
    ) -> Iterator[Requirement]:
        """Yield how far open the vent may be at most, and must be at least, from each action to the next."""
        opens = self._table.vents[name].open.value
        for after, (from_s, to_s) in enumerate(pairwise((*self._at_s, self._until_s))):
            spans = list(self._light((from_s, to_s)))
            if not spans or spans[0][0] > from_s:
                continue
            for_s = spans[0][1] - from_s - LATEST_S - accuracy.late_s
            if for_s < _SHORTEST_S:
                continue
            low, high = _extremes(travel, from_s, spans[0][1])
            if high - low <= _SAME_PERCENT:
                continue  # it stands, and that is demanded already
            lasts = span_text(round(for_s, 1))
            if high + tolerance < opens - _TELLS_PERCENT:
                most = percent(ceil(high + tolerance))
                yield Requirement(
                    StaysAtMost(signal=accuracy.signal, stays_at_most=most, for_=lasts, purpose=name), after
                )
            if low - tolerance > _TELLS_PERCENT:
                least = percent(floor(low - tolerance))
                yield Requirement(
                    StaysAtLeast(signal=accuracy.signal, stays_at_least=least, for_=lasts, purpose=name),
                    after,
                )


def _half_percents(tolerance: float) -> float:
    """Return a tolerance, rounded up but for the error of computing it."""
    return ceil(round(2 * tolerance, 6)) / 2


def _alike(one: Range, other: Range) -> bool:
    """Return whether two ranges are the same but for the error of computing them."""
    return max(abs(one.low - other.low), abs(one.high - other.high)) <= _SAME_PERCENT


def _extremes(travel: PossibleTravel, from_s: float, to_s: float) -> Span:
    inside = [t_s for course in (travel.low, travel.high) for t_s, _ in course if from_s < t_s < to_s]
    ranges = [travel.within(t_s) for t_s in (from_s, *inside, to_s)]
    return min(r.low for r in ranges), max(r.high for r in ranges)
