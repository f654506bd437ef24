"""Wind on sensors whose level carries the speed: played beside the steps, one level after the other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, final

from ventproof.log.clockwork import Clockwork
from ventproof.log.events import StimulusApplied, StimulusEnd, StimulusId, StimulusSettled
from ventproof.profile.stimulus import Wind
from ventproof.profile.weather import wind_of
from ventproof.run.sensor_failures import Failing
from ventproof.run.stimuli import wind_said
from ventproof.weather.wind import held
from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.errors import BenchError, StimulusError
from ventproof_bench.benchfile.model import LevelOutput
from ventproof_bench.outputs.trains import LATEST_S

if TYPE_CHECKING:
    from ventproof.log.clockwork import Teller
    from ventproof_bench.base.evidence import Window
    from ventproof_bench.rig.build import Rig


@final
@dataclass(slots=True)
class _Blowing:
    """A wind that goes on: when it began, how late a level was at most, the last one, and what plays the others."""

    of: StimulusId
    start_s: float
    last: Window
    latest_s: float = 0.0
    task: asyncio.Task[None] | None = None
    settling: asyncio.TimerHandle | None = None


@final
@dataclass(frozen=True, slots=True)
class WindLevels:
    """Winds on analogue outputs; arguments as for `PlayedWeather`.

    Args:
        failing: puts the levels, as sensors that may have failed show them.
    """

    rig: Rig
    names: Mapping[str, str]
    tell: Teller
    times: Clockwork
    broken: Callable[[BaseException], None]
    failing: Failing
    _blowing: dict[str, _Blowing] = field(init=False, default_factory=dict)

    def carries(self, name: str) -> bool:
        """Return whether an output shows a wind by its level."""
        return isinstance(self.rig.file.outputs[self.names[name]], LevelOutput)

    async def play(self, of: StimulusId, stimulus: Wind) -> None:
        """Let a wind blow, in place of the one before."""
        name, course = stimulus.wind, wind_of(stimulus)
        await self.end(name)
        output = self.rig.file.outputs[self.names[name]]
        assert isinstance(output, LevelOutput), "binding the profile sees to it"
        speeds = held(course, output.updated_every)
        start_s = now_s()
        _, speed = next(speeds)
        window, level = await self.failing.show(name, speed)
        blowing = self._blowing[name] = _Blowing(of, start_s, window)
        settles_s = course.settles_s
        self.tell(
            StimulusApplied,
            of,
            name,
            wind_said(stimulus),
            window=self.times.window(window),
            level=level,
            goes_on=True,
            until_s=self.times.late(start_s + settles_s) if settles_s else None,
        )
        loop = asyncio.get_running_loop()
        blowing.task = loop.create_task(self._go_on(name, blowing, speeds))
        if settles_s:
            at_s = start_s + settles_s
            blowing.settling = loop.call_at(at_s, self._settled, of, name, at_s)

    async def end(self, name: str) -> None:
        """Let the wind on an output change no more: its level stays."""
        blowing = self._blowing.pop(name, None)
        if blowing is not None:
            self._cancel(blowing)
            await self._gone(blowing)
            window = self.times.window(blowing.last)
            self.tell(StimulusEnd, blowing.of, name, 0, round(blowing.latest_s, 6), window)

    async def stop(self) -> None:
        """Stop every wind, and write down what was played."""
        for name in list(self._blowing):
            await self.end(name)

    def drop(self) -> None:
        """Drive nothing more, from this moment on."""
        for blowing in self._blowing.values():
            self._cancel(blowing)

    async def gone(self) -> None:
        """Wait until nothing goes on any more, once all was dropped."""
        for blowing in self._blowing.values():
            await self._gone(blowing)

    @staticmethod
    def _cancel(blowing: _Blowing) -> None:
        if blowing.settling is not None:
            blowing.settling.cancel()
        if blowing.task is not None:
            blowing.task.cancel()

    @staticmethod
    async def _gone(blowing: _Blowing) -> None:
        if blowing.task is not None:
            await asyncio.gather(blowing.task, return_exceptions=True)

    async def _go_on(self, name: str, blowing: _Blowing, speeds: Iterator[tuple[float, float]]) -> None:
        try:
            for at_s, speed in speeds:
                due_s = blowing.start_s + at_s
                await sleep_until(due_s)
                blowing.last = await self.failing.follow(blowing.of, name, speed)
                late_s = blowing.last.earliest_s - due_s
                blowing.latest_s = max(blowing.latest_s, late_s)
                if late_s > LATEST_S:
                    said = (
                        f"the wind on {name} fell {late_s:.3g} s behind: the weather was not the one asked for; "
                        f"let its level change less often (`updated_every`)"
                    )
                    raise StimulusError(said, since_s=due_s)
        except BenchError as error:  # nobody awaits this task for its outcome
            self.broken(error)

    def _settled(self, of: StimulusId, name: str, at_s: float) -> None:
        try:
            self.tell(StimulusSettled, of, name, self.times.instant(at_s))
        except BenchError as error:  # nobody awaits this call
            self.broken(error)
