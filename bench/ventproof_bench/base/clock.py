"""Time's only reader; jumping loop.

Time passes in the loop's selector alone, which asyncio asks to wait and which moves the clock on instead.
"""

from __future__ import annotations

import asyncio
import math
import os
import selectors
import time
from collections.abc import Callable, Collection, Coroutine, Sequence
from contextlib import ExitStack
from contextvars import Context
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, TypeVar

from ventproof_bench.base.errors import BenchError
from ventproof_bench.base.interrupts import Interruption, held

if TYPE_CHECKING:
    from _typeshed import FileDescriptorLike


_SAME_MOMENT_S: Final = 0.01
_FILES_OF_A_LOOP: Final = 3  # its selector, and the pair of sockets that wakes it


def now_s() -> float:
    """Return the running loop's time in seconds; on a virtual loop this is virtual time."""
    return asyncio.get_running_loop().time()


def utc_now() -> datetime:
    """Return the date and time of day for the record's header; never used to measure."""
    return datetime.now(UTC)


def local_now() -> datetime:
    """Return the same in local time, with its offset from UTC: what the people at the bench read off their watch."""
    return utc_now().astimezone()


def local_text(moment: datetime) -> str:
    """Return date and time as the clocks here show them, with their offset: `2026-03-01 11:00 UTC+01:00`."""
    try:
        moment = moment.astimezone()
    except (OverflowError, OSError):  # at the ends of the calendar there is no other time zone
        moment = moment.astimezone(UTC)
    return offset_text(moment)


def offset_text(moment: datetime, *, seconds: bool = False) -> str:
    """Return date and time with their own offset from UTC: `2026-03-01 11:00 UTC+01:00`; `seconds`: to the second."""
    text = moment.isoformat(sep=" ", timespec="seconds" if seconds else "minutes")
    end = 19 if seconds else 16
    return f"{text[:end]} UTC{text[end:].removeprefix('+00:00')}"


class Awake:
    """Notices when the computer slept: the loop's clock stands still meanwhile, and vents move on unseen.

    Made where the watching begins, on the ordinary loop.
    """

    def __init__(self) -> None:
        self._before_s = _suspended_s()

    def slept_s(self) -> float:
        """Return how long the computer has slept since; 0 where the system does not tell."""
        return max(0.0, _suspended_s() - self._before_s)


def _suspended_s() -> float:
    """Return by how much CLOCK_BOOTTIME, which runs on through a sleep, is ahead of CLOCK_MONOTONIC, which does not."""
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return 0.0
    while True:
        before_s = time.monotonic()
        boot_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        after_s = time.monotonic()
        if after_s - before_s < _SAME_MOMENT_S:  # otherwise something else ran in between
            return boot_s - after_s


async def sleep_until(deadline_s: float) -> None:
    """Sleep until the loop's time is `deadline_s`; returns at once when that has passed."""
    wait_s = max(0.0, deadline_s - now_s())
    if not leap(wait_s):
        await asyncio.sleep(wait_s)


async def sleep_sharply_until(deadline_s: float, spin_s: float) -> None:
    """Sleep as `sleep_until` does; where time is real the last `spin_s` awake, since waking up takes its time, too."""
    if isinstance(asyncio.get_running_loop(), VirtualLoop):
        await sleep_until(deadline_s)
    else:
        await sleep_until(deadline_s - spin_s)
        spin_until(deadline_s)


def leap(by_s: float) -> bool:
    """Let time pass without a turn of the loop, where it is virtual and nothing else happens meanwhile.

    Returns:
        whether it passed; otherwise whoever asked must wait for it.
    """
    loop = asyncio.get_running_loop()
    return isinstance(loop, VirtualLoop) and loop.leap(by_s)


def spin_until(deadline_s: float) -> None:
    """Busy-wait to `deadline_s` of CLOCK_MONOTONIC; for the last fraction of a millisecond before an edge."""
    while time.monotonic() < deadline_s:
        pass


