"""Whether the buses of a bench can carry a profile's pulse trains beside the polls."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import floor
from typing import TYPE_CHECKING, Final, final

from ventproof.profile.duration import step_spans, stimulus_times
from ventproof.profile.rains import buckets_of, found_by_rains
from ventproof.profile.stimulus import PulseContact, Rainfall, Wind
from ventproof.profile.weather import EMPTY, anemometer, rain_edges, wind_of
from ventproof_bench.benchcheck.traffic import load_on, remedy, said
from ventproof_bench.benchfile.model import ContactOutput, SerialBus
from ventproof_bench.drivers.driver import bus_use
from ventproof_bench.modbus.traffic import Budget, answering_at_once, budget

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.profile.bind import Bound
    from ventproof.profile.courses import Bounce
    from ventproof.profile.stimulus import Stimulus
    from ventproof.weather.anemometer import CupAnemometer
    from ventproof.weather.rain_gauge import Left
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import OutputSpec
    from ventproof_bench.modbus.traffic import Load
    from ventproof_bench.yamlfile.tree import Path


_US: Final = 1_000_000


@final
@dataclass(frozen=True, slots=True)
class _Train:
    """A pulse train that goes over a serial bus.

    Attributes:
        path: its stimulus.
        begins_s: when it begins at the earliest, if every step takes its shortest time.
        lasts_s: how long it goes on unless another takes its place; None for as long as the run.
        made: its edges.
    """

    path: Path
    begins_s: float
    lasts_s: float | None
    output: str
    bus: str
    spec: SerialBus
    made: _Edges


@final
@dataclass(frozen=True, slots=True)
class _Crowd:
    """A train, with those that may still be playing on its bus when it begins."""

    train: _Train
    beside: tuple[_Train, ...]

    @property
    def outputs(self) -> list[str]:
        return [train.output for train in (self.train, *self.beside)]

    @property
    def edges_per_us(self) -> Fraction:
        return sum((train.made.per_us for train in (self.train, *self.beside)), Fraction())

    def budget(self, bound: Bound) -> Budget:
        """Return the worst for an edge of the train: one of each train beside it goes first."""
        load = load_on(bound.bench.model, self.train.bus, self.train.spec, self.outputs)
        alone = budget(load, edges_apart_us=self.train.made.apart_us)
        waits_us = len(self.beside) * load.edge_us
        return Budget(
            alone.latency_us + waits_us,
            alone.complete_us + waits_us,
            alone.age_us + len(load.reads) * waits_us,
        )

    def share(self, bound: Bound) -> Fraction:
        """Return the part of the bus's time that the trains and the polls take."""
        load = self._load(bound)
        return load.polling + self.edges_per_us * load.edge_us

    def most_per_us(self, bound: Bound) -> Fraction:
        """Return how many edges in a microsecond the train could make beside the others and the polls."""
        load = self._load(bound)
        beside = sum((train.made.per_us for train in self.beside), Fraction())
        return (1 - load.polling) / load.edge_us - beside

    def _load(self, bound: Bound) -> Load:
        return load_on(bound.bench.model, self.train.bus, answering_at_once(self.train.spec), self.outputs)


def train_problems(bound: Bound) -> Iterator[Problem]:
    """Yield a problem for each pulse train that its serial bus cannot carry beside the polls and what else it carries.

    A unit and a board are taken to answer at once where the bench file does not say how long they take.
    """
    for crowd in _crowds(bound):
        share, train = crowd.share(bound), crowd.train
        if share <= 1:
            continue
        besides = "".join(f", those on {other.output}" for other in crowd.beside)
        reason = (
            f"bus {train.bus!r} of bench {bound.bench.path} cannot carry these pulses{besides} in addition to its "
            f"polls: together they need it {float(100 * share):.3g} % of the time at {train.spec.baud} Bd"
        )
        hint = remedy(
            bound.bench.model,
            train.bus,
            train.spec,
            outputs=crowd.outputs,
            edges_per_us=crowd.edges_per_us,
        )
        instead = _instead(train, crowd.most_per_us(bound))
        yield bound.profile.problem(train.path, reason, f"in the bench file, {hint}; or {instead}")


def late_notes(bound: Bound) -> Iterator[Problem]:
    """Yield a note for each pulse train whose edges its bus may carry out late."""
    for crowd in _crowds(bound):
        complete_us, train = crowd.budget(bound).complete_us, crowd.train
        if complete_us > train.made.apart_us:
            reason = (
                f"on bus {train.bus!r} an edge and its read-back can take {said(complete_us)}, and these edges are "
                f"{said(train.made.apart_us)} apart: some may be late, and the record will say how late"
            )
            hint = ""
            if train.spec.answers_within is None:
                hint = f"declare answers_within of the bus in {bound.bench.path}"
            elif train.made.cups:
                hint = _instead(train, Fraction(1, complete_us))
            yield bound.profile.problem(train.path, reason, hint)


def _instead(train: _Train, most_per_us: Fraction) -> str:
    """Return what to ask for instead, so that edges are no denser than that; a wind's pulses follow from its speed."""
    cups = train.made.cups
    if train.made.asked:
        return "make the pulses longer"
    fits = (
        floor(10 * cups.speed_m_per_s(float(most_per_us * _US / 2))) / 10 if cups and most_per_us > 0 else 0
    )
    slower = f"let the wind blow at no more than {fits:g} m/s, or " if fits else ""
    return f"{slower}drive {train.output!r} with `driver: control-line`, which needs no bus"


