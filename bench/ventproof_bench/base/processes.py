"""Worker processes that end with the one that started them, however that ends; and processes in words."""

from __future__ import annotations

import os
import shlex
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


@contextmanager
def worker_processes(
    count: int,
    *,
    method: Literal["spawn", "forkserver"],
    begin: Callable[..., object],
    arguments: tuple[Any, ...] = (),
) -> Iterator[ProcessPoolExecutor]:
    """Give a pool of processes; none of them lives on when this one has left, was killed, or raises meanwhile.

    An executor's own workers would wait for ever for the next task of a parent that was killed: each holds both ends
    of the queue. So each also watches a pipe whose other end only the parent holds; what ends the parent closes it.

    Args:
        count: how many processes at most.
        method: how they are started.
        begin: called first in each of them.
        arguments: what it is called with.
    """
    context = get_context(method)
    watched, held = context.Pipe(duplex=False)
    pool = ProcessPoolExecutor(count, context, _begin, (watched, begin, arguments))
    try:
        yield pool
    except BaseException:
        held.close()  # ends the workers amid their tasks: nobody waits for the results
        raise
    finally:
        pool.shutdown(cancel_futures=True)
        held.close()
        watched.close()


def _begin(watched: Connection, begin: Callable[..., object], arguments: tuple[Any, ...]) -> None:
    # Ctrl-C goes to all processes of a terminal; the parent alone says what becomes of the work.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, args=(watched,), daemon=True).start()
    begin(*arguments)


def _end_with_parent(watched: Connection) -> None:
    watched.poll(None)  # nothing is ever sent: it returns when the other end is closed
    os._exit(1)  # the main thread may be anywhere, and nothing here is worth keeping


def process_said(number: int) -> str:
    """Return a process as a person knows it: its number, and the command that started it."""
    if command := _command_of(number):
        return f"process {number} ({command})"
    return f"process {number}" if number > 0 else "another process"


def _command_of(number: int) -> str:
    """Return the command that started a process; empty where nobody knows."""
    with suppress(OSError, ValueError):
        place = Path(f"/proc/{number}")
        words = place.joinpath("cmdline").read_bytes().decode("utf-8", "replace").split("\0")
        if any("multiprocessing" in word for word in words):  # forked by what some command started
            _, _, after_name = place.joinpath("stat").read_text(errors="replace").rpartition(")")
            parent = int(after_name.split()[1])
            return _command_of(parent) if parent > 1 else ""
        return shlex.join(filter(None, words))[:120]
    return ""