class Stopwatch:
    """Tells how long a person has been waiting since it was made, whatever the loops' times do meanwhile."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()

    def gone_s(self) -> float:
        """Return how long ago it was made, seconds."""
        return time.monotonic() - self._began_s


T = TypeVar("T")

ORIGIN_S: Final = 100_000.0
"""Where virtual time starts: far from zero and from any uptime, so that two clocks mixed up show at once."""

_GRID_DECIMALS: Final = 9  # 1 ns: equal deadlines written differently (0.1 + 0.2, 0.3) stay equal
_NEAR_S: Final = 1e-8  # farther apart, two instants are none on that grid
_LOOK_EVERY: Final = 64  # callbacks in a row at one instant, from one look for a signal to the next


class VirtualTimeError(BenchError):
    """Nothing can wake the loop, or something real was asked of it. The program's fault, not the operator's."""


class _Deadline(float):
    """An instant that goes before one asked for later where both are the same on a 1 ns grid; no heap keeps order.

    Only the order knows the grid. Time jumps to the deadline itself or, among equals, past it, never short of it:
    whoever sleeps for what is left until an instant has come to it, and does not sleep for nothing for ever.
    """

    __slots__ = ("place",)
    place: tuple[float, int]

    def __lt__(self, other: float) -> bool:
        return self.place < other.place if isinstance(other, _Deadline) else super().__lt__(other)


def _on_grid(instant_s: float) -> float:
    return round(instant_s, _GRID_DECIMALS)


class _JumpingSelector(selectors.DefaultSelector):
    """Moves a clock on where another selector would wait. Of real files it takes the loop's own alone.

    Attributes:
        now_s: virtual time.
        ends_s: it goes no further.
    """

    def __init__(self, horizon_s: float, longest_stall: int) -> None:
        super().__init__()
        self.now_s = ORIGIN_S
        self.ends_s = ORIGIN_S + horizon_s
        self._longest_stall = longest_stall
        self._stall = 0
        self._refused: VirtualTimeError | None = None

    def register(self, fileobj: FileDescriptorLike, events: int, data: Any = None) -> selectors.SelectorKey:  # noqa: ANN401 - the selectors' signature
        """Watch the file that wakes the loop, which is the first; refuse every other."""
        if self.get_map():
            self._refused = _real(fileobj)
            raise self._refused
        return super().register(fileobj, events, data)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Return at once, `timeout` seconds later.

        Raises:
            VirtualTimeError: nothing can wake the loop; or a real file was refused, of which asyncio only logs
                a word where a callback asked for it.
        """
        if self._refused is not None:
            refused, self._refused = self._refused, None
            raise refused
        if timeout == 0:  # callbacks are ready: no time passes
            self._stall += 1
            if self._stall > self._longest_stall:
                self._stall = 0
                raise VirtualTimeError(
                    f"virtual time stands still at {self.now_s - ORIGIN_S:.3f} s: a task never sleeps"
                )
            # A look is a system call, too dear for every callback; a signal may wait for some of them.
            return super().select(0) if self._stall % _LOOK_EVERY == 0 else []
        self._stall = 0
        # Before time moves on: an interruption must not come after the next timer.
        if events := super().select(0):
            return events
        if timeout is None:
            raise VirtualTimeError(f"nothing can wake the virtual clock at {self.now_s - ORIGIN_S:.3f} s")
        # The deadline itself: asyncio waits a day at most, time has doubled by no step, and so differences are exact.
        self.move(timeout)
        if self.now_s > self.ends_s:
            raise VirtualTimeError(f"virtual time passed its horizon of {self.ends_s - ORIGIN_S:.0f} s")
        return []

    def move(self, by_s: float) -> None:
        """Let time pass."""
        self._stall = 0
        self.now_s += by_s


def _real(what: object) -> VirtualTimeError:
    return VirtualTimeError(f"real input or output ({what!r}) was asked for on the virtual clock")


