"""What the whole suite shares: how properties draw their cases, where files go, where real wires run, no leaks."""

from __future__ import annotations

import gc
import os
import signal
import threading
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import LoadScopeScheduling

pytest_plugins = ["shares"]

# The same commit is tested with the same cases everywhere; `make hunt` draws new ones each time.
settings.register_profile(
    "same", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("new", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("same")

# Logs are synced to the disk again and again; what lies in memory syncs at once.
if os.access("/dev/shm", os.W_OK):
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", "/dev/shm")

# A shell that starts the suite in the background has it deaf to Ctrl-C, and all that it starts; tests send that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

_PROCESS = Path("/proc/self")
_ENDING_S = 1.0  # a thread that was told to end is still there until the system gives it a turn
_OPENED: pytest.StashKey[set[str]] = pytest.StashKey()


class OneWorkerAFile(LoadScopeScheduling):
    """Keeps the tests of a file together, since they share costly fixtures, and those on real wires in two heaps.

    Tests in real time would disturb each other, and wait most of their time: no more than two of them go on at once,
    beside those that compute. The marks of tests are not known where they are shared out, so a file counts as one on
    wires when it speaks of the mark.
    """

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        if not _on_wires(file):
            return file
        return "wires of runs" if file.startswith("tests/harness/session/") else "wires"


@cache
def _on_wires(file: str) -> bool:
    return "pytest.mark.wire" in (Path(__file__).parents[1] / file).read_text(encoding="utf-8")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> OneWorkerAFile:
    """Share the files out between workers."""
    return OneWorkerAFile(config, log)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol() -> Iterator[object]:
    """Hear the signals that end a program as before; the command line is deaf to them on its way out."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        return (yield)
    finally:
        for number, handler in before.items():
            if signal.getsignal(number) is not handler:
                signal.signal(number, handler)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Note what the test itself starts; what wider fixtures start is theirs to end."""
    before = _open()
    try:
        return (yield)
    finally:
        item.stash[_OPENED] = _open() - before


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Iterator[None]:
    """Fail a test that leaves threads, child processes, sockets or terminals behind."""
    yield
    opened = item.stash.get(_OPENED, set())
    if item.get_closest_marker("lasting"):
        return
    if opened and opened & _open():
        gc.collect()  # what nothing refers to any more is no leak
        for thread in threading.enumerate():
            if thread is not threading.current_thread() and f"thread {thread.name} {thread.ident}" in opened:
                thread.join(_ENDING_S)
        left = opened & _open()
        assert not left, f"left behind: {', '.join(sorted(left))}"


def _open() -> set[str]:
    """Return the names of this process's threads, children, sockets and terminals, as far as the system tells."""
    return {f"thread {one.name} {one.ident}" for one in threading.enumerate()} | _children() | _channels()


def _children() -> set[str]:
    found = set()
    for task in (_PROCESS / "task").glob("*/children"):
        for pid in _read(task).split():
            words = _read(Path("/proc", pid.decode(), "cmdline"))
            if b"resource_tracker" not in words and b"forkserver" not in words:  # both live as long as we do
                found.add(f"process {pid.decode()} {words[-60:].decode(errors='replace')}")
    return found


def _read(path: Path) -> bytes:
    """Return what the system tells, or nothing of a thread or process that ended since it was listed."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _channels() -> set[str]:
    found = set()
    for handle in (_PROCESS / "fd").glob("*"):
        try:
            target = str(handle.readlink())
        except OSError:  # the listing's own
            continue
        if target.startswith(("socket:", "/dev/ptmx", "/dev/pts")):
            found.add(target)
    return found
