"""Enters logs that come from elsewhere: each is judged again, and its signature checked, before it is believed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, final

from bench.errors import FileError
from harness.record.judged import believed
from harness.record.read import read_log
from harness.record.standing import BELIEVED

if TYPE_CHECKING:
    from harness.record.history.store import History


@final
@dataclass(frozen=True, slots=True)
class Imported:
    """What came of one file.

    Attributes:
        entered: as `Entered`, or `refused`.
        standing: one of `STANDINGS`; `pass` for a self-check, which has none.
        alarm: why it is not believed, in a sentence with the file's name; empty where it is.
    """

    entered: str
    standing: str
    alarm: str = ""


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
        yield Imported(entered, one.standing, f"{path}: {one.standing}: {one.run.reason}" if wrong else "")