class VirtualLoop(asyncio.SelectorEventLoop):
    """Virtual time; deterministic. Real files, sockets, threads and child processes are refused.

    Args:
        horizon_s: virtual seconds after which the loop gives up.
        longest_stall: callbacks in a row at one instant after which it is taken for a livelock.
    """

    # asyncio's own: what is to be called in this turn, and the timers as a heap.
    _ready: Collection[asyncio.Handle]
    _scheduled: Sequence[asyncio.TimerHandle]

    def __init__(self, *, horizon_s: float = 400 * 86400.0, longest_stall: int = 1_000_000) -> None:
        self._clock = _JumpingSelector(horizon_s, longest_stall)
        self._order = 0
        super().__init__(self._clock)

    @property
    def _clock_resolution(self) -> float:
        """What asyncio adds to the time before it looks for timers that are due: those of this instant are, no later.

        The name is asyncio's and private: tests/bench/base/test_clock_rounding.py says whether a Python offers it.
        """
        return math.ulp(self._clock.now_s)

    @_clock_resolution.setter
    def _clock_resolution(self, _: float) -> None:
        """Leave asyncio's own, a real clock's, alone."""

    def time(self) -> float:
        """Return virtual time, seconds since an arbitrary origin."""
        return self._clock.now_s

    def leap(self, by_s: float) -> bool:
        """Let time pass at once, unless something else happens now or up to then; return whether it passed."""
        at_s = self._clock.now_s + by_s
        if by_s <= 0 or self._ready or at_s > self._clock.ends_s:
            return False
        if self._scheduled:
            first_s = self._scheduled[0].when()
            if first_s < at_s + _NEAR_S and _on_grid(first_s) <= _on_grid(at_s):
                return False
        self._clock.move(by_s)
        return True

    def call_at(
        self,
        when: float,
        callback: Callable[..., object],
        *args: object,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        """Schedule as asyncio does, first come first served among equals on a 1 ns grid."""
        deadline = _Deadline(when)
        self._order += 1
        deadline.place = _on_grid(when), self._order
        return super().call_at(deadline, callback, *args, context=context)

    def run_in_executor(self, *_: object, **__: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse: a thread's progress is not deterministic in virtual time."""
        raise VirtualTimeError("a thread was asked for on the virtual clock")

    async def create_connection(self, *args: object, **_: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse real sockets, before anything goes out."""
        raise _real(("connection", *args[1:3]))

    async def create_server(self, *args: object, **_: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse real sockets."""
        raise _real(("server", *args[1:3]))

    async def subprocess_exec(self, *args: object, **_: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse child processes, before one is started."""
        raise _real(("child process", *args[1:2]))

    async def subprocess_shell(self, *args: object, **_: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse child processes, before one is started."""
        raise _real(("child process", *args[1:2]))


def wall_loop() -> asyncio.AbstractEventLoop:
    """Return a loop of the wall clock that waits to the microsecond; asyncio's own rounds up to the millisecond."""
    return asyncio.SelectorEventLoop(selectors.SelectSelector())


def run(main: Coroutine[Any, Any, T], *, virtual: bool, horizon_s: float = 400 * 86400.0) -> T:
    """Run `main` to its end on a virtual or an ordinary loop.

    Ctrl-C, SIGTERM and SIGHUP cancel it once; more of them while it tidies up change nothing.

    Raises:
        KeyboardInterrupt: it was interrupted, and has tidied up.
        OSError: this process may open no more files.
    """
    try:
        _require_descriptors()
    except OSError:
        main.close()
        raise
    factory = (lambda: VirtualLoop(horizon_s=horizon_s)) if virtual else wall_loop
    with held() as interruption, asyncio.Runner(loop_factory=factory) as runner:
        try:
            done = runner.run(_interruptible(main, interruption))
        except asyncio.CancelledError:
            if not interruption.came:
                raise
        if interruption.came:  # also when it came too late to cancel anything
            raise KeyboardInterrupt
    return done


def _require_descriptors() -> None:
    """Require room for the files of a loop: half a loop complains on standard error when it is taken apart."""
    with ExitStack() as stack:
        for _ in range(_FILES_OF_A_LOOP):
            stack.callback(os.close, os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC))


async def _interruptible(main: Coroutine[Any, Any, T], interruption: Interruption) -> T:
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None, "a coroutine runs in a task"

    # In the place of asyncio's own, which raises at the second Ctrl-C, and so in the middle of making safe.
    def interrupt() -> None:
        loop.call_soon_threadsafe(task.cancel)

    interruption.take = interrupt
    if interruption.came:  # before there was a loop
        interrupt()
    try:
        return await main
    finally:
        interruption.take = None
