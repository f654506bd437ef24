"""Whether the buses of a bench can carry a profile's pulse trains beside the polls."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Final, final

from bench.budget import Budget, answering_at_once, budget
from bench.carrying import load_on, remedy, said
from bench.drivers import bus_use
from bench.wiring import ContactOutput, SerialBus
from harness.profile.stimulus import PulseContact, Rainfall, Wind
from harness.weather.sensing import anemometer, rain_edges

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.errors import Problem
    from bench.wiring import OutputSpec
    from bench.yamltree import Path
    from harness.profile.bind import Bound
    from harness.profile.stimulus import Stimulus

_US: Final = 1_000_000
_NO_LIMIT_S: Final = 1e-6  # binding the profile has judged what the output can follow


@final
@dataclass(frozen=True, slots=True)
class _Train:
    """A pulse train that goes over a serial bus."""

    path: Path
    output: str
    bus: str
    spec: SerialBus
    edges_per_us: Fraction
    apart_us: int

    def budget(self, bound: Bound) -> Budget:
        load = load_on(bound.bench.model, self.bus, self.spec, [self.output])
        return budget(load, edges_apart_us=self.apart_us)

    def share(self, bound: Bound) -> Fraction:
        """Return the part of the bus's time that the train and the polls take."""
        load = load_on(bound.bench.model, self.bus, answering_at_once(self.spec), [self.output])
        return load.polling + self.edges_per_us * load.edge_us


def train_problems(bound: Bound) -> Iterator[Problem]:
    """Yield a problem for each pulse train that its serial bus cannot carry beside the polls.

    A unit and a board are taken to answer at once where the bench file does not say how long they take.
    """
    for train in _trains(bound):
        share = train.share(bound)
        if share <= 1:
            continue
        reason = (
            f"bus {train.bus!r} of bench {bound.bench.path} cannot carry these pulses beside its polls: together they "
            f"want it {float(100 * share):.3g} % of the time at {train.spec.baud} Bd"
        )
        hint = remedy(
            bound.bench.model,
            train.bus,
            train.spec,
            outputs=[train.output],
            edges_per_us=train.edges_per_us,
        )
        yield bound.profile.problem(
            train.path, reason, f"in the bench file, {hint}; or make the pulses longer"
        )


def late_notes(bound: Bound) -> Iterator[Problem]:
    """Yield a note for each pulse train whose edges its bus may carry out late."""
    for train in _trains(bound):
        complete_us = train.budget(bound).complete_us
        if complete_us > train.apart_us:
            reason = (
                f"on bus {train.bus!r} an edge and its read-back can take {said(complete_us)}, and these edges are "
                f"{said(train.apart_us)} apart: some may be late, and the record will say how late"
            )
            known = train.spec.answers_within is not None
            hint = "" if known else f"declare answers_within of the bus in {bound.bench.path}"
            yield bound.profile.problem(train.path, reason, hint)


def busiest(bound: Bound) -> Iterator[tuple[str, Fraction, Budget]]:
    """Yield each serial bus that pulses of the profile go over, how busy it gets, and the worst that comes of that.

    How busy is the most of its time that a train and the polls take, answers taken to come at once where the bench
    file does not say how long they take.
    """
    by_bus: dict[str, list[tuple[Fraction, Budget]]] = {}
    for train in _trains(bound):
        by_bus.setdefault(train.bus, []).append((train.share(bound), train.budget(bound)))
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


def _trains(bound: Bound) -> Iterator[_Train]:
    bench = bound.bench.model
    for number, step in enumerate(bound.profile.model.steps):
        for index, stimulus in enumerate(step.do):
            name = next(iter(stimulus.outputs), None)
            if name is None:
                continue
            output = bound.outputs[name]
            use = bus_use(bench.outputs[output])
            spec = bench.buses.get(use.bus) if use else None
            if use is None or not isinstance(spec, SerialBus):
                continue
            spans = _spans_us(stimulus, bench.outputs[output])
            if spans is None:
                continue
            closed_us, open_us = spans
            path: Path = ("steps", number, "do", index)
            if open_us is None:  # two edges are no load
                yield _Train(path, output, use.bus, spec, Fraction(0), closed_us)
            else:
                per_us, apart_us = Fraction(2, closed_us + open_us), min(closed_us, open_us)
                yield _Train(path, output, use.bus, spec, per_us, apart_us)


def _spans_us(stimulus: Stimulus, output: OutputSpec) -> tuple[int, int | None] | None:
    """Return how long a train's contact is closed and then open, µs; no opening for one pulse; None for no train."""
    spans_s: tuple[float, float | None] | None = None
    sensor = output.sensor if isinstance(output, ContactOutput) else None
    if isinstance(stimulus, PulseContact):
        spans_s = stimulus.closed_for, (None if stimulus.times == 1 else stimulus.open_for)
    elif isinstance(stimulus, Rainfall) and sensor is not None and sensor.bucket is not None:
        closings = [e.at_s for e in rain_edges(sensor.bucket, stimulus.intensity, for_s=stimulus.for_)[::2]]
        period_s = min((b - a for a, b in pairwise(closings)), default=None)
        open_s = None if period_s is None else period_s - sensor.bucket.closed_for
        spans_s = (sensor.bucket.closed_for, open_s) if closings else None
    elif isinstance(stimulus, Wind) and sensor is not None and sensor.cups is not None:
        hz = anemometer(sensor.cups, fastest_edge_s=_NO_LIMIT_S).frequency_hz(stimulus.speed.value)
        spans_s = (1 / hz / 2, 1 / hz / 2) if hz else None
    if spans_s is None:
        return None
    closed_us, open_us = (None if span_s is None else max(1, round(span_s * _US)) for span_s in spans_s)
    assert closed_us is not None, "every train has closures"
    return closed_us, open_us
