"""The processes of a lab: one scheduler, and workers with one thread each."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib.util import find_spec
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from ventproof.lab.seat import own_seat
from ventproof_bench.base.errors import BenchError, FileError, Problem
from ventproof_bench.base.text import one_line

if TYPE_CHECKING:
    from ventproof.lab.security import LabAddress


VIRTUAL: Final = "virtual"
"""What a worker without a bench has one of: a place for a job in virtual time."""

SETTINGS: Final[Mapping[str, Any]] = {
    "distributed.scheduler.allowed-failures": 0,  # a lost worker's task is given back; who asked for it decides
    "distributed.scheduler.work-stealing": False,
    "distributed.scheduler.active-memory-manager.start": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
    "distributed.comm.timeouts.connect": "10s",
}
_NO_PAGE: Final = "127.0.0.1:0"
_FINDS_WITHIN: Final = "30 s"
_LEAVES_WITHIN_S: Final = 15.0


def bench_resource(bench: str) -> str:
    """Return what the worker that holds a bench has one of."""
    return f"bench:{bench}"


def settle() -> None:
    """Set the engine up for this process: nothing is repeated, shown or remembered on its own account.

    Raises:
        FileError: it is not installed.
    """
    if find_spec("distributed") is None:
        reason = "a lab needs the package distributed, which is not installed"
        raise FileError([Problem("ventproof", None, None, reason, "pip install 'ventproof[lab]'")])
    import dask  # noqa: PLC0415 - slow, and only in a lab
    import distributed  # noqa: PLC0415 - as above; it sets its own loggers up

    dask.config.set(SETTINGS)
    for name in list(logging.root.manager.loggerDict):  # what they tell are our own errors, in other words
        if name.partition(".")[0] in {distributed.__name__, "tornado"}:
            logging.getLogger(name).setLevel(logging.CRITICAL)


def serve_scheduler(address: LabAddress, told: Callable[[str], None]) -> None:
    """Serve a scheduler until the process is told to end.

    Args:
        address: where it listens.
        told: is given the address, once it listens.

    Raises:
        BenchError: it cannot listen there.
    """
    settle()
    asyncio.run(_scheduler(address, told))


async def _scheduler(address: LabAddress, told: Callable[[str], None]) -> None:
    from distributed import Scheduler  # noqa: PLC0415 - slow, and only in a lab

    try:
        async with Scheduler(
            host=address.host,
            port=address.port,
            protocol=address.url.partition(":")[0],
            security=address.security,
            dashboard=False,
            dashboard_address=_NO_PAGE,
        ) as scheduler:
            told(str(scheduler.address).partition("//")[2])
            await _told_to_end(scheduler)
    except (OSError, RuntimeError) as error:
        raise BenchError(
            f"no scheduler can listen at {address.host}:{address.port}: {why_of(error)}"
        ) from error


def serve_worker(address: LabAddress, bench: str, told: Callable[[str], None]) -> None:
    """Serve a worker until the process is told to end, or its scheduler is gone.

    Args:
        address: of the scheduler.
        bench: name of the bench that it holds; empty: it has a place for jobs in virtual time.
        told: is given its own address, once it is ready.

    Raises:
        BenchError: the scheduler is not there, or is gone.
    """
    settle()
    asyncio.run(_worker(address, bench, told))


async def _worker(address: LabAddress, bench: str, told: Callable[[str], None]) -> None:
    from distributed import Worker  # noqa: PLC0415 - slow, and only in a lab

    with TemporaryDirectory(prefix="ventproof-worker-") as folder:
        worker = Worker(
            address.url,
            nthreads=1,
            resources={bench_resource(bench) if bench else VIRTUAL: 1},
            host="127.0.0.1" if address.loopback else None,
            security=address.security,
            local_directory=folder,
            dashboard=False,
            dashboard_address=_NO_PAGE,
            death_timeout=_FINDS_WITHIN,
            memory_limit=0,
        )
        try:
            await worker
        except (OSError, RuntimeError, TimeoutError) as error:
            raise BenchError(
                f"no scheduler answers at {address.host}:{address.port}: {why_of(error)}"
            ) from error
        told(str(worker.address).partition("//")[2])
        try:
            told_to_end = await _told_to_end(worker)
        finally:
            own_seat().leaving = True
            with suppress(Exception):  # it is on its way out, and its scheduler may be gone
                await asyncio.wait_for(worker.close(), _LEAVES_WITHIN_S)
        if not told_to_end:
            raise BenchError(f"the scheduler at {address.host}:{address.port} is gone")


async def _told_to_end(node: Any) -> bool:  # noqa: ANN401 - a scheduler or a worker
    """Wait for Ctrl-C, SIGTERM or SIGHUP, or for the end of a node; return whether it was told to end."""
    loop, told = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, told.set)
    waiting = {asyncio.ensure_future(told.wait()), asyncio.ensure_future(node.finished())}
    _, left = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    for one in left:
        one.cancel()
    return told.is_set()


def why_of(error: BaseException) -> str:
    """Return the deepest cause of an error in a few words."""
    while error.__cause__ is not None:
        error = error.__cause__
    said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return one_line(said)[:200] or type(error).__name__
