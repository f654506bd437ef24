"""Enters runs into the history as they end; a history that fails costs a warning, never a run or a verdict."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from bench.errors import VentproofError

if TYPE_CHECKING:
    from harness.record.history.store import History

NONE: Final = "none"
"""What is given as a place where no history is wanted."""


@final
class Keeper:
    """Enters logs into a history.

    Args:
        place: where the history is kept, as given; it is made when there is none.

    Raises:
        FileError: no history can be kept in such a place.
    """

    def __init__(self, place: str) -> None:
        from harness.record.history.place import place_of  # noqa: PLC0415 - slow, and some keep no history

        self._place = place_of(place)
        self._history: History | None = None
        self._failed: dict[str, list[Path]] = {}

    def enter(self, log: Path) -> None:
        """Enter the log of a run that ended, whichever way; never raises."""
        try:
            if self._history is None:
                from harness.record.history.store import History  # noqa: PLC0415 - as above

                self._history = History(self._place, create=True)
            self._history.enter_log(log)
        except VentproofError as error:
            self._failed.setdefault(str(error), []).append(log)
        except Exception as error:  # noqa: BLE001 - whatever fails here, the run is over and its log is written
            said = f"{self._place.shown}: ventproof itself failed ({type(error).__name__}: {error})"
            self._failed.setdefault(said, []).append(log)

    @property
    def warnings(self) -> list[str]:
        """What an operator must be told: which logs were not entered, why, and what enters them later."""
        return [
            f"not entered into the history: {', '.join(map(str, logs))}: {reason}. The logs are whole; enter them "
            f"later: ventproof history import {' '.join(map(str, logs))}"
            for reason, logs in self._failed.items()
        ]
