"""Work on many logs, shared out to several processes."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Sequence
from multiprocessing.forkserver import ensure_running, set_forkserver_preload
from typing import Final, TypeVar

from bench.processes import worker_processes

_OBJECTS: Final = 50_000
"""Evidence is many small objects without cycles; looking for some after every few hundred takes a sixth of the time."""

_FEW: Final = 4
"""So many logs are worked on in this process: starting others would take longer."""

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def call_up(jobs: int, module: str) -> None:
    """Let the other processes load a module while this one still does, where `each` will need them.

    Args:
        jobs: how many jobs there will be.
        module: the one with the work in it.
    """
    if jobs > _FEW and (os.cpu_count() or 1) > 1:
        set_forkserver_preload([module])
        ensure_running()


def each(work: Callable[[_Job], _Done], jobs: Sequence[_Job]) -> list[_Done]:
    """Return what `work` makes of each job, in order; jobs and results must be fit to be sent between processes."""
    workers = min(os.cpu_count() or 1, len(jobs))
    if len(jobs) <= _FEW or workers == 1:
        return [work(job) for job in jobs]
    with worker_processes(
        workers, method="forkserver", begin=gc.set_threshold, arguments=(_OBJECTS,)
    ) as pool:
        return list(pool.map(work, jobs))
