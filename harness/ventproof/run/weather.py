"""Weather beside the steps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import dropwhile
from typing import TYPE_CHECKING, final

from ventproof.log.clockwork import Clockwork
from ventproof.log.events import StimulusApplied, StimulusEnd, StimulusId, StimulusSettled
from ventproof.profile.stimulus import Fail, Rainfall, Restore, VentFailure, Wind, WriteValue
from ventproof.profile.vent_failures import HEALTHY_PARTS, parts_of, vent_failure_said
from ventproof.profile.weather import (
    EMPTY,
    anemometer,
    rain_edges,
    rain_leaves,
    rain_of,
    wind_of,
    with_bounce,
)
from ventproof.run.sensor_failures import Failing
from ventproof.run.stimuli import rain_said, wind_said
from ventproof.run.wind_levels import WindLevels
from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.exact import exact
from ventproof.weather.rain_gauge import Left
from ventproof.weather.wind import WindCourse, turned_by, wind_edges
from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import BenchError
from ventproof_bench.base.evidence import EdgeReport, Window
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.drivers.driver import fastest_edge_s
from ventproof_bench.outputs.trains import LEAD_S, Train
from ventproof_bench.rig.build import Rig

if TYPE_CHECKING:
    from ventproof.log.clockwork import Teller
    from ventproof.profile.courses import Bounce
    from ventproof_bench.base.protocols import PartCondition, VentPart


@final
@dataclass(frozen=True, slots=True)
class RainPlan:
    """Rain into a bucket.

    Attributes:
        edges: of the bucket's contact; instants count from the rain's beginning.
        lasts_s: how long it rains.
    """

    edges: tuple[Edge, ...]
    lasts_s: float

    def open_from(self, at_s: float) -> float:
        """Return the first instant, from `at_s` on, at which the contact is open: there another rain can take over."""
        opening = next((edge for edge in self.edges if edge.at_s > at_s), None)
        return at_s if opening is None or opening.closed else opening.at_s

    @property
    def ends_s(self) -> float:
        """When the rain and its last edge are over, seconds."""
        return max(self.lasts_s, self.edges[-1].at_s if self.edges else 0.0)

    def after(self, gone_s: float) -> Iterator[Edge]:
        """Yield the edges from the next closure on."""
        return dropwhile(lambda edge: edge.at_s <= gone_s or not edge.closed, self.edges)


@final
@dataclass(frozen=True, slots=True)
class WindPlan:
    """Wind on cups.

    Attributes:
        cups: the cups.
        course: the wind.
        phase: how far the cups stand past their last pulse when it begins, as a share of the way to the next.
    """

    cups: CupAnemometer
    course: WindCourse
    phase: Fraction = Fraction()

    def after(self, gone_s: float) -> Iterator[Edge]:
        """Yield the edges from the next closure on, without end; the contact is open at `gone_s`, or at 0 s before."""
        from_s = max(gone_s, 0.0)
        rest = self.course.rest(from_s) if from_s else self.course
        phase = self._turned(from_s) % 1
        return (Edge(e.at_s + from_s, e.closed) for e in wind_edges(self.cups, rest, phase=phase))

    def open_from(self, at_s: float) -> tuple[float, Fraction]:
        """Return the first instant, from `at_s` on, at which the contact is open, and the cups' phase then.

        There another wind can take over: no pulse is lost, cut short or added.
        """
        turned = self._turned(at_s)
        if turned >= 1 and turned % 1 < exact(self.cups.duty):
            rest = self.course.rest(at_s)
            opening = next(wind_edges(self.cups, rest, phase=turned % 1, closed=True))
            at_s += opening.at_s
            turned = self._turned(at_s)
        return at_s, turned % 1

    def _turned(self, at_s: float) -> Fraction:
        return turned_by(self.cups, self.course, at_s, phase=self.phase)


Plan = RainPlan | WindPlan


@final
@dataclass(slots=True)
class _Playing:
    """A stimulus that goes on: what plays it, how late an edge was at most, and the last one that was played.

    `settling` tells when a wind settles, or when a rain is over that makes no tip.
    """

    of: StimulusId
    output: str
    plan: Plan
    start_s: float
    train: Train | None = None
    closures: int = 0
    latest_s: float = 0.0
    last: Window | None = None
    settling: asyncio.TimerHandle | None = None
    bounce: Bounce | None = None


@final
@dataclass(frozen=True, slots=True)
class _Rained:
    """The last rain into a bucket, going on or over: what it found there, and when it began."""

    rainfall: Rainfall
    found: Left
    start_s: float


@final
@dataclass(slots=True)
class PlayedWeather:
    """Plays what goes on beside the steps, and writes down what was really played.

    Args:
        rig: the bench, open.
        names: the bench's output names, by the profile's.
        vents: the bench's names of the vents that it plays, by the profile's.
        tell: writes events.
        times: turns loop times into theirs.
        broken: takes an error that makes the weather another than the one asked for.
    """

    rig: Rig
    names: Mapping[str, str]
    vents: Mapping[str, str]
    tell: Teller
    times: Clockwork
    broken: Callable[[BaseException], None]
    _playing: dict[str, _Playing] = field(init=False, default_factory=dict)
    _trains: set[Train] = field(init=False, default_factory=set)
    _rained: dict[str, _Rained] = field(init=False, default_factory=dict)
    _failing: Failing = field(init=False)
    _levels: WindLevels = field(init=False)

    def __post_init__(self) -> None:
        said = self.rig, self.names, self.tell, self.times, self.broken
        self._failing = Failing(*said, self._trains)
        self._levels = WindLevels(*said, self._failing)

    async def apply(
        self, step: int, index: int, stimulus: Rainfall | Wind | Fail | VentFailure | Restore | WriteValue
    ) -> bool:
        """Apply a stimulus and write it down with its window; whether a command for it was given again."""
        of = StimulusId(step, index, stimulus.label)
        window: Window | None = None
        match stimulus:
            case Wind(wind=name) if self._levels.carries(name):
                await self._levels.play(of, stimulus)
            case Rainfall(rainfall=name) | Wind(wind=name):
                await self._play(of, stimulus, name)
            case WriteValue(write=name):
                await self._levels.end(name)
                window = await self._failing.write(of, stimulus)
            case Fail(fail=name):
                playing = self._playing.get(name)
                self._failing.failed.add(name)
                if playing is not None:
                    await self._halt(playing)
                window = await self._failing.fail(of, stimulus)
            case VentFailure(fail=name):
                await self._befall(of, name, vent_failure_said(stimulus), parts_of(stimulus))
            case Restore(restore=name) if name in self.vents:
                await self._befall(of, name, f"restore {name}", HEALTHY_PARTS)
            case Restore(restore=name):
                window = await self._failing.restore(of, name)
                playing = self._playing.get(name)
                if playing is not None:
                    self._start(playing)
        return window is not None and window.again

    async def _befall(
        self, of: StimulusId, name: str, said: str, parts: Mapping[VentPart, PartCondition]
    ) -> None:
        window = await self.rig.outputs.condition(self.vents[name], parts)
        self.tell(StimulusApplied, of, name, said, window=self.times.window(window))

    def hides(self, of: StimulusId, name: str, said: str, *, closed: bool) -> bool:
        """Whether a contact has failed, so that a move of it shows once it works again; then it is written down."""
        return self._failing.hides(of, name, said, closed=closed)

    async def stop(self) -> None:
        """Stop everything that goes on, and write down what was played.

        Raises:
            BenchError: the weather was not the one asked for.
        """
        await self._failing.stop()
        await self._levels.stop()
        for name in list(self._playing):
            await self._end(self._playing.pop(name))

    def drop(self) -> None:
        """Drive nothing more, from this moment on: the outputs are made safe."""
        self._failing.drop()
        self._levels.drop()
        for playing in self._playing.values():
            if playing.settling is not None:
                playing.settling.cancel()
        for train in self._trains:
            train.drop()

    async def gone(self) -> None:
        """Wait until nothing goes on any more, once all was dropped and the outputs were made safe."""
        await self._failing.gone()
        await self._levels.gone()
        for train in list(self._trains):
            await train.gone()

    async def _play(self, of: StimulusId, stimulus: Rainfall | Wind, name: str) -> None:
        # Out of the books first: that train's end must not be taken for an end of the rain or wind itself.
        before = self._playing.pop(name, None)
        start_s = now_s() + LEAD_S
        if isinstance(stimulus, Rainfall):
            if before is not None and isinstance(before.plan, RainPlan):
                start_s = before.start_s + before.plan.open_from(start_s - before.start_s)
            plan: Plan = self._rain_plan(stimulus, name, start_s)
        else:
            plan = self._wind_plan(stimulus, name)
            if before is not None and isinstance(before.plan, WindPlan):
                changes_s, phase = before.plan.open_from(start_s - before.start_s)
                start_s = before.start_s + changes_s
                plan = WindPlan(plan.cups, plan.course, phase)
        if before is not None and before.train is not None:
            await before.train.end(from_s=start_s)
        playing = _Playing(of, name, plan, start_s, bounce=stimulus.bounce)
        self._playing[name] = playing
        # The next train is asked for before the last is over: the output plays both without a rest in between.
        if name not in self._failing.failed:
            self._start(playing)
        if before is not None:
            await self._end(before)
        await sleep_until(start_s)
        until_s = self._until_s(playing)
        said = rain_said(stimulus) if isinstance(stimulus, Rainfall) else wind_said(stimulus)
        self.tell(
            StimulusApplied,
            of,
            name,
            said,
            window=self.times.instant(start_s),
            goes_on=True,
            until_s=None if until_s is None else self.times.late(until_s),
        )

    def _until_s(self, playing: _Playing) -> float | None:
        """Return when a response can count from a stimulus' end; None for never. A wind tells of it then.

        So does a rain that makes no tip; any other is over with its last one.
        """
        loop = asyncio.get_running_loop()
        if isinstance(playing.plan, RainPlan):
            ends_s = playing.start_s + playing.plan.ends_s
            if not playing.plan.edges:
                playing.settling = loop.call_at(ends_s, self._dried, playing)
            return ends_s
        settles_s = playing.plan.course.settles_s
        if not settles_s:
            return None
        at_s = playing.start_s + settles_s
        playing.settling = loop.call_at(at_s, self._settled, playing, at_s)
        return at_s

    def _dried(self, playing: _Playing) -> None:
        try:
            del self._playing[playing.output]
            self._tell_end(playing)
        except BenchError as error:  # nobody awaits this call
            self.broken(error)

    def _settled(self, playing: _Playing, at_s: float) -> None:
        try:
            self.tell(StimulusSettled, playing.of, playing.output, self.times.instant(at_s))
        except BenchError as error:  # nobody awaits this call
            self.broken(error)

    def _rain_plan(self, stimulus: Rainfall, name: str, start_s: float) -> RainPlan:
        """Return what is played of a rain, into what the rain before left in the bucket until then.

        Raises:
            BenchError: with that in it, the bucket would tip faster than it can.
        """
        sensor = self._contact(name).sensor
        assert sensor is not None, "binding the profile sees to it"
        assert sensor.bucket is not None, "likewise"
        before = self._rained.get(name)
        try:
            found = (
                rain_leaves(sensor.bucket, before.rainfall, before.found, at_s=start_s - before.start_s)
                if before is not None
                else EMPTY
            )
            edges = rain_edges(sensor.bucket, stimulus, found)
        except ValueError as error:
            raise BenchError(f"the rain into {name} cannot follow on the one before it: {error}") from None
        self._rained[name] = _Rained(stimulus, found, start_s)
        return RainPlan(edges, float(rain_of(stimulus).duration_s))

    def _wind_plan(self, stimulus: Wind, name: str) -> WindPlan:
        output = self._contact(name)
        assert output.sensor is not None, "binding the profile sees to it"
        assert output.sensor.cups is not None, "likewise"
        fastest_s = fastest_edge_s(output, self.rig.file.buses)
        return WindPlan(anemometer(output.sensor.cups, fastest_edge_s=fastest_s), wind_of(stimulus))

    def _contact(self, name: str) -> ContactOutput:
        output = self.rig.file.outputs[self.names[name]]
        assert isinstance(output, ContactOutput), "binding the profile sees to it"
        return output

    def _start(self, playing: _Playing) -> None:
        """Play what is still to come of a stimulus, from its next closure on."""
        if isinstance(playing.plan, RainPlan) and not playing.plan.edges:
            return

        def played(reports: Sequence[EdgeReport]) -> None:
            self.tell(self.times.batch, playing.of, playing.output, reports)
            playing.last = reports[-1].window
            late_s = (r.window.earliest_s - r.due_s for r in reports if r.window is not None)
            playing.latest_s = max([playing.latest_s, *late_s])

        edges = with_bounce(playing.plan.after(now_s() - playing.start_s), playing.bounce)
        train = Train(
            self.rig.outputs, self.names[playing.output], edges, start_s=playing.start_s, played=played
        )
        playing.train = train
        self._trains.add(train)
        train.when_over(lambda: self._over(playing, train))

    def _over(self, playing: _Playing, train: Train) -> None:
        """Take note that a train came to its end by itself or by an error."""
        self._trains.discard(train)
        # Whoever halted this train has counted it already.
        if playing.train is not train:
            return
        if train.error is not None:
            self.broken(train.error)
        elif self._playing.get(playing.output) is playing and not train.stopped:
            self._count(playing)
            if isinstance(playing.plan, RainPlan):  # a calm goes on without edges
                del self._playing[playing.output]
                self._tell_end(playing)

    async def _halt(self, playing: _Playing) -> None:
        """Stop what plays a stimulus; the stimulus itself may go on later."""
        if playing.train is not None:
            if playing.train.stopped:  # it hands over already
                await playing.train.over()
            else:
                await playing.train.stop()
            self._count(playing)

    def _count(self, playing: _Playing) -> None:
        if playing.train is not None:
            playing.closures += playing.train.closures
            playing.train = None

    async def _end(self, playing: _Playing) -> None:
        if playing.settling is not None:
            playing.settling.cancel()
        await self._halt(playing)
        self._tell_end(playing)

    def _tell_end(self, playing: _Playing) -> None:
        at_s = now_s()
        # Where nothing was played the end is now.
        window = self.times.window(playing.last or Window(at_s, at_s))
        latest_s = round(playing.latest_s, 6)
        self.tell(StimulusEnd, playing.of, playing.output, playing.closures, latest_s, window)
