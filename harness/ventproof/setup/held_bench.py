"""A bench that is held open, its outputs guarded, by a thread of its own, so that questions can be asked meanwhile."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar, final

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BenchError, LinkError
from ventproof_bench.base.interrupts import held, unless_interrupted
from ventproof_bench.rig.build import Rig, assemble
from ventproof_bench.rig.session import RigSession, Watcher

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine
    from pathlib import Path
    from types import TracebackType

    from ventproof_bench.benchfile.model import BenchFile

T = TypeVar("T")


@final
class HeldBench:
    """A bench on real wires, open while the `with` block runs; whatever ends the block, its outputs are made safe.

    Args:
        file: the bench; its vents and drives are clear.
        watcher: is told what is read; in the bench's own thread.
        ledger: where the operations of its relays are added up; None: nowhere.
    """

    def __init__(self, file: BenchFile, watcher: Watcher, ledger: Path | None = None) -> None:
        self._file = file
        self._ledger = ledger
        self._watcher = watcher
        self._opened = Future[Rig]()
        self._pending: Future[Any] = self._opened
        self._failed: BaseException | None = None
        self._closed = False
        self._leaving = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._jobs: asyncio.Queue[tuple[Callable[[Rig], Coroutine[Any, Any, Any]], Future[Any]] | None]
        self._thread = threading.Thread(target=self._hold, name="held bench", daemon=True)

    def __enter__(self) -> Self:
        """Open it. Raises BenchError."""
        unless_interrupted()
        self._thread.start()
        try:
            self._opened.result()
        except BaseException:
            self._let_go(at_once=True)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Make it safe, at once where something broke off. Raises BenchError where it may not be safe."""
        self._let_go(at_once=error is not None)
        if isinstance(self._failed, BenchError) and self._failed is not error:
            raise self._failed

    def do(self, work: Callable[[Rig], Coroutine[Any, Any, T]]) -> T:
        """Return what some work brings that runs beside the bench's polling; other work is over.

        Raises:
            BenchError: the bench failed; it is closed.
        """
        done = Future[T]()
        self._pending = done
        if self._closed or self._loop is None:
            raise self._error()
        with suppress(RuntimeError):  # its loop has just ended, and tells `done` so
            self._loop.call_soon_threadsafe(self._jobs.put_nowait, (work, done))
        return done.result()

    def _let_go(self, *, at_once: bool) -> None:
        self._leaving = True  # also where it has not come so far that it could be told
        loop, task = self._loop, self._task
        if loop is not None and task is not None:
            with suppress(RuntimeError):  # it has ended
                loop.call_soon_threadsafe(task.cancel if at_once else lambda: self._jobs.put_nowait(None))
        with held():
            self._thread.join()

    def _hold(self) -> None:
        try:
            run(self._main(), virtual=False)
        except asyncio.CancelledError:
            pass
        except BaseException as error:  # noqa: BLE001 - it is raised where the bench is used
            self._failed = error
        self._closed = True
        if not self._pending.done():
            self._pending.set_exception(self._error())

    def _error(self) -> BaseException:
        return self._failed or LinkError("the bench is closed")

    async def _main(self) -> None:
        self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
        self._jobs = asyncio.Queue()
        rig = assemble(self._file, seed=0, ledger=self._ledger)
        session = RigSession(rig, self._watcher)
        await session.run(lambda: self._serve(rig))
        if session.ended.abort is not None:
            raise LinkError(session.ended.abort.text)

    async def _serve(self, rig: Rig) -> None:
        self._opened.set_result(rig)
        while not self._leaving and (job := await self._jobs.get()) is not None:
            work, done = job
            done.set_result(await work(rig))
