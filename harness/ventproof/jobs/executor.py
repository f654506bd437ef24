"""Jobs with numbers, done in any order and told of in theirs; the processes of this computer that do them.

A job is plain data that can be sent to another process, and work is a function of a module, of one job. A job has its
place in the list as its number. So results do not depend on who does what, and how many do it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeVar, final

from ventproof_bench.base.errors import BenchError
from ventproof_bench.base.processes import worker_processes

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor


J = TypeVar("J")
R = TypeVar("R")

Told = Callable[[int, int], None]
"""Is called with how many of how many jobs are done."""


class WorkersLostError(BenchError):
    """Those who did the jobs are gone; what they finished stands."""


class Executor(Protocol):
    """Does jobs."""

    def finished(self, work: Callable[[J], R], jobs: Sequence[J]) -> Iterator[tuple[int, R]]:
        """Yield the number of each job, from 0, with what `work` made of it, as they finish.

        Raises:
            WorkersLostError: nobody is left to do them.
        """
        ...

    def stopped(self, said: Callable[[str], None]) -> Iterator[tuple[int, Any]]:
        """Stop what `finished` began; yield what the jobs leave that cannot just be dropped.

        Args:
            said: told what is waited for.
        """
        ...


class Workforce(Protocol):
    """Gives an executor: `partial(own_processes, 2)` is one."""

    def __call__(
        self, *, begin: Callable[..., object], arguments: tuple[Any, ...]
    ) -> AbstractContextManager[Executor]:
        """Give an executor; `begin` is called with `arguments` wherever jobs are done, before the first of them."""
        ...


def in_order(
    executor: Executor, work: Callable[[J], R], jobs: Sequence[J], told: Told = lambda _, __: None
) -> Iterator[R]:
    """Yield what `work` makes of each job, in the order of the jobs, each as soon as those before it are done.

    Raises:
        WorkersLostError: nobody is left to do them.
    """
    early: dict[int, R] = {}
    wanted = 0
    for done, (number, result) in enumerate(executor.finished(work, jobs), start=1):
        told(done, len(jobs))
        early[number] = result
        while wanted in early:
            yield early.pop(wanted)
            wanted += 1


def cores() -> int:
    """Return how many processes of this computer can work at the same time."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def own_processes(
    count: int | None = None,
    *,
    method: Literal["spawn", "forkserver"] = "spawn",
    begin: Callable[..., object],
    arguments: tuple[Any, ...] = (),
) -> Iterator[Executor]:
    """Give processes of this computer; they end with this one.

    Args:
        count: how many; one a core unless stated.
        method: how they are started.
        begin: called first in each of them.
        arguments: what it is called with.
    """
    with worker_processes(count or cores(), method=method, begin=begin, arguments=arguments) as pool:
        yield _OwnProcesses(pool)


@final
@dataclass(frozen=True, slots=True)
class _OwnProcesses:
    _pool: ProcessPoolExecutor

    def finished(self, work: Callable[[J], R], jobs: Sequence[J]) -> Iterator[tuple[int, R]]:
        numbers: dict[Future[R], int] = {}
        try:
            for number, job in enumerate(jobs):
                numbers[self._pool.submit(work, job)] = number
            for future in as_completed(list(numbers)):
                yield numbers.pop(future), future.result()
        except BrokenProcessPool:
            raise WorkersLostError("a process of this command was killed from outside") from None

    def stopped(self, said: Callable[[str], None]) -> Iterator[tuple[int, Any]]:  # noqa: ARG002 - for nothing
        return iter(())
