"""Polls a rig while something is done to it, keeps what was seen, and stops when nothing may be driven."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from typing import TYPE_CHECKING, Any, Final, NoReturn, Self, TypeVar, final

from bench.clock import now_s
from bench.errors import BenchError, InterlockError, LinkError
from bench.polling import poll
from bench.samples import Gap, Poll, Sample

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Sequence

    from bench.build import Rig
    from bench.wiring import BenchFile

T = TypeVar("T")

_GLANCE_S: Final = 0.05  # from one look at what was read to the next


def interlock_healthy(file: BenchFile, evidence: Poll | Gap) -> bool:
    """Return whether a poll shows a bench's interlock to be healthy; False when it says nothing of it.

    Raises:
        InterlockError: it is not healthy, or cannot be read.
    """
    interlock = file.interlock
    if interlock is None or evidence.bus != file.signals[interlock.signal].bus:
        return False
    if isinstance(evidence, Gap):
        raise InterlockError(f"the interlock {interlock.signal} cannot be read: {evidence.detail}")
    if interlock.signal not in evidence.values:
        return False
    value = evidence.values[interlock.signal]
    if value != interlock.healthy:
        raise InterlockError(
            f"the interlock {interlock.signal} is not healthy (it reads {value:g}, healthy is "
            f"{interlock.healthy}): nothing is driven"
        )
    return True


@final
class Watching:
    """Everything that is polled on an open rig, from entering to leaving it as an async context.

    Args:
        rig: the rig, open.
        sink: also takes everything that is seen.

    Attributes:
        polls: what was read, by bus.
        gaps: spans without evidence, by bus.
    """

    def __init__(self, rig: Rig, sink: Callable[[Poll | Gap], None]) -> None:
        self.polls: dict[str, list[Poll]] = defaultdict(list)
        self.gaps: dict[str, list[Gap]] = defaultdict(list)
        self._rig = rig
        self._sink = sink
        self._broken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._healthy = asyncio.Event()
        self._pollers: list[asyncio.Task[NoReturn]] = []

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        for read in self._rig.reads:
            every_s = read.spec.poll_every
            polling = poll(read.bus, read.plan, every_s=every_s, bus_spec=read.spec, sink=self._saw)
            task = loop.create_task(polling)
            task.add_done_callback(self._ended)
            self._pollers.append(task)
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self._pollers:
            task.cancel()
        await asyncio.gather(*self._pollers, return_exceptions=True)
        if self._broken.done():
            self._broken.exception()  # it was raised already, or something else broke first

    async def unless_broken(self, work: Coroutine[Any, Any, T]) -> T:
        """Wait for the interlock to be healthy, then do `work`; break it off when it is no longer.

        Raises:
            InterlockError: the interlock is not healthy or cannot be read.
            LinkError: nobody drives the outputs any more.
        """
        task: asyncio.Future[T] = asyncio.get_running_loop().create_task(self._once_healthy(work))
        try:
            waited: list[asyncio.Future[Any]] = [task, self._broken]
            await asyncio.wait(waited, return_when=asyncio.FIRST_COMPLETED)
        finally:
            if not task.done():
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
        if self._broken.done():
            self._broken.result()
        return task.result()

    async def _once_healthy(self, work: Coroutine[Any, Any, T]) -> T:
        if self._rig.file.interlock is not None:
            try:
                await self._healthy.wait()
            except asyncio.CancelledError:
                work.close()
                raise
        return await work

    def samples(self, signal: str, since_s: float) -> tuple[Sample, ...]:
        """Return a signal's readings that were asked for at `since_s` or later."""
        polls = self.polls[self._rig.file.signals[signal].bus]
        return tuple(
            Sample(p.values[signal], p.requested_s, p.replied_s)
            for p in polls
            if p.requested_s >= since_s and signal in p.values
        )

    def latest(self, signal: str) -> float | None:
        """Return a signal's last reading, or None when nothing was read since its bus last fell silent."""
        bus = self._rig.file.signals[signal].bus
        silent_s = self.gaps[bus][-1].to_s if self.gaps[bus] else 0.0
        for seen in reversed(self.polls[bus]):
            if seen.requested_s < silent_s:
                return None
            if signal in seen.values:
                return seen.values[signal]
        return None

    async def until(self, met: Callable[[], bool], *, within_s: float) -> bool:
        """Wait until `met`, at most `within_s`; whether it came true."""
        give_up_s = now_s() + within_s
        while not met():
            if now_s() >= give_up_s:
                return False
            await asyncio.sleep(_GLANCE_S)
        return True

    def polls_since(self, bus: str, since_s: float) -> Sequence[Poll]:
        """Return the polls of a bus that were asked for at `since_s` or later."""
        return [p for p in self.polls[bus] if p.requested_s >= since_s]

    def _saw(self, evidence: Poll | Gap) -> None:
        if isinstance(evidence, Poll):
            self.polls[evidence.bus].append(evidence)
        else:
            self.gaps[evidence.bus].append(evidence)
        self._sink(evidence)
        if self._broken.done():
            return
        try:
            if self._rig.outputs.lost is not None:
                raise LinkError(self._rig.outputs.lost)
            if interlock_healthy(self._rig.file, evidence):
                self._healthy.set()
        except BenchError as error:
            self._broken.set_exception(error)

    def _ended(self, task: asyncio.Task[NoReturn]) -> None:
        error = None if task.cancelled() else task.exception()
        if error is not None and not self._broken.done():
            self._broken.set_exception(error)
