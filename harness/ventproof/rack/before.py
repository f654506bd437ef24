"""What an interrupted rack left of each place: which runs stand, and which are still to be made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar, final

from ventproof.log.names import logs_in
from ventproof.log.run import ABORTED
from ventproof.runset.rack_record import RACK, RackedPlace, read_rack_record
from ventproof.session.resume import resumed
from ventproof.verdict.finding import code_of
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from ventproof.log.read import LogCheck
    from ventproof.log.run import RunRecord
    from ventproof.session.resume import Resumed


T = TypeVar("T", "LogCheck", "RunRecord")


@final
@dataclass(frozen=True, slots=True)
class PlaceBefore:
    """What a rack that was broken off left of a place.

    Attributes:
        plan: its plan, and what stands of that; None where it was not begun.
        outcomes: how the runs ended that stand.
        code: the exit code that they come to, where nothing is left to run; None: something is.
        remark: what befell its process then.
    """

    plan: Resumed | None = None
    outcomes: tuple[str, ...] = ()
    code: int | None = None
    remark: str = ""

    @property
    def says(self) -> str:
        """What stands and what is left, in a line."""
        if self.plan is None:
            return "nothing was run here yet"
        if self.code is None:
            return self.plan.says
        return f"{number_of(len(self.outcomes), 'run')} done, nothing is left to run"


def recorded(folder: Path, rack: str, places: Collection[str]) -> Mapping[str, RackedPlace]:
    """Return the places of the record that a rack left, by name; none where it was killed before it wrote one.

    Args:
        folder: of the rack's logs.
        rack: the name that it must have.
        places: those that its file has now.

    Raises:
        FileError: the folder is of another rack, or of none.
    """
    if not folder.is_dir():
        raise _refused(folder, "there is no such folder", "give the folder of the rack's logs")
    if not any(logs_in(folder / name) for name in places):
        raise _refused(folder, "no place of this rack was tested in this folder", "leave --resume out")
    if not (folder / RACK).exists():
        return {}
    record = read_rack_record(folder / RACK)
    gone = [one.place for one in record.places if one.place not in places]
    if record.rack != rack or gone:
        lacks = f" with place {gone[0]}" if gone and record.rack == rack else ""
        reason = f"these are the logs of rack {record.rack!r}{lacks}, and the file is of {rack!r}"
        raise _refused(folder, reason, "a rack goes on with the places that it began with")
    return {one.place: one for one in record.places}


def place_before(folder: Path, record: RackedPlace | None) -> PlaceBefore:
    """Return what stands of a place.

    Args:
        folder: of its logs.
        record: how its test ended, where that was recorded.

    Raises:
        FileError: a log of it is missing or was changed, or a run still goes on.
    """
    if not logs_in(folder):
        return PlaceBefore()
    plan = resumed(folder, finished=True)
    verdicts = [one.result.outcome.verdict for _, one in sorted(plan.kept.items())]
    outcomes = tuple(str(verdict or ABORTED) for verdict in verdicts)
    if plan.unfinished:
        return PlaceBefore(plan, outcomes)
    here = {one.sha256 for one in plan.kept.values()}
    here |= {left.sha256 for earlier in plan.earlier.values() for _, left in earlier}
    if record is not None and record.code is not None and here == {log.sha256 for log in record.logs}:
        return PlaceBefore(plan, outcomes, record.code, record.remark)
    return PlaceBefore(plan, outcomes, code_of(verdicts))


def last_attempts(checks: Sequence[T]) -> list[T]:
    """Return the logs of runs, as checked or as read, without those that were aborted and made again."""
    again = {one.digest for check in checks if check.place for one in check.place.earlier}
    return [check for check in checks if check.digest not in again]


def _refused(path: Path, reason: str, hint: str) -> FileError:
    return FileError([Problem(str(path), None, None, reason, hint)])
