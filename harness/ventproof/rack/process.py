"""The process of one place: `ventproof run` as it is, in a process that has everything imported before it begins."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from multiprocessing import get_context
from multiprocessing.forkserver import ensure_running, set_forkserver_preload
from threading import Thread
from typing import TYPE_CHECKING, Final, final

from ventproof.verdict.finding import EXIT_INTERRUPTED

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection
    from pathlib import Path

    from ventproof.rack.follow import RackPlace


SAID: Final = "run.txt"
"""File in the folder of a place with what its `run` prints."""

WARNED: Final = "run-warnings.txt"
"""Likewise what it prints to its standard error."""

_ROOM_BYTES: Final = 16_384
"""So much of each is on the disk before a place begins: why the disk is full must not be lost to that."""

_WARM: Final = (
    "alembic.command",
    "alembic.config",
    "numpy",
    "rich.live",
    "ventproof.cli.run",
    "ventproof.cli.sign",
    "ventproof.history.enter",
    "ventproof.history.store",
    "ventproof.log.signing",
    "ventproof.papers.acceptance",
    "ventproof.papers.waivers",
    "ventproof.rejudge.batch",
    "ventproof.run.limits",
    "ventproof.run.schedule",
    "ventproof.runset.signature",
    "ventproof.session.onward",
    "ventproof.session.repeats",
    "ventproof.session.resume",
    "ventproof.session.selfcheck",
    "ventproof.session.session",
    "ventproof.table.load",
    "ventproof.terminal.follow",
    "ventproof.terminal.lines",
    "ventproof.terminal.live",
    "ventproof_bench.benchcheck.load",
    "ventproof_bench.benchfile.equipment",
    "ventproof_bench.relays.coil",
    "ventproof_bench.relays.control_line",
    "ventproof_bench.relays.frames",
    "ventproof_bench.relays.mock",
    "ventproof_bench.relays.mock_level",
    "ventproof_bench.relays.person",
    "ventproof_bench.relays.register",
    "ventproof_bench.relays.scpi",
    "ventproof_bench.relays.scpi_level",
    "ventproof_bench.rig.session",
)
"""What a run imports, all of it before the first output of a rack is opened: later it would disturb those at work."""

_NICE: Final = 10
"""By so much a run in virtual time stands back behind those on real wires."""


_KEPT_FROM: Final = (signal.SIGHUP, signal.SIGTERM)
"""What ends all processes of a terminal or a service, and not the one that the runs are forked from."""


def call_up() -> None:
    """Begin to import what the runs need, in the process that all of them are forked from.

    That one tells how the runs ended, and ends with this one.
    """
    set_forkserver_preload(list(_WARM))
    before = {number: signal.signal(number, signal.SIG_IGN) for number in _KEPT_FROM}
    try:
        ensure_running()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@final
class ForkedPlace:
    """The running process of a place; it ends in order where this one ends, however that does.

    Args:
        place: the place; its folder is there.
        main: the command line of ventproof.
    """

    def __init__(self, place: RackPlace, main: Callable[[], object]) -> None:
        self._folder = place.folder
        for name in (SAID, WARNED):
            (place.folder / name).write_bytes(bytes(_ROOM_BYTES))
        context = get_context("forkserver")
        watched, self._held = context.Pipe(duplex=False)
        self._process = context.Process(
            target=_be, args=(place.words, place.folder, place.virtual, main, watched)
        )
        self._process.start()
        watched.close()

    @property
    def code(self) -> int | None:
        """As of `PlaceProcess`."""
        return self._process.exitcode

    @property
    def warned(self) -> list[str]:
        """As of `PlaceProcess`."""
        return lines_in(self._folder / WARNED)

    def stop(self) -> None:
        """As of `PlaceProcess`."""
        if self._process.pid is not None and self._process.is_alive():
            os.kill(self._process.pid, signal.SIGINT)

    def kill(self) -> None:
        """As of `PlaceProcess`."""
        self._process.kill()


def _be(
    words: tuple[str, ...],
    folder: Path,
    virtual: bool,  # noqa: FBT001 - sent to another process
    main: Callable[[], object],
    watched: Connection,
) -> None:
    """Be the process of a place."""
    os.setsid()  # Ctrl-C is for the rack alone, which tells each place once
    for number in _KEPT_FROM:
        signal.signal(number, signal.SIG_DFL)
    for stream, name in ((1, SAID), (2, WARNED)):
        file = os.open(folder / name, os.O_WRONLY)
        os.dup2(file, stream)
        os.close(file)
    if virtual:
        os.nice(_NICE)
    Thread(target=_end_with_rack, args=(watched,), daemon=True).start()
    sys.argv = ["ventproof", *words]
    try:
        main()
    except KeyboardInterrupt:  # before it listened
        sys.exit(EXIT_INTERRUPTED)
    finally:
        for text in (sys.stdout, sys.stderr):
            with suppress(OSError):  # no room is left, and what was written before stands
                text.flush()
            with suppress(OSError):  # it was pointed nowhere
                os.ftruncate(text.fileno(), os.lseek(text.fileno(), 0, os.SEEK_CUR))


def lines_in(path: Path) -> list[str]:
    """Return the lines of a file of `SAID` or `WARNED`, without empty ones; none where it cannot be read."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace").rstrip("\0")
    except OSError:
        return []
    return [line.rstrip() for line in text.splitlines() if line.strip()]


def _end_with_rack(watched: Connection) -> None:
    watched.poll(None)  # nothing is ever sent: it returns when the other end is closed
    os.kill(os.getpid(), signal.SIGTERM)
