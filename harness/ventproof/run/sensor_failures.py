"""Sensors that fail and work again: broken wires, values that drift, jump or chatter, and contacts that chatter."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING, final

from ventproof.log.clockwork import Clockwork
from ventproof.log.events import LevelWandered, StimulusApplied, StimulusId
from ventproof.profile.stimulus import Fail, WriteValue
from ventproof.profile.weather import end_levels, level_of
from ventproof.run.stimuli import failure_said
from ventproof.weather.levels import chatter, contact_chatter, drift
from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.errors import BenchError, DriverError, StimulusError
from ventproof_bench.base.evidence import EdgeReport, Window
from ventproof_bench.benchfile.model import (
    ContactOutput,
    RegisterOutput,
    TerminalOutput,
    ValueOutput,
)
from ventproof_bench.outputs.trains import Train
from ventproof_bench.rig.build import Rig

if TYPE_CHECKING:
    from ventproof.log.clockwork import Teller


@final
@dataclass(slots=True)
class Failing:
    """Writes values as sensors show them, and lets sensors fail; arguments as for `PlayedWeather`.

    Args:
        trains: all trains that play; takes the ones that chatter.

    Attributes:
        failed: the outputs whose sensor has failed, by the profile's names.
    """

    rig: Rig
    names: Mapping[str, str]
    tell: Teller
    times: Clockwork
    broken: Callable[[BaseException], None]
    trains: set[Train]
    failed: set[str] = field(init=False, default_factory=set)
    _values: dict[str, float] = field(init=False, default_factory=dict)
    _closed: dict[str, bool] = field(init=False, default_factory=dict)
    _errors: dict[str, float] = field(init=False, default_factory=dict)
    _wandering: dict[str, asyncio.Task[None]] = field(init=False, default_factory=dict)
    _chattering: dict[str, Train] = field(init=False, default_factory=dict)

    async def write(self, of: StimulusId, stimulus: WriteValue) -> Window:
        """Write a value, or play it to the terminals as the sensor shows it; returns the window of that."""
        name = stimulus.write
        window, shown = await self.show(name, stimulus.value.value)
        level = None if isinstance(self._value_output(name), RegisterOutput) else shown
        said = f"write {stimulus.value} to {name}"
        self._stimulus(of, name, said, window, stimulus.value.value, level)
        return window

    async def show(self, name: str, value: float) -> tuple[Window, float]:
        """Put a value as its sensor shows it, if that works; returns the window of that, and the level."""
        self._values[name] = value
        window = await self._put(name) if self._shows(name) else Window(now_s(), now_s())
        return window, self._level(name)

    async def follow(self, of: StimulusId, name: str, value: float) -> Window:
        """Let a value change by itself, as its sensor shows it, and write that down; returns the window of that.

        Raises:
            StimulusError: it is not known when it changed.
        """
        self._values[name] = value
        return await self._wandered(of, name) if self._shows(name) else Window(now_s(), now_s())

    async def fail(self, of: StimulusId, stimulus: Fail) -> Window:
        """Let a sensor fail; what played on it has been stopped. Returns the window of that."""
        name, window = stimulus.fail, Window(now_s(), now_s())
        self.failed.add(name)
        output = self.rig.file.outputs[self.names[name]]
        if isinstance(output, ContactOutput):
            if stimulus.mode == "chatter":
                self._chatter(of, stimulus)
            elif stimulus.mode != "stuck":
                window = await self.rig.outputs.contact(self.names[name], closed=stimulus.mode == "short")
        elif stimulus.level is not None:
            window = await self.rig.outputs.level(self.names[name], stimulus.level.value)
        elif stimulus.by is not None:
            window = await self._wander(of, stimulus, stimulus.by.value)
        elif stimulus.mode != "stuck" and isinstance(output, TerminalOutput):
            window = await self._cut_or_short(name, output, cut=stimulus.mode == "open")
        self._stimulus(of, name, failure_said(stimulus), window)
        return window

    async def restore(self, of: StimulusId, name: str) -> Window:
        """Let a sensor show the weather again; returns the window of that."""
        self.failed.discard(name)
        await self._settle(name)
        window = Window(now_s(), now_s())
        output = self.rig.file.outputs[self.names[name]]
        if isinstance(output, ContactOutput):
            window = await self.rig.outputs.contact(self.names[name], closed=self._closed.get(name, False))
        elif name in self._values:
            window = await self._put(name)
        if isinstance(output, TerminalOutput) and output.breaks_with is not None:
            window = await self.rig.outputs.contact(output.breaks_with, closed=True)
        self._stimulus(of, name, f"restore {name}", window)
        return window

    def hides(self, of: StimulusId, name: str, said: str, *, closed: bool) -> bool:
        """Keep how a contact is to be left; if it has failed write that down, and return True: it must not be moved."""
        self._closed[name] = closed
        if name not in self.failed:
            return False
        self._stimulus(of, name, f"{said}, unseen", Window(now_s(), now_s()))
        return True

    async def _cut_or_short(self, name: str, output: TerminalOutput, *, cut: bool) -> Window:
        """Break a wire, by the relay in series with it if there is one, or short it; returns the window of that."""
        if cut and output.breaks_with is not None:
            return await self.rig.outputs.contact(output.breaks_with, closed=False)
        ends = end_levels(output)
        return await self.rig.outputs.level(self.names[name], ends.broken if cut else ends.shorted)

    async def stop(self) -> None:
        """Let nothing wander or chatter any more.

        Raises:
            BenchError: something went wrong with that, now or before.
        """
        for name in (*self._wandering, *self._chattering):
            await self._settle(name)

    def drop(self) -> None:
        """Drive nothing more, from this moment on."""
        for task in self._wandering.values():
            task.cancel()

    async def gone(self) -> None:
        """Wait until nothing wanders any more, once that was dropped."""
        await asyncio.gather(*self._wandering.values(), return_exceptions=True)

    async def _settle(self, name: str) -> None:
        self._errors.pop(name, None)
        if (task := self._wandering.pop(name, None)) is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        if (train := self._chattering.pop(name, None)) is not None:
            await train.stop()

    def _chatter(self, of: StimulusId, stimulus: Fail) -> None:
        assert stimulus.every is not None, "the model sees to it"
        name = stimulus.fail

        def played(reports: Sequence[EdgeReport]) -> None:
            self.tell(self.times.batch, of, name, reports)

        edges = contact_chatter(every_s=stimulus.every, seed=stimulus.seed)
        train = Train(self.rig.outputs, self.names[name], edges, start_s=now_s(), played=played)
        self._chattering[name] = train
        self.trains.add(train)

        def over() -> None:
            self.trains.discard(train)
            if train.error is not None:
                self.broken(train.error)

        train.when_over(over)

    async def _wander(self, of: StimulusId, stimulus: Fail, by: float) -> Window:
        """Begin to make a value wrong; returns the window of the first change."""
        name, began_s = stimulus.fail, now_s()
        errors: Iterator[tuple[float, float]] = iter([(0.0, by)])
        if stimulus.over is not None:
            errors = chain([(0.0, 0.0)], drift(by, over_s=stimulus.over))
        elif stimulus.every is not None:
            errors = chatter(by, every_s=stimulus.every, seed=stimulus.seed)
        _, self._errors[name] = next(errors)
        window = await self._put(name)
        task = asyncio.get_running_loop().create_task(self._go_on(of, name, errors, began_s))
        self._wandering[name] = task
        return window

    async def _go_on(
        self, of: StimulusId, name: str, errors: Iterator[tuple[float, float]], began_s: float
    ) -> None:
        try:
            for at_s, error in errors:
                await sleep_until(began_s + at_s)
                self._errors[name] = error
                await self._wandered(of, name)
        except BenchError as error:  # nobody awaits this task for its outcome
            self.broken(error)

    def _shows(self, name: str) -> bool:
        """Return whether a sensor shows its value, right or wrong."""
        return name not in self.failed or name in self._errors

    async def _wandered(self, of: StimulusId, name: str) -> Window:
        window, level = await self._put(name), self._level(name)
        if window.again:
            said = f"{name} is not confirmed to have changed in time: a reply was lost"
            raise StimulusError(said, since_s=window.earliest_s)
        self.tell(LevelWandered, of, name, self._errors.get(name, 0.0), level, self.times.window(window))
        return window

    async def _put(self, name: str) -> Window:
        return await self.rig.outputs.level(self.names[name], self._level(name))

    def _level(self, name: str) -> float:
        try:
            return level_of(self._value_output(name), self._values[name] + self._errors.get(name, 0.0))
        except ValueError as error:
            raise DriverError(f"output {self.names[name]}: {error}") from None

    def _value_output(self, name: str) -> ValueOutput:
        output = self.rig.file.outputs[self.names[name]]
        assert not isinstance(output, ContactOutput), "binding the profile sees to it"
        return output

    def _stimulus(  # noqa: PLR0917 - what the event holds
        self,
        of: StimulusId,
        name: str,
        said: str,
        window: Window,
        value: float | None = None,
        level: float | None = None,
    ) -> None:
        shown = self.times.window(window)
        self.tell(StimulusApplied, of, name, said, window=shown, value=value, level=level)
