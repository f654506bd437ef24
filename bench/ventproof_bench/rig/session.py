"""The one lifecycle of a bench: a rig is opened, watched, worked on unless something breaks it off, and left safe."""

from __future__ import annotations

import asyncio
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NoReturn, Protocol, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import (
    Abort,
    AbortKind,
    BenchError,
    BusFault,
    DriverError,
    InterlockError,
    LinkError,
    StimulusError,
)
from ventproof_bench.base.evidence import DrivenOutput, FoundSetting, Gap, Poll
from ventproof_bench.benchfile.model import safe_number
from ventproof_bench.modbus.link import framing_of, unlike
from ventproof_bench.modbus.polling import Rest, poll

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

    from ventproof_bench.rig.build import Read, Rig


_LOOK_EVERY_S: Final = 0.5
_IN_DOUBT: Final = "the outputs may not be in their safe state"
_PATIENCE_S: Final = 5.0  # for links that come back before the outputs are said not to be safe
_UNREAD_AT_FIRST: Final = 3  # polls in a row that bring nothing of the interlock as the bench opens
_MARGIN_S: Final = 5.0  # beyond what a reading can take at most: the computer may be busy


class Watcher(Protocol):
    """Is told what happens to a rig; a `BenchError` that it raises breaks the work off."""

    def did(self, done: FoundSetting | DrivenOutput) -> None:
        """A setting of the unit was read, or the bench drove an output of its own accord: as it opens, as it ends."""

    def opened(self) -> None:
        """The rig is open, and nothing was polled yet."""

    def saw(self, evidence: Poll | Gap) -> None:
        """A poll or a gap."""

    def spoilt(self, error: StimulusError) -> bool:
        """The unit was given something else than what was asked for; whether the work ends in order all the same.

        What was read since then was told of as void; what rests on none of it stands.
        """

    def ends(self, *, aborted: bool) -> None:
        """The work is over, and the outputs are about to move into their safe states: drive nothing more."""

    async def gone(self) -> None:
        """The outputs are safe, if they can be: wait until nothing goes on any more that was begun beside the work."""


class UnrecordedWatcher:
    """What a watcher does that keeps no record: it has to say for itself only what it sees."""

    __slots__ = ()

    def did(self, done: FoundSetting | DrivenOutput) -> None:
        """Nothing of it is kept."""

    def opened(self) -> None:
        """Nothing is to be noted."""

    def spoilt(self, error: StimulusError) -> bool:  # noqa: ARG002 - it is told by its end
        """What was given otherwise than asked for tells nothing."""
        return False

    def ends(self, *, aborted: bool) -> None:
        """Nothing goes on beside the work."""

    async def gone(self) -> None:
        """Likewise."""


@final
@dataclass(frozen=True, slots=True)
class Ended:
    """How the work on a rig ended.

    Attributes:
        abort: why it was not done, or counts for nothing because of what is unsafe; None when all went well.
        unsafe: why the outputs may not be in their safe state; empty when they are, or were never driven.
        driven: whether an output was driven at all, or may have been.
        cause: the error behind the abort; None when all went well.
    """

    abort: Abort | None
    unsafe: str
    driven: bool
    cause: BaseException | None = None


