"""What is to be said of waivers, by all places of a rack that have the same: what one does not need another may."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from ventproof.log.names import log_at
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.rack.before import last_attempts
from ventproof.session.waived import WaivedRuns, waivable_of
from ventproof_bench.base.clock import local_now
from ventproof_bench.base.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from ventproof.log.run import RunRecord
    from ventproof.papers.waivers import Waivers
    from ventproof.profile.model import Profile
    from ventproof.runset.rack_record import RackedPlace


@final
@dataclass(frozen=True, slots=True)
class WaivedPlace:
    """A place with waivers.

    Attributes:
        waivers: the waivers.
        suite: its profiles.
        ended: how its test ended.
    """

    waivers: Waivers
    suite: Sequence[Profile]
    ended: RackedPlace


def of_waivers(folder: Path, places: Sequence[WaivedPlace]) -> Iterator[str]:
    """Yield what waivers cannot accept, which accept too much, and which no place needs, where all were tested.

    Args:
        folder: of the rack's logs.
        places: those with waivers.
    """
    today = local_now().date()
    files = {place.waivers.digest: place.waivers for place in places}
    for digest, waivers in files.items():
        its, whole = WaivedRuns(waivers.model.waivers), True
        for place in (one for one in places if one.waivers.digest == digest):
            profiles = {profile.profile: profile for profile in place.suite}
            records = last_attempts([*_records(folder, place.ended)])
            whole = whole and len(records) == place.ended.planned
            for record in (one for one in records if one.profile in profiles):
                its.take(
                    record.profile, waivable_of(record, profiles[record.profile], today), record.findings
                )
        for line in its.warnings(whole=whole):
            yield f"{waivers.path}: {line}" if len(files) > 1 else line


def _records(folder: Path, ended: RackedPlace) -> Iterator[RunRecord]:
    for log in ended.logs:
        path = log_at(folder / log.log)
        with suppress(FileError):  # whoever judges the log says what is wrong with it
            yield results_of(read_log(path), str(path))