def busiest(bound: Bound) -> Iterator[tuple[str, Fraction, Budget]]:
    """Yield each serial bus that pulses of the profile go over, how busy it gets, and the worst that comes of that.

    How busy is the most of its time that trains and the polls take, answers taken to come at once where the bench
    file does not say how long they take.
    """
    by_bus: dict[str, list[tuple[Fraction, Budget]]] = {}
    for crowd in _crowds(bound):
        by_bus.setdefault(crowd.train.bus, []).append((crowd.share(bound), crowd.budget(bound)))
    for bus, trains in by_bus.items():
        worst = [worst for _, worst in trains]
        yield (
            bus,
            max(share for share, _ in trains),
            Budget(
                max(w.latency_us for w in worst),
                max(w.complete_us for w in worst),
                max(w.age_us for w in worst),
            ),
        )


def _crowds(bound: Bound) -> Iterator[_Crowd]:
    going: list[_Train] = []
    for train in _trains(bound):
        going = [other for other in going if other.output != train.output and _goes_on(other, train.begins_s)]
        yield _Crowd(train, tuple(other for other in going if other.bus == train.bus))
        going.append(train)


def _goes_on(train: _Train, at_s: float) -> bool:
    return train.lasts_s is None or train.begins_s + train.lasts_s > at_s


def _trains(bound: Bound) -> Iterator[_Train]:
    bench, began_s = bound.bench.model, 0.0
    found = found_by_rains(bound.profile.model, buckets_of(bench.outputs, bound.outputs))
    for number, (step, (shortest_s, _)) in enumerate(
        zip(bound.profile.model.steps, step_spans(bound.profile.model), strict=True)
    ):
        times = stimulus_times(step.do)
        for index, (stimulus, (begins_s, ends_s)) in enumerate(zip(step.do, times, strict=True)):
            name = next(iter(stimulus.outputs), None)
            if name is None or name in bound.vents:
                continue
            output = bound.outputs[name]
            use = bus_use(bench.outputs[output])
            spec = bench.buses.get(use.bus) if use else None
            if use is None or not isinstance(spec, SerialBus):
                continue
            made = _edges(stimulus, bench.outputs[output], found.get((number, index)) or EMPTY)
            if made is not None:
                path: Path = ("steps", number, "do", index)
                lasts_s = ends_s - begins_s if isinstance(stimulus, PulseContact) else made.lasts_s
                yield _Train(path, began_s + begins_s, lasts_s, output, use.bus, spec, made)
        began_s += shortest_s


@final
@dataclass(frozen=True, slots=True)
class _Edges:
    """How dense a train's edges are where they are densest, and how long it lasts by itself.

    Attributes:
        per_us: how many it makes in a microsecond.
        apart_us: the shortest time between two.
        lasts_s: how long it goes on by itself; None for as long as it is let.
        asked: whether the profile says how long the pulses are.
        cups: what makes them, of a wind on contacts that do not bounce.
    """

    per_us: Fraction
    apart_us: int
    lasts_s: float | None
    asked: bool = False
    cups: CupAnemometer | None = None

    def bouncing(self, bounce: Bounce | None) -> _Edges:
        """Return the edges of a contact that bounces at each closure."""
        if bounce is None:
            return self
        apart_us = min(self.apart_us, max(1, round(bounce.each * _US)))
        return replace(self, per_us=self.per_us * (1 + bounce.times), apart_us=apart_us)


def _edges(stimulus: Stimulus, output: OutputSpec, left: Left) -> _Edges | None:
    sensor = output.sensor if isinstance(output, ContactOutput) else None
    if isinstance(stimulus, PulseContact):
        made = _periodic(stimulus.closed_for, None if stimulus.times == 1 else stimulus.open_for, None)
        return replace(made, asked=True)
    if isinstance(stimulus, Rainfall) and sensor is not None and sensor.bucket is not None:
        closings = [edge.at_s for edge in rain_edges(sensor.bucket, stimulus, left)[::2]]
        if not closings:
            return None
        period_s = min((b - a for a, b in pairwise(closings)), default=None)
        open_s = None if period_s is None else period_s - sensor.bucket.closed_for
        plain = _periodic(sensor.bucket.closed_for, open_s, closings[-1] + sensor.bucket.closed_for)
        return plain.bouncing(stimulus.bounce)
    if isinstance(stimulus, Wind) and sensor is not None and sensor.cups is not None:
        cups = anemometer(sensor.cups)  # binding the profile has judged what the output can follow
        hz = cups.frequency_hz(wind_of(stimulus).fastest_m_per_s)
        if not hz:
            return None
        even = replace(
            _periodic(1 / hz / 2, 1 / hz / 2, None), cups=cups if stimulus.bounce is None else None
        )
        return even.bouncing(stimulus.bounce)
    return None


def _periodic(closed_s: float, open_s: float | None, lasts_s: float | None) -> _Edges:
    """Return the density of equal pulses; two edges alone, with no time between pulses, are no load."""
    closed_us = max(1, round(closed_s * _US))
    if open_s is None:
        return _Edges(Fraction(0), closed_us, lasts_s)
    open_us = max(1, round(open_s * _US))
    return _Edges(Fraction(2, closed_us + open_us), min(closed_us, open_us), lasts_s)
