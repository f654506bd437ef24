"""Every switch of a profile before it is run: when, as far as the profile tells, and what (pure)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import partial
from itertools import chain, takewhile
from typing import TYPE_CHECKING, Final, final

from ventproof.profile.duration import Span, part_spans, stimulus_times
from ventproof.profile.rains import buckets_of, found_by_rains
from ventproof.profile.stimulus import (
    CloseContact,
    Fail,
    OpenContact,
    PulseContact,
    Rainfall,
    Restore,
    VentFailure,
    Wind,
    WriteValue,
)
from ventproof.profile.vent_failures import vent_failure_said
from ventproof.profile.weather import EMPTY, anemometer, rain_edges, wind_of, with_bounce
from ventproof.run.stimuli import contact_plan, failure_said, rain_said, wind_said
from ventproof.weather.levels import contact_chatter
from ventproof.weather.wind import turned_by, wind_edges
from ventproof_bench.base.edges import Edge
from ventproof_bench.benchfile.model import ContactOutput, LevelOutput, TerminalOutput
from ventproof_bench.drivers.driver import fastest_edge_s

if TYPE_CHECKING:
    from ventproof.profile.bind import Bound
    from ventproof.profile.stimulus import Stimulus
    from ventproof.weather.anemometer import CupAnemometer
    from ventproof.weather.wind import WindCourse
    from ventproof_bench.yamlfile.tree import Path


Edges = Callable[[], Iterator[Edge]]


def _none() -> Iterator[Edge]:
    return iter(())


@final
@dataclass(frozen=True, slots=True)
class PlannedMove:
    """What one stimulus does to one output.

    Attributes:
        path: the stimulus in the profile; empty for what the start state does of its own accord.
        step: name of its step.
        output: the bench's name of the output.
        said: what is done, for people.
        at: when it begins, at the earliest and at the latest, seconds after the bench was opened.
        wired: the output's name in brackets, where the bench calls it otherwise than the profile; empty elsewhere.
        edges: of a contact, from the beginning on; a wind's have no end. None of any other output.
        until: when it ends at the earliest and at the latest, where something else or the run's end ends it.
        wind: the cups and the wind that turns them; None for all else.
        closes_times: how often the contact of the cups closes at each pulse.
    """

    path: Path
    step: str
    output: str
    said: str
    at: Span
    wired: str = ""
    edges: Edges = _none
    until: Span | None = None
    wind: tuple[CupAnemometer, WindCourse] | None = None
    closes_times: int = 1

    def lasts_s(self, which: int) -> float:
        """Return how long it goes on at the shortest (0) or at the longest (1), seconds; infinite by itself."""
        return float("inf") if self.until is None else self.until[which] - self.at[which]

    def played(self, which: int = 1) -> Iterator[Edge]:
        """Yield the edges that it makes in its shortest (0) or longest (1) time."""
        lasts_s = self.lasts_s(which)
        return takewhile(lambda edge: edge.at_s < lasts_s or not edge.closed, self.edges())

    @property
    def closures(self) -> int:
        """How many closures it makes in its longest time."""
        if self.wind is not None:
            return self.closes_times * int(turned_by(*self.wind, self.lasts_s(1), phase=Fraction()))
        return sum(edge.closed for edge in self.played())


@final
@dataclass(slots=True)
class _Plan:
    """The moves so far."""

    bound: Bound
    moves: list[PlannedMove] = field(default_factory=list)
    going: dict[str, int] = field(default_factory=dict)
    failed: set[str] = field(default_factory=set)
    left: dict[str, bool] = field(default_factory=dict)

    def add(self, path: Path, step: str, name: str, said: str, at: Span) -> PlannedMove:
        """Return a move that switches nothing yet."""
        output = self.bound.outputs[name]
        return PlannedMove(path, step, output, said, at, f" ({output})" if output != name else "")

    def take(self, name: str, move: PlannedMove, *, goes_on: bool = False) -> None:
        """Add a move; what went on at the same contact ends where it begins."""
        if (before := self.going.pop(name, None)) is not None:
            self.moves[before] = replace(self.moves[before], until=move.at)
        if goes_on:
            self.going[name] = len(self.moves)
        self.moves.append(move)

    def end(self, at: Span) -> list[PlannedMove]:
        """Return all moves of a run that ends then."""
        for index in self.going.values():
            self.moves[index] = replace(self.moves[index], until=at)
        return self.moves


def moves_of(bound: Bound) -> tuple[list[PlannedMove], Span]:
    """Return what a profile does to its outputs, in order, and how long the run takes at the least and at the most.

    A step begins when the one before is decided, so that times are known to lie between two; within a step they are
    exact but for the bench's own delays.
    """
    plan, profile = _Plan(bound), bound.profile.model
    for name, state in profile.start.set.items():
        sets = CloseContact(close=name) if state == "closed" else OpenContact(open=name)
        _add(plan, ("start", "set", name), "start", sets, (0.0, 0.0), (-1, 0))
    for name, value in profile.start.write.items():
        _add(
            plan, ("start", "write", name), "start", WriteValue(write=name, value=value), (0.0, 0.0), (-1, 0)
        )
    begins, *spans = part_spans(profile)
    for number, (step, span) in enumerate(zip(profile.steps, spans, strict=True)):
        for index, (stimulus, (at_s, _)) in enumerate(zip(step.do, stimulus_times(step.do), strict=True)):
            at = begins[0] + at_s, begins[1] + at_s
            _add(plan, ("steps", number, "do", index), step.step, stimulus, at, (number, index))
        begins = begins[0] + span[0], begins[1] + span[1]
    return plan.end(begins), begins


def _add(plan: _Plan, path: Path, step: str, stimulus: Stimulus, at: Span, place: tuple[int, int]) -> None:  # noqa: PLR0917 - what a move is
    match stimulus:
        case CloseContact() | OpenContact() | PulseContact():
            name, said, edges = contact_plan(stimulus)
            plan.left[name] = edges[-1].closed
            if name in plan.failed:
                plan.take(name, plan.add(path, step, name, f"{said}, unseen", at))
            else:
                plan.take(name, replace(plan.add(path, step, name, said, at), edges=lambda: iter(edges)))
        case Rainfall() | Wind():
            _add_weather(plan, path, step, stimulus, at, place)
        case Fail() | Restore():
            _add_failure(plan, path, step, stimulus, at)
        case WriteValue():
            said = f"write {stimulus.value} to {stimulus.write}"
            plan.moves.append(plan.add(path, step, stimulus.write, said, at))
        case VentFailure():
            vent = next(iter(stimulus.outputs))
            plan.moves.append(
                PlannedMove(path, step, plan.bound.vents[vent], vent_failure_said(stimulus), at)
            )
        case _:
            pass  # it waits, and nothing is switched


def _add_weather(  # noqa: PLR0917 - as above
    plan: _Plan, path: Path, step: str, stimulus: Rainfall | Wind, at: Span, place: tuple[int, int]
) -> None:
    outputs = plan.bound.bench.model.outputs
    name = stimulus.outputs[0]
    output = outputs[plan.bound.outputs[name]]
    if isinstance(stimulus, Wind) and isinstance(output, LevelOutput):
        plan.moves.append(plan.add(path, step, name, wind_said(stimulus), at))
        return
    assert isinstance(output, ContactOutput), "binding the profile sees to it"
    assert output.sensor is not None, "likewise"
    plan.left[name] = False
    if isinstance(stimulus, Rainfall):
        bucket = output.sensor.bucket
        assert bucket is not None, "likewise"
        found = found_by_rains(plan.bound.profile.model, buckets_of(outputs, plan.bound.outputs))
        edges = rain_edges(bucket, stimulus, found.get(place) or EMPTY)
        move = plan.add(path, step, name, rain_said(stimulus), at)
        shown = partial(with_bounce, edges, stimulus.bounce)
        plan.take(name, replace(move, edges=shown), goes_on=True)
        return
    assert output.sensor.cups is not None, "likewise"
    fastest_s = fastest_edge_s(output, plan.bound.bench.model.buses)
    wind = anemometer(output.sensor.cups, fastest_edge_s=fastest_s), wind_of(stimulus)
    move = plan.add(path, step, name, wind_said(stimulus), at)
    bounce = stimulus.bounce
    times = 1 if bounce is None else 1 + bounce.times
    move = replace(move, edges=lambda: with_bounce(wind_edges(*wind), bounce), wind=wind, closes_times=times)
    plan.take(name, move, goes_on=True)


def _add_failure(plan: _Plan, path: Path, step: str, stimulus: Fail | Restore, at: Span) -> None:
    name = stimulus.fail if isinstance(stimulus, Fail) else stimulus.restore
    if name in plan.bound.vents:
        plan.moves.append(PlannedMove(path, step, plan.bound.vents[name], f"restore {name}", at))
        return
    output = plan.bound.bench.model.outputs[plan.bound.outputs[name]]
    said = failure_said(stimulus) if isinstance(stimulus, Fail) else f"restore {name}"
    move = plan.add(path, step, name, said, at)
    (plan.failed.add if isinstance(stimulus, Fail) else plan.failed.discard)(name)
    if not isinstance(output, ContactOutput):
        plan.moves.append(move)
        wire = output.breaks_with if isinstance(output, TerminalOutput) else None
        if wire is not None and (isinstance(stimulus, Restore) or stimulus.mode == "open"):
            closes = isinstance(stimulus, Restore)
            plan.moves.append(replace(move, output=wire, edges=lambda: iter([Edge(0.0, closes)])))
        return
    mode = stimulus.mode if isinstance(stimulus, Fail) else "restore"
    if mode == "chatter":
        assert isinstance(stimulus, Fail), "only a failure chatters"
        every_s, seed = stimulus.every or 0.0, stimulus.seed
        plan.take(
            name, replace(move, edges=lambda: contact_chatter(every_s=every_s, seed=seed)), goes_on=True
        )
    elif mode == "stuck":
        plan.take(name, move)
    else:
        closes = plan.left.get(name, False) if mode == "restore" else mode == "short"
        plan.take(name, replace(move, edges=lambda: iter([Edge(0.0, closes)])))


MOST_SHOWN: Final = 1000
"""Edges of one stimulus that are shown; more are counted."""


def said_of(bound: Bound) -> Iterator[str]:
    """Yield a line for each thing that a profile does and for each edge of its pulses, with their times."""
    moves, _ = moves_of(bound)
    for move in moves:
        yield f"  {_when(move.at)}  {move.step}: {move.said}{move.wired}"
        edges = move.played()
        first = next(edges, None)
        second = next(edges, None)
        if first is None or second is None:  # one switch is told by its line
            continue
        for number, edge in enumerate(chain((first, second), edges)):
            if number == MOST_SHOWN:
                more = move.closures - MOST_SHOWN // 2
                yield f"  {'':>21}  … and {more} more closures"
                break
            at = move.at[0] + edge.at_s, move.at[1] + edge.at_s
            yield f"  {_when(at)}    {move.output} {'closes' if edge.closed else 'opens'}"


def _when(at: Span) -> str:
    early, late = (f"{at_s:.3f}" for at_s in at)
    return f"{early if early == late else f'{early} to {late}':>19} s"
