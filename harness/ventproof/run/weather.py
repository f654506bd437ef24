"""The weather that goes on beside the steps: rain into buckets, wind on cups, levels, and sensors that fail."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, final

from bench.build import Rig
from bench.clock import now_s, sleep_until
from bench.drivers import fastest_edge_s
from bench.errors import BenchError
from bench.samples import EdgeReport, Window
from bench.trains import LEAD_S, Train
from bench.wiring import ContactOutput
from harness.profile.stimulus import Fail, Mend, Rainfall, Wind, WriteValue
from harness.run.clockwork import Clockwork
from harness.run.events import StimulusApplied, StimulusEnd, StimulusId, StimulusSettled
from harness.run.failing import Failing
from harness.run.plans import Plan, RainPlan, WindPlan
from harness.run.saying import rain_said, wind_said
from harness.weather.sensing import EMPTY, anemometer, rain_edges, rain_leaves
from harness.weather.stated import rain_of, wind_of
from harness.weather.tipping_bucket import Left

if TYPE_CHECKING:
    from harness.run.clockwork import Teller


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


@final
@dataclass(frozen=True, slots=True)
class _Rained:
    """The last rain into a bucket, going on or over: what it found there, and when it began."""

    rainfall: Rainfall
    found: Left
    start_s: float


@final
@dataclass(slots=True)
class Weather:
    """Plays what goes on beside the steps, and writes down what was really played.

    Args:
        rig: the bench, open.
        names: the bench's output names, by the profile's.
        tell: writes events.
        times: turns loop times into theirs.
        broken: takes an error that makes the weather another than the one asked for.
    """

    rig: Rig
    names: Mapping[str, str]
    tell: Teller
    times: Clockwork
    broken: Callable[[BaseException], None]
    _playing: dict[str, _Playing] = field(init=False, default_factory=dict)
    _trains: set[Train] = field(init=False, default_factory=set)
    _rained: dict[str, _Rained] = field(init=False, default_factory=dict)
    _failing: Failing = field(init=False)

    def __post_init__(self) -> None:
        self._failing = Failing(self.rig, self.names, self.tell, self.times, self.broken, self._trains)

    async def apply(
        self, step: int, index: int, stimulus: Rainfall | Wind | Fail | Mend | WriteValue
    ) -> None:
        """Apply a stimulus and write it down with the window that holds it."""
        of = StimulusId(step, index, stimulus.label)
        match stimulus:
            case Rainfall(rainfall=name) | Wind(wind=name):
                await self._play(of, stimulus, name)
            case WriteValue():
                await self._failing.write(of, stimulus)
            case Fail(fail=name):
                playing = self._playing.get(name)
                self._failing.failed.add(name)
                if playing is not None:
                    await self._halt(playing)
                await self._failing.fail(of, stimulus)
            case Mend(mend=name):
                await self._failing.mend(of, name)
                playing = self._playing.get(name)
                if playing is not None:
                    self._start(playing)

    async def stop(self) -> None:
        """Stop everything that goes on, and write down what was played.

        Raises:
            BenchError: the weather was not the one asked for.
        """
        await self._failing.stop()
        for name in list(self._playing):
            await self._end(self._playing.pop(name))

    def drop(self) -> None:
        """Drive nothing more, from this moment on: the outputs are made safe."""
        self._failing.drop()
        for playing in self._playing.values():
            if playing.settling is not None:
                playing.settling.cancel()
        for train in self._trains:
            train.drop()

    async def gone(self) -> None:
        """Wait until nothing goes on any more, once all was dropped and the outputs were made safe."""
        await self._failing.gone()
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
        playing = _Playing(of, name, plan, start_s)
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

        edges = playing.plan.after(now_s() - playing.start_s)
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
