"""An asyncio loop whose time jumps to the next timer when nothing is ready; for benches without real wires.

It leans on private names of asyncio (`_scheduled`, `_when`, `_selector`, `_add_reader`, `_add_writer`):
tests/bench/test_virtual.py is the contract that says whether a Python release still offers them.
"""

from __future__ import annotations

import asyncio
import heapq
import signal
import threading
from collections.abc import Callable, Coroutine
from contextvars import Context
from typing import Any, Final, TypeVar

from bench.errors import BenchError

T = TypeVar("T")

ORIGIN_S: Final = 100_000.0
"""Where virtual time starts: far from zero and from any uptime, so that two clocks mixed up show at once."""

_GRID_DECIMALS: Final = 9  # 1 ns: equal deadlines written differently (0.1 + 0.2, 0.3) stay equal


class VirtualTimeError(BenchError):
    """Nothing can wake the loop, or something real was asked of it. The program's fault, not the operator's."""


class _Timer(asyncio.TimerHandle):
    """A timer that fires in order of scheduling among equal deadlines; asyncio's own heap is not stable."""

    __slots__ = ("order",)
    order: int

    def __lt__(self, other: object) -> bool:
        assert isinstance(other, _Timer)
        return (self._when, self.order) < (other._when, other.order)  # type: ignore[attr-defined]


class VirtualLoop(asyncio.SelectorEventLoop):
    """Virtual time; deterministic. Real files, sockets, threads and child processes are refused.

    Args:
        horizon_s: virtual seconds after which the loop gives up.
        longest_stall: callbacks in a row at one instant after which it is taken for a livelock.
    """

    def __init__(self, *, horizon_s: float = 400 * 86400.0, longest_stall: int = 1_000_000) -> None:
        self._now_s = ORIGIN_S
        self._order = 0
        self._stall = 0
        self._horizon_s = ORIGIN_S + horizon_s
        self._longest_stall = longest_stall
        self._sealed = False
        super().__init__()
        self._real_select = self._selector.select  # type: ignore[attr-defined]
        self._selector.select = self._select  # type: ignore[attr-defined]
        self._sealed = True  # asyncio's own wake-up pipe is registered; nothing else may be

    def time(self) -> float:
        """Return virtual time, seconds since an arbitrary origin."""
        return self._now_s

    def call_at(
        self,
        when: float,
        callback: Callable[..., object],
        *args: object,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        """Schedule as asyncio does, on a 1 ns grid and first come first served among equals."""
        self._check_closed()  # type: ignore[attr-defined]
        timer = _Timer(round(when, _GRID_DECIMALS), callback, args, self, context)
        self._order += 1
        timer.order = self._order
        heapq.heappush(self._scheduled, timer)  # type: ignore[attr-defined]
        timer._scheduled = True  # type: ignore[attr-defined]
        return timer

    def _select(self, timeout: float | None = None) -> list[Any]:
        if timeout == 0:  # callbacks are ready: no time passes
            self._stall += 1
            if self._stall > self._longest_stall:
                self._stall = 0
                raise VirtualTimeError(
                    f"virtual time stands still at {self._now_s - ORIGIN_S:.3f} s: a task never sleeps"
                )
            return self._real_select(0) if self._stall % 64 == 0 else []
        self._stall = 0
        events: list[Any] = self._real_select(0)
        if events:
            return events
        scheduled: list[_Timer] = self._scheduled  # type: ignore[attr-defined]
        if timeout is None or not scheduled:
            raise VirtualTimeError(f"nothing can wake the virtual clock at {self._now_s - ORIGIN_S:.3f} s")
        self._now_s = max(self._now_s, scheduled[0]._when)  # type: ignore[attr-defined]
        if self._now_s > self._horizon_s:
            raise VirtualTimeError(f"virtual time passed its horizon of {self._horizon_s - ORIGIN_S:.0f} s")
        return []

    def run_in_executor(self, *_: object, **__: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse: a thread's progress is not deterministic in virtual time."""
        raise VirtualTimeError("a thread was asked for on the virtual clock")

    def _refuse_real(self, fd: object) -> None:
        own = {self._ssock, self._ssock.fileno()} if self._sealed else set()  # type: ignore[attr-defined]
        if self._sealed and fd not in own:
            raise VirtualTimeError(f"real input or output ({fd!r}) was asked for on the virtual clock")

    def _add_reader(self, fd: Any, callback: Any, *args: Any) -> Any:  # noqa: ANN401 - asyncio's signature
        self._refuse_real(fd)
        return super()._add_reader(fd, callback, *args)  # type: ignore[misc]

    def _add_writer(self, fd: Any, callback: Any, *args: Any) -> Any:  # noqa: ANN401 - asyncio's signature
        self._refuse_real(fd)
        return super()._add_writer(fd, callback, *args)  # type: ignore[misc]

    async def create_connection(self, *args: object, **_: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse real sockets."""
        self._refuse_real(("connection", *args[1:3]))

    async def create_server(self, *args: object, **_: object) -> Any:  # noqa: ANN401 - asyncio's signature
        """Refuse real sockets."""
        self._refuse_real(("server", *args[1:3]))


def run(main: Coroutine[Any, Any, T], *, virtual: bool, horizon_s: float = 400 * 86400.0) -> T:
    """Run `main` to its end on a virtual or an ordinary loop.

    Ctrl-C, SIGTERM and SIGHUP cancel it once; more of them while it tidies up change nothing.

    Raises:
        KeyboardInterrupt: it was interrupted, and has tidied up.
    """
    factory = (lambda: VirtualLoop(horizon_s=horizon_s)) if virtual else None
    interrupted = threading.Event()
    with asyncio.Runner(loop_factory=factory) as runner:
        try:
            done = runner.run(_interruptible(main, interrupted))
        except asyncio.CancelledError:
            if not interrupted.is_set():
                raise
    if interrupted.is_set():  # also when it came too late to cancel anything
        raise KeyboardInterrupt
    return done


async def _interruptible(main: Coroutine[Any, Any, T], interrupted: threading.Event) -> T:
    if threading.current_thread() is not threading.main_thread():
        return await main
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None, "a coroutine runs in a task"

    def interrupt(*_: object) -> None:
        if not interrupted.is_set():
            interrupted.set()
            loop.call_soon_threadsafe(task.cancel)

    before = {
        number: signal.signal(number, interrupt) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    }
    try:
        return await main
    finally:
        for number, handler in before.items():
            # Once interrupted, the process is on its way out and stays deaf to more of the same.
            signal.signal(number, signal.SIG_IGN if interrupted.is_set() else handler)
