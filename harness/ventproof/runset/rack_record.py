"""The file that closes the test of a rack: its places, and each log that they left."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof.log.decode import LineFields
from ventproof.log.read import VERDICTS
from ventproof.log.run import ABORTED
from ventproof.runset.closing import closing_of, read_closing
from ventproof_bench.base.files import whole_file
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.runset.completeness import PresentLog


RACK: Final = "rack.json"
"""Name of this file; the logs are in folders beside it, one a place."""

_FORMAT: Final = "ventproof rack"
_VERSION: Final = 1
_SHA256: Final = re.compile("[0-9a-f]{64}")
_MOST: Final = 5
"""So many logs of a place are named; more are counted."""


@final
@dataclass(frozen=True, slots=True)
class RackedLog:
    """A log that the test of a place left.

    Attributes:
        log: its file, from the folder of this one: `left/rain.jsonl`.
        sha256: of the file; empty where its chain is broken.
        outcome: its verdict, or `aborted`.
    """

    log: str
    sha256: str
    outcome: str


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class RackedPlace:
    """How the test of a place ended.

    Attributes:
        place: its name.
        unit: serial number of the unit there, as stated.
        firmware: its firmware version, likewise.
        planned: how many runs it was to have.
        code: exit code of its `run`; None where it was not started.
        remark: what befell it; empty where nothing did.
        logs: what it left.
    """

    place: str
    unit: str
    firmware: str
    planned: int
    code: int | None
    remark: str
    logs: tuple[RackedLog, ...]


@final
@dataclass(frozen=True, slots=True)
class RackRecord:
    """What closes the test of a rack."""

    rack: str
    places: tuple[RackedPlace, ...]

    @property
    def all_here(self) -> str:
        """That all of it is here, as the begin of a sentence."""
        return f"All logs of the {number_of(len(self.places), 'place')} of rack {self.rack} are here"

    def logs_left(self, folder: Path) -> list[Path]:
        """Return the logs that it lists, as they are called in its folder."""
        return [folder / log.log for one in self.places for log in one.logs]

    @property
    def content(self) -> bytes:
        """The file's bytes: of one record there is one spelling."""
        places = [
            {
                "place": one.place,
                "unit": one.unit,
                "firmware": one.firmware,
                "planned": one.planned,
                "exit_code": one.code,
                "remark": one.remark,
                "logs": [{"log": log.log, "sha256": log.sha256, "outcome": log.outcome} for log in one.logs],
            }
            for one in self.places
        ]
        whole = {"format": _FORMAT, "version": _VERSION, "rack": self.rack, "places": places}
        return (json.dumps(whole, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "backslashreplace")

    def missing(self, here: Collection[str]) -> Iterator[str]:
        """Yield what is not here of all that was planned, a sentence a place.

        Args:
            here: SHA-256 of the logs that are here.
        """
        for one in self.places:
            gone = [log for log in one.logs if log.sha256 not in here]
            if gone:
                names = "; ".join(f"{log.log}: {log.outcome}" for log in gone[:_MOST])
                more = f" and {len(gone) - _MOST} more" if len(gone) > _MOST else ""
                are = "is not as listed, or is" if len(gone) == 1 else "are not as listed, or are"
                count = f"{len(gone)} of {len(one.logs)} logs of place {one.place}"
                yield f"{count} {are} not here: {names}{more}."
            if not one.logs:
                yield f"Place {one.place} of rack {self.rack} has no log{f': {one.remark}' * bool(one.remark)}."

    def unlisted(self, logs: Iterable[PresentLog]) -> Iterator[str]:
        """Yield which of some logs that lie in its folder it does not list, a sentence each."""
        listed = {log.sha256 for one in self.places for log in one.logs}
        for log in logs:
            if log.sha256 not in listed:
                yield f"{RACK} does not list {log.name}: it was changed, added, or made after the rack ended."


def write_rack_record(path: Path, record: RackRecord, *, replaces: bool = False) -> None:
    """Write a record: there as a whole or not at all.

    Args:
        path: the file.
        record: what it is to say.
        replaces: whether it may take the place of the record that the same rack left when it was broken off.

    Raises:
        FileError: it cannot be written.
    """
    with whole_file(path, replaces=replaces) as file:
        file.write(record.content)


def read_rack_record(path: Path) -> RackRecord:
    """Read a record.

    Raises:
        FileError: it cannot be read, or is none as ventproof writes it.
    """
    return read_closing(path, _record_of, "record of a rack")


def _record_of(content: bytes) -> RackRecord:
    return closing_of(content, _FORMAT, _VERSION, _parsed)


def _parsed(line: LineFields) -> RackRecord:
    return RackRecord(line.text("rack"), tuple(map(_place, line.parts("places"))))


def _place(line: LineFields) -> RackedPlace:
    return RackedPlace(
        place=line.text("place"),
        unit=line.text("unit"),
        firmware=line.text("firmware"),
        planned=line.whole("planned", 1),
        code=line.maybe("exit_code", line.whole),
        remark=line.text("remark"),
        logs=tuple(map(_log, line.parts("logs"))),
    )


def _log(line: LineFields) -> RackedLog:
    sha256 = line.text("sha256")
    if sha256 and not _SHA256.fullmatch(sha256):
        raise line.wrong("sha256", "64 digits from 0 to 9 and a to f")
    return RackedLog(line.text("log"), sha256, line.word("outcome", (*VERDICTS, ABORTED)))
