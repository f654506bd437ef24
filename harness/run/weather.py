"""The weather that goes on beside the steps: rain into buckets, wind on cups, levels, and sensors that fail."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import dropwhile
from typing import Final, Protocol, final

from bench.build import Rig
from bench.clock import now_s, sleep_until
from bench.drivers import fastest_edge_s
from bench.errors import DriverError
from bench.samples import Edge, EdgeReport, Window
from bench.trains import Train
from bench.wiring import ContactOutput, LevelOutput, RegisterOutput, ResistanceOutput, ValueOutput
from harness.profile.stimulus import Fail, Mend, Rainfall, Wind, WriteValue
from harness.run.compile import seconds
from harness.weather.sensing import anemometer, end_levels, level_of, rain_edges, wind_edges

LEAD_S: Final = 0.05
"""A pulse train is ordered this long before its first edge."""

_SAID: Final = {"open": "break the wire of", "short": "short the wires of", "stuck": "freeze"}


class Teller(Protocol):
    """Writes events down; times are loop times."""

    def __call__(self, name: str, /, **fields: object) -> None:
        """Write an event."""


class Times(Protocol):
    """Turns loop times into the fields of events."""

    def window(self, window: Window) -> dict[str, float]:
        """Return a window as `from` and `to`."""

    def edges(self, reports: Sequence[EdgeReport]) -> list[dict[str, object]]:
        """Return edges with their windows."""

    def late(self, loop_s: float) -> float:
        """Return log time, rounded up."""


_At = Mapping[str, object]
"""Which stimulus it is: its step, its number there, its label."""


@final
@dataclass(slots=True)
class _Playing:
    """A stimulus that goes on: its edges from the beginning, what plays them, and the last edge that was played."""

    at: _At
    output: str
    edges: Callable[[], Iterable[Edge]]
    start_s: float
    train: Train | None = None
    closures: int = 0
    last: Window | None = None


@final
@dataclass(slots=True)
class Weather:
    """Plays what goes on beside the steps, and writes down what was really played.

    Args:
        rig: the bench, open.
        names: the bench's output names, by the profile's.
        tell: writes events.
        times: turns loop times into their fields.
        broken: takes an error that makes the weather another than the one asked for.
    """

    rig: Rig
    names: Mapping[str, str]
    tell: Teller
    times: Times
    broken: Callable[[BaseException], None]
    _playing: dict[str, _Playing] = field(init=False, default_factory=dict)
    _failed: set[str] = field(init=False, default_factory=set)
    _levels: dict[str, float] = field(init=False, default_factory=dict)

    async def apply(
        self, step: int, index: int, stimulus: Rainfall | Wind | Fail | Mend | WriteValue
    ) -> None:
        """Apply a stimulus and write it down with the window that holds it."""
        at: _At = {"step": step, "stimulus": index, "label": stimulus.label}
        match stimulus:
            case Rainfall(rainfall=name) | Wind(wind=name):
                await self._play(at, stimulus, name)
            case WriteValue(write=name):
                await self._write(at, stimulus, name)
            case Fail(fail=name):
                await self._fail(at, stimulus, name)
            case Mend(mend=name):
                await self._mend(at, name)

    async def stop(self) -> None:
        """Stop everything that goes on, and write down what was played.

        Raises:
            BenchError: the weather was not the one asked for.
        """
        for name in list(self._playing):
            await self._end(name)

    async def _play(self, at: _At, stimulus: Rainfall | Wind, name: str) -> None:
        await self._end(name)
        plan, until_s = self._plan(stimulus, name)
        playing = _Playing(at, name, plan, now_s() + LEAD_S)
        self._playing[name] = playing
        if name not in self._failed:
            self._start(playing)
        await sleep_until(playing.start_s)
        self._stimulus(
            at,
            name,
            _said(stimulus),
            Window(playing.start_s, playing.start_s),
            goes_on=True,
            until=None if until_s is None else self.times.late(playing.start_s + until_s),
        )

    def _plan(
        self, stimulus: Rainfall | Wind, name: str
    ) -> tuple[Callable[[], Iterable[Edge]], float | None]:
        """Return the edges of a stimulus, and how long after its beginning they end; None for never."""
        output = self.rig.file.outputs[self.names[name]]
        assert isinstance(output, ContactOutput), "binding the profile sees to it"
        assert output.sensor is not None, "likewise"
        if isinstance(stimulus, Rainfall):
            assert output.sensor.bucket is not None, "likewise"
            edges = rain_edges(output.sensor.bucket, stimulus.intensity, for_s=stimulus.for_)
            return lambda: edges, max(stimulus.for_, edges[-1].at_s if edges else 0.0)
        assert output.sensor.cups is not None, "likewise"
        cups = anemometer(
            output.sensor.cups, fastest_edge_s=fastest_edge_s(output, self.rig.file.buses) or LEAD_S
        )
        return lambda: wind_edges(cups, stimulus.speed.value), None

    def _start(self, playing: _Playing) -> None:
        """Play what is still to come of a stimulus, from its next closure on."""
        gone_s = now_s() - playing.start_s
        edges = dropwhile(lambda edge: edge.at_s <= gone_s or not edge.closed, playing.edges())

        def played(reports: Sequence[EdgeReport]) -> None:
            self.tell("played", **playing.at, output=playing.output, edges=self.times.edges(reports))
            playing.last = reports[-1].window

        train = Train(
            self.rig.outputs, self.names[playing.output], edges, start_s=playing.start_s, played=played
        )
        playing.train = train
        train.when_over(lambda: self._over(playing, train))

    def _over(self, playing: _Playing, train: Train) -> None:
        """Take note that a train came to its end by itself or by an error."""
        if playing.train is not train:
            return
        if train.error is not None:
            self.broken(train.error)
        elif self._playing.get(playing.output) is playing and not train.stopped:
            self._count(playing)
            del self._playing[playing.output]
            self._tell_end(playing)

    async def _halt(self, playing: _Playing) -> None:
        """Stop what plays a stimulus; the stimulus itself may go on later."""
        if playing.train is not None:
            await playing.train.stop()
            self._count(playing)

    def _count(self, playing: _Playing) -> None:
        if playing.train is not None:
            playing.closures += playing.train.closures
            playing.train = None

    async def _end(self, name: str) -> None:
        playing = self._playing.pop(name, None)
        if playing is not None:
            await self._halt(playing)
            self._tell_end(playing)

    def _tell_end(self, playing: _Playing) -> None:
        at_s = now_s()
        self.tell(
            "stimulus_end",
            **playing.at,
            output=playing.output,
            closures=playing.closures,
            **self.times.window(playing.last or Window(at_s, at_s)),
        )

    async def _write(self, at: _At, stimulus: WriteValue, name: str) -> None:
        level = self._level(name, stimulus.value.value)
        self._levels[name] = level
        at_s = now_s()
        window = Window(at_s, at_s)
        if name not in self._failed:
            window = await self.rig.outputs.level(self.names[name], level)
        wired = {} if isinstance(self._value_output(name), RegisterOutput) else {"level": level}
        said = f"write {stimulus.value} to {name}"
        self._stimulus(at, name, said, window, value=stimulus.value.value, **wired)

    def _value_output(self, name: str) -> ValueOutput:
        output = self.rig.file.outputs[self.names[name]]
        assert not isinstance(output, ContactOutput), "binding the profile sees to it"
        return output

    def _level(self, name: str, value: float) -> float:
        try:
            return level_of(self._value_output(name), value)
        except ValueError as error:
            raise DriverError(f"output {self.names[name]}: {error}") from None

    async def _fail(self, at: _At, stimulus: Fail, name: str) -> None:
        self._failed.add(name)
        playing = self._playing.get(name)
        if playing is not None:
            await self._halt(playing)
        at_s = now_s()
        window = Window(at_s, at_s)
        if stimulus.how != "stuck":
            output = self.rig.file.outputs[self.names[name]]
            if isinstance(output, LevelOutput | ResistanceOutput):
                ends = end_levels(output)
                level = ends.broken if stimulus.how == "open" else ends.shorted
                window = await self.rig.outputs.level(self.names[name], level)
            else:
                window = await self.rig.outputs.contact(self.names[name], closed=stimulus.how == "short")
        self._stimulus(at, name, f"{_SAID[stimulus.how]} {name}", window)

    async def _mend(self, at: _At, name: str) -> None:
        self._failed.discard(name)
        at_s = now_s()
        window = Window(at_s, at_s)
        if isinstance(self.rig.file.outputs[self.names[name]], ContactOutput):
            window = await self.rig.outputs.contact(self.names[name], closed=False)
            playing = self._playing.get(name)
            if playing is not None:
                self._start(playing)
        elif name in self._levels:
            window = await self.rig.outputs.level(self.names[name], self._levels[name])
        self._stimulus(at, name, f"mend {name}", window)

    def _stimulus(
        self,
        at: _At,
        name: str,
        said: str,
        window: Window,
        **more: object,
    ) -> None:
        self.tell("stimulus", **at, output=name, said=said, **more, **self.times.window(window))


def _said(stimulus: Rainfall | Wind) -> str:
    if isinstance(stimulus, Rainfall):
        return f"rain of {stimulus.intensity} into {stimulus.rainfall} for {seconds(stimulus.for_)}"
    return f"wind of {stimulus.speed} on {stimulus.wind}"
