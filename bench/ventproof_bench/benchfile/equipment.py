"""What a bench is made of, and until when the calibration of each piece holds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import final

from ventproof_bench.yamlfile.fields import Day, FileModel, Line


class EquipmentSpec(FileModel):
    """An instrument, a board or an adapter of the bench."""

    name: Line
    """What the bench's people call it."""
    about: Line | None = None
    """What it is: its kind and the ranges that matter."""
    serial: Line | None = None
    """Its serial number or inventory number."""
    calibration_due: Day | None = None
    """Last day on which its calibration holds; leave it out for a piece that needs none. `check` and `run` warn after
    that day, and so does the report of a run that was made after it."""

    def calibration(self, on: dt.date | None) -> Calibration:
        """Return how its calibration stood on a day; None: the day is not known."""
        if self.calibration_due is None:
            return Calibration.NONE
        if on is None:
            return Calibration.NOT_COMPARED
        return Calibration.HELD if on <= self.calibration_due else Calibration.OVERDUE

    @property
    def due(self) -> str:
        """The last day on which its calibration holds, as a table shows it."""
        return "–" if self.calibration_due is None else f"{self.calibration_due}"

    @property
    def known_as(self) -> str:
        """Its name, with its serial number where it has one."""
        return f"{self.name} ({self.serial})" if self.serial else self.name


@final
class Calibration(StrEnum):
    """How the calibration of a piece stood on a day."""

    NONE = "none stated"
    NOT_COMPARED = "not compared: the run has no date"
    HELD = "valid"
    OVERDUE = "OVERDUE"


def overdue(equipment: Iterable[EquipmentSpec], on: dt.date) -> Iterator[str]:
    """Yield a sentence for each piece whose calibration was over on a day.

    Args:
        equipment: the pieces of a bench.
        on: the day on which they are used.
    """
    for piece in equipment:
        if piece.calibration(on) is Calibration.OVERDUE:
            yield f"the calibration of {piece.known_as} is overdue: it was due on {piece.calibration_due}"