@final
class RigSession:
    """One rig from opening to leaving it; `run` is called once.

    The work is broken off by the first of these: it failed itself; a poller died, since nobody watches any more; the
    watcher objects, for instance because its log is full; the process that guards the outputs is lost; a link that
    carries outputs was lost while one was not in its safe state; somebody else moved a relay; the interlock is not
    healthy. Where it is a `StimulusError` and the outputs can be made safe, that is no abort to a watcher that can do
    with the evidence before: the bench is fit for the next.

    Args:
        rig: the rig, not yet open.
        watcher: is told what happens.

    Attributes:
        rest: while it lasts nothing is read.
    """

    def __init__(self, rig: Rig, watcher: Watcher) -> None:
        self.rest = Rest()
        self._rig = rig
        self._watcher = watcher
        self._broken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._healthy = asyncio.Event()
        self._unread = 0
        self._unheard = Counter[str]()
        self._heard = asyncio.Event()
        self._work: asyncio.Task[None] | None = None
        self._guards: list[asyncio.Task[NoReturn]] = []
        self._abort: Abort | None = None
        self._cause: BaseException | None = None
        self._opened = False
        self._unsafe = ""
        self._told_safe = set[str]()
        rig.outputs.tell = self._did
        rig.outputs.broke = self.break_off

    @property
    def ended(self) -> Ended:
        """How it ended, once `run` is over, whichever way that was left."""
        abort = self._abort
        if self._unsafe:
            kind, reason = (abort.kind, f"{abort.text}; ") if abort else (AbortKind.BENCH, "")
            abort = Abort(kind, reason + self._unsafe)
        return Ended(abort, self._unsafe, self._rig.outputs.driven, self._cause)

    async def run(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Open the rig, work unless something breaks that off, and make the outputs safe on every way out.

        Raises:
            asyncio.CancelledError: it was interrupted; the outputs are safe.
            DriverError: it was interrupted, and the outputs may not be in their safe state.
        """
        try:
            # To its end, although it may be interrupted: what is half open could not be made safe in good order.
            # People alone, who are asked for it, are not waited for.
            interrupted = False
            if self._rig.people is None:
                interrupted = await _undisturbed(asyncio.get_running_loop().create_task(self._rig.open()))
            else:
                await self._rig.open()
            # From here on the outputs are in doubt until making them safe has succeeded: no way out may forget it.
            self._opened, self._unsafe = True, _IN_DOUBT
            if interrupted:
                raise asyncio.CancelledError  # noqa: TRY301 - as if it had come now
            self._watcher.opened()
            self._watch()
            await self._unless_broken(self._until_healthy)  # the first readings are asked for meanwhile
            await self._unless_broken(lambda: self._and_look(work))
        except StimulusError as error:
            self._cause, self._abort = error, self._abort_of_lost(error)
        except BaseException as error:
            self._cause, self._abort = error, _abort_of(error)
            if not isinstance(error, BenchError):
                raise
        finally:
            await self._to_the_end(self._leave())

    async def hear_out(self) -> None:
        """Wait until a reply too many on a serial line would have been found: doubt reaches back no further then."""
        for read in self._rig.reads:
            if framing_of(read.spec) != "tcp" and not await self._in_order(read):
                self._unheard[read.plan.bus] = 2 * len(read.plan.reads)
        if self._unheard:
            self._heard.clear()
            within_s = max(self._unheard.values()) * self._rig.slowest_evidence_s + _MARGIN_S
            await self._within(
                self._heard, within_s, f"bus {', '.join(self._unheard)} brought too little evidence"
            )

    async def _in_order(self, read: Read) -> bool:
        """Ask for something whose reply no other can pass for; whether that was answered."""
        probe = unlike(read.plan.requests)
        if probe is None:
            return False
        try:
            await read.bus.read(probe)
        except (BusFault, LinkError):
            return False  # one exception looks like any other: it may be the answer to the request before
        return True

    def break_off(self, error: BaseException) -> None:
        """Have the work broken off; the first error counts."""
        if not self._broken.done():
            self._broken.set_exception(error)
            self._broken.exception()  # seen: what breaks while tidying up changes nothing any more

    def _watch(self) -> None:
        loop = asyncio.get_running_loop()
        if any(read.played for read in self._rig.reads):
            self._guards.append(loop.create_task(self._rig.outputs.play(self.saw)))
        for read in self._rig.reads:
            if read.played:
                continue
            every_s, spec = read.spec.poll_every, read.spec
            polling = poll(read.bus, read.plan, every_s=every_s, bus_spec=spec, sink=self.saw, rest=self.rest)
            self._guards.append(loop.create_task(polling))
        if self._rig.outputs.shared:
            self._guards.append(loop.create_task(self._look_at_relays()))
        for task in self._guards:
            task.add_done_callback(self._over)

    async def _look_at_relays(self) -> NoReturn:
        """Look again and again whether the relays that others could move are as they were left."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            await self._rig.outputs.look()

    def _over(self, task: asyncio.Task[Any]) -> None:
        error = None if task.cancelled() else task.exception()
        if error is not None:
            self.break_off(error)

    async def _unless_broken(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        self._work = asyncio.get_running_loop().create_task(work())
        self._work.add_done_callback(self._over)
        await asyncio.wait({self._work, self._broken}, return_when=asyncio.FIRST_COMPLETED)
        # First: both may be over in the same turn, and then what broke the work off counts.
        if self._broken.done():
            self._broken.result()
        self._work.result()

    async def _until_healthy(self) -> None:
        interlock = self._rig.file.interlock
        if interlock is not None:
            within_s = self._rig.slowest_evidence_s + _MARGIN_S
            await self._within(self._healthy, within_s, f"the interlock {interlock.signal} was not read")

    @staticmethod
    async def _within(event: asyncio.Event, within_s: float, said: str) -> None:
        """Wait for something that a poller must bring about.

        Raises:
            LinkError: it does not; nothing on the bench explains that.
        """
        try:
            async with asyncio.timeout(within_s):
                await event.wait()
        except TimeoutError:
            raise LinkError(
                f"{said} for {within_s:.3g} s: look at its bus, and whether the computer is overloaded"
            ) from None

    def _abort_of_lost(self, error: StimulusError) -> Abort | None:
        """Take back what was read since a stimulus was lost; returns None where the watcher can do with the rest."""
        try:
            for bus in dict.fromkeys(read.plan.bus for read in self._rig.reads):
                self._watcher.saw(Gap(bus, min(error.since_s, now_s()), now_s(), "void", str(error)))
        except BenchError as other:
            return _abort_of(other)
        return None if self._watcher.spoilt(error) else _abort_of(error)

    async def _and_look(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        await work()
        await self._rig.outputs.look()  # at what happened since the last look

    def saw(self, evidence: Poll | Gap) -> None:
        """Take what was polled, or told by a person; what may not be breaks the work off."""
        try:
            # Recorded before it is judged here: the log holds the evidence that broke the work off.
            self._watcher.saw(evidence)
            self._rig.rounds.saw(evidence)
            if self._rig.outputs.lost is not None:
                raise LinkError(self._rig.outputs.lost)
            self._guard_interlock(evidence)
        except BenchError as error:
            self.break_off(error)
        if self._unheard:
            self._unheard -= Counter([evidence.bus])
        if not self._unheard:
            self._heard.set()

    def _did(self, done: FoundSetting | DrivenOutput) -> None:
        if isinstance(done, DrivenOutput):
            (self._told_safe.discard if done.trouble else self._told_safe.add)(done.output)
        try:
            self._watcher.did(done)
        except Exception as error:  # noqa: BLE001 - whatever ails the record, the outputs are made safe
            self.break_off(error)

    def _guard_interlock(self, evidence: Poll | Gap) -> None:
        """Raise when the interlock is not healthy or cannot be read; evidence may say nothing of it."""
        interlock = self._rig.file.interlock
        if interlock is None or evidence.bus != self._rig.file.bus_of(interlock.signal):
            return
        # An interlock that cannot be read protects nobody: no evidence is as bad as bad evidence.
        if isinstance(evidence, Gap):
            self._unread += 1
            if not self._healthy.is_set() and self._unread < _UNREAD_AT_FIRST:
                return  # nothing is driven before it was read
            reason = f"the interlock {interlock.signal} cannot be read: {evidence.detail}"
            raise InterlockError(reason, unread=True)
        if interlock.signal not in evidence.values:
            return
        value = evidence.values[interlock.signal]
        if value != interlock.healthy:
            raise InterlockError(
                f"the interlock {interlock.signal} is not healthy (it reads {value:g}, healthy is "
                f"{interlock.healthy}): nothing is driven"
            )
        self._healthy.set()

    async def _to_the_end(self, ending: Coroutine[Any, Any, None]) -> None:
        """Await the leaving whatever happens: an interruption in between is kept until it is done."""
        interrupted = await _undisturbed(asyncio.get_running_loop().create_task(ending))
        by_operator = self._abort is not None and self._abort.kind is AbortKind.OPERATOR
        if self._unsafe and (interrupted or by_operator):
            raise DriverError(self._unsafe)
        if interrupted:
            raise asyncio.CancelledError

    async def _leave(self) -> None:
        if self._work is not None:
            # Before the watcher is told: afterwards nothing may be driven by the work any more.
            self._work.cancel()
            await asyncio.gather(
                self._work, return_exceptions=True
            )  # an error beside what broke it is no news
        try:
            self._watcher.ends(aborted=self._abort is not None)
        except Exception as error:
            self._cause, self._abort = self._cause or error, self._abort or _abort_of(error)
            if not isinstance(error, BenchError):
                raise
        finally:
            await self._make_safe()

    async def _make_safe(self) -> None:
        for task in self._guards:
            task.cancel()  # first: they must not ask a new line process anything
        try:
            if self._rig.outputs.driven:
                await self._rig.outputs.make_safe(patience_s=_PATIENCE_S)
            self._unsafe = "" if self._opened else self._half_opened()
        except BenchError as error:
            self._unsafe = f"{_IN_DOUBT}: {error}"
        finally:
            # After making safe: a poll under way may take until its time-out to end.
            try:
                await asyncio.gather(*self._guards, return_exceptions=True)
                await self._watcher.gone()
            finally:
                with suppress(BenchError):
                    await self._rig.close()

    def _half_opened(self) -> str:
        """Return why outputs may not be safe of a bench that could not be opened; empty where all of them were told."""
        outputs = self._rig.file.outputs.items()
        left = [n for n, output in outputs if safe_number(output) is not None and n not in self._told_safe]
        if not left or not self._rig.outputs.driven:
            return ""
        return f"{_IN_DOUBT}: the bench was not opened, and nothing says that {', '.join(left)} came there"


async def _undisturbed(task: asyncio.Task[None]) -> bool:
    """Await a task whatever happens; returns whether it was interrupted meanwhile. Raises what the task raises."""
    interrupted = False
    while not task.done():
        try:
            await asyncio.shield(task)
        except asyncio.CancelledError:
            interrupted = True
        except BaseException:  # noqa: BLE001, S110 - the task's own; raised below
            pass
    task.result()
    return interrupted


def _abort_of(error: BaseException) -> Abort:
    if isinstance(error, BenchError):
        return Abort(AbortKind.BENCH, str(error))
    if isinstance(error, asyncio.CancelledError):
        return Abort(AbortKind.OPERATOR, "interrupted by the operator")
    return Abort(AbortKind.INTERNAL, "ventproof itself failed")
