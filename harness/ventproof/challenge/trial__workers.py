"""Processes that try profiles of one suite, one a core."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar, final

from bench.processes import worker_processes

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

    from bench.document import Loaded
    from bench.wiring import BenchFile
    from harness.profile.model import Profile

T = TypeVar("T")

Told = Callable[[int, int], None]
"""Is called with how many of how many tasks are done."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Suite:
    """What is challenged.

    Attributes:
        profiles: the suite.
        bench: a bench with a mock unit inside this process.
        seed: for what is random on the bench.
    """

    profiles: tuple[Loaded[Profile], ...]
    bench: Loaded[BenchFile]
    seed: int = 0


@contextmanager
def suite_workers(suite: Suite, jobs: int | None = None) -> Iterator[SuiteWorkers]:
    """Give the processes; they are started anew, so that nothing of this one is in them.

    Args:
        suite: what every process is given.
        jobs: how many processes; one a core unless stated.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    with worker_processes(jobs or cores, method="spawn", begin=_take, arguments=(suite,)) as pool:
        yield SuiteWorkers(pool)


@final
@dataclass(frozen=True, slots=True)
class SuiteWorkers:
    """Processes that all have one suite."""

    _pool: ProcessPoolExecutor

    def each(self, tasks: Sequence[Callable[[], T]], told: Told) -> Iterator[T]:
        """Yield what each task returns, in the order of the tasks, once all are done."""
        futures = [self._pool.submit(task) for task in tasks]
        for done, _ in enumerate(as_completed(futures), start=1):
            told(done, len(futures))
        yield from (future.result() for future in futures)


_suite: Suite


def _take(suite: Suite) -> None:
    global _suite  # noqa: PLW0603 - a process of the pool has one suite for all its life
    _suite = suite


def own_suite() -> Suite:
    """Return the suite of this process, which is one of `suite_workers`."""
    return _suite
