"""The fence before the outputs of a bench: a planned job passes it once, whoever asks, and however often.

It stands on the bench computer, in a folder of the bench, and is passed by the process that drives:

    lock             held while a job passes
    TOKEN.begun      made exclusively, and on the disk, before anything is opened
    TOKEN.log        where the log of the job is, before its first line
    TOKEN.over       what is left: the log, or why there is none, and nothing was switched
    aborted          how many runs in a row were aborted
    out-of-use       why nothing may run on the bench before a person looked at it
"""

from __future__ import annotations

import fcntl
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event
from typing import Final, final

from ventproof.log.read import check_log
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.base.errors import BenchError, FileError, VentproofError
from ventproof_bench.base.files import create_file

OUT_OF_USE: Final = "out-of-use"
LOCKED_WITHIN_S: Final = 60.0
"""The run before has so long to make its outputs safe, and to end."""

_LOOK_EVERY_S: Final = 0.25


@final
@dataclass(frozen=True, slots=True)
class Passed:
    """What a job left at the fence.

    Attributes:
        log: its log; None where there is none.
        why: why there is none; empty where there is one.
        lost: it began, and nobody can say how it ended: the outputs may have moved.
    """

    log: Path | None
    why: str = ""
    lost: bool = False


@final
class Fence:
    """The fence of one bench.

    Args:
        folder: where it stands; it is made where it does not stand yet.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the bench; what forks from this process holds it on, until its outputs are safe.

        Raises:
            BenchError: somebody else holds it for longer than a run takes to end.
        """
        watch, wait = Stopwatch(), Event()
        with (self._folder / "lock").open("ab") as file:
            while not _taken(file.fileno()):
                if watch.gone_s() > LOCKED_WITHIN_S:
                    raise BenchError("another job runs on the bench: let it end")
                wait.wait(_LOOK_EVERY_S)
            yield

    def passed(self, token: str, run: Callable[[Callable[[Path], None]], None]) -> Passed:
        """Pass with a job, or say what it left when it passed before; the bench is locked.

        Args:
            token: of the job.
            run: makes the run; is given what takes the path of its log before anything is written to it.

        Raises:
            KeyboardInterrupt: the run was told to end; what it left is noted.
        """
        before = self.left(token)
        if before is not None:
            return before
        if why := self.out_of_use:
            return Passed(None, f"the bench is out of use: {why}")
        create_file(self._place(token, "begun"), b"")
        told = ""
        try:
            run(lambda log: create_file(self._place(token, "log"), str(log.resolve()).encode()))
        except VentproofError as error:
            told = str(error)
        finally:
            self._settle(token, told or "it was stopped before its log began")
        found = self.left(token)
        assert found is not None, "it began"
        return replace(found, why=f"{told}; {found.why}") if found.lost and told else found

    def left(self, token: str) -> Passed | None:
        """Return what a job left; None where it never passed. One that was lost puts the bench out of use."""
        with suppress(FileNotFoundError):
            over = json.loads(self._place(token, "over").read_text())
            return Passed(Path(over["log"]) if over["log"] else None, over["why"])
        if not self._place(token, "begun").exists():
            return None
        log = self._log(token)
        return Passed(log) if log is not None and _closed(log) else self._lost(token)

    @property
    def out_of_use(self) -> str:
        """Why nothing may run here; empty where it may."""
        with suppress(FileNotFoundError):
            return (self._folder / OUT_OF_USE).read_text().strip() or "no reason is noted"
        return ""

    def put_out_of_use(self, why: str) -> None:
        """Let nothing run here any more before a person looked at the bench."""
        with suppress(FileExistsError):
            create_file(self._folder / OUT_OF_USE, f"{why}\n".encode())

    def counted(self, *, aborted: bool) -> int:
        """Return how many runs in a row were aborted, this one included."""
        place = self._folder / "aborted"
        count = len(place.read_bytes()) + 1 if aborted and place.exists() else int(aborted)
        place.write_bytes(b"x" * count)
        return count

    def reopen(self) -> None:
        """Let runs begin again."""
        for name in ("aborted", OUT_OF_USE):
            (self._folder / name).unlink(missing_ok=True)

    def _settle(self, token: str, why: str) -> None:
        """Note what is left of a job that ended in order; where no log was begun, nothing was switched."""
        log = self._log(token)
        if log is None:
            over = {"log": "", "why": f"nothing was switched: {why}"}
        elif _closed(log):
            over = {"log": str(log), "why": ""}
        else:
            return
        create_file(self._place(token, "over"), json.dumps(over).encode())

    def _lost(self, token: str) -> Passed:
        log = self._log(token)
        where = f"its log {log} has no end" if log else "it left no log"
        why = f"job {token[:8]} began here, and {where}: outputs may have moved"
        self.put_out_of_use(why)
        return Passed(None, f"{why}; the bench is out of use", lost=True)

    def _log(self, token: str) -> Path | None:
        with suppress(FileNotFoundError):
            return Path(self._place(token, "log").read_text())
        return None

    def _place(self, token: str, what: str) -> Path:
        return self._folder / f"{token}.{what}"


def _taken(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _closed(log: Path) -> bool:
    try:
        return check_log(log).closed
    except FileError:
        return False
