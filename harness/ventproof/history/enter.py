"""As runs end; imports."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof.history.database import FILE
from ventproof.log.read import read_log
from ventproof.rejudge.batch import believed
from ventproof.rejudge.standing import BELIEVED
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.base.errors import FileError, VentproofError
from ventproof_bench.outputs.wear import LEDGER

if TYPE_CHECKING:
    from ventproof.history.store import History
    from ventproof.log.run import RunRecord
    from ventproof.runset.completeness import PresentLog


_NONE: Final = "none"
_SOON_S: Final = 1.0
"""Runs that come sooner than this after the others are entered together: each time costs more than each run."""


def ledger_beside(history: str | None, folder: Path) -> Path:
    """Return where the operations of relays are added up: beside the history, or else beside the logs."""
    beside = folder if history in {None, "", _NONE} or "://" in str(history) else Path(str(history)).parent
    return beside / LEDGER


@final
class Keeper:
    """Enters logs into a history.

    Args:
        place: where the history is kept, as given; it is made when there is none.

    Raises:
        FileError: no history can be kept in such a place.
    """

    def __init__(self, place: str) -> None:
        from ventproof.history.database import place_of  # noqa: PLC0415 - slow, and some keep no history

        self._place = place_of(place)
        self._history: History | None = None
        self._broken = ""
        self._left: list[Path] = []
        self._soon: list[tuple[Path, RunRecord]] = []
        self._watch = Stopwatch()

    def enter(self, log: Path) -> None:
        """Enter the log of a run that ended, whichever way; never raises.

        After a failure nothing more is tried: the next run shall not wait for a server that is not there.
        """
        self.settle()
        self._enter([log], lambda history: history.enter_log(log))

    def enter_soon(self, log: Path, record: RunRecord) -> None:
        """Enter a log that was read already, together with those that come within a second; `settle` must follow."""
        self._soon.append((log, record))
        if self._watch.gone_s() > _SOON_S:
            self.settle()

    def settle(self) -> None:
        """Enter what shall be entered soon, in one transaction; never raises."""
        soon, self._soon, self._watch = self._soon, [], Stopwatch()
        if soon:
            self._enter([log for log, _ in soon], lambda history: history.enter_all(soon))

    def _enter(self, logs: Sequence[Path], how: Callable[[History], object]) -> None:
        try:
            if not self._broken:
                how(self._opened())
        except VentproofError as error:
            self._broken = str(error)
        except Exception as error:  # noqa: BLE001 - whatever fails here, the run is over and its log is written
            self._broken = f"{self._place.shown}: ventproof itself failed ({type(error).__name__}: {error})"
        if self._broken:
            self._left += logs

    def _opened(self) -> History:
        if self._history is None:
            from ventproof.history.store import History  # noqa: PLC0415 - as above

            self._history = History(self._place, create=True)
        return self._history

    @property
    def warning(self) -> str:
        """What an operator must be told: which logs were not entered, why, and what enters them; empty: nothing."""
        if not self._left:
            return ""
        here = [shlex.quote(str(log)) for log in self._left if log.exists()]
        said = f"not entered into the history: {self._broken}."
        if gone := [str(log) for log in self._left if not log.exists()]:
            said += f" Gone: {', '.join(gone)}."
        if here:
            into = shlex.quote(self._place.shown)
            said += (
                f" The logs stand as they are; enter them later: ventproof history import --history {into} "
            )
        return said + " ".join(here)


def keeper_of(place: str | None, folder: Path) -> Keeper | None:
    """Return what enters runs into the history that was asked for; None when none is wanted.

    Args:
        place: where the history is kept, `none`, or nothing: then it is kept beside the logs.
        folder: the folder of the logs.

    Raises:
        FileError: no history can be kept there.
    """
    return None if place == _NONE else Keeper(place or str(folder / FILE))


@final
@dataclass(frozen=True, slots=True)
class Imported:
    """What came of one file.

    Attributes:
        entered: as `Entered`, or `refused`.
        standing: one of `STANDINGS`; `pass` for a self-check, which has none.
        alarm: why it is not believed, in a sentence with the file's name; empty where it is.
        here: what a set of logs is counted by; None where it holds no run.
    """

    entered: str
    standing: str
    alarm: str = ""
    here: PresentLog | None = None


def imported(history: History, paths: Sequence[Path]) -> Iterator[Imported]:
    """Enter logs one by one; a run that is not believed is entered without a verdict.

    Raises:
        FileError: the database refuses.
    """
    for path in paths:
        try:
            state = read_log(path)
            if state.is_check:
                yield Imported("no run", "pass")
                continue
            one = believed(path, state)
        except FileError as error:
            yield Imported("refused", "unreadable", str(error))
            continue
        entered = history.enter(path, one.run)
        wrong = one.standing not in BELIEVED
        alarm = f"{path}: {one.standing}: {one.run.reason}" if wrong else ""
        yield Imported(entered, one.standing, alarm, one.here)
