"""What waivers make of the runs of a command: which fails they accept, and what is to be said of them."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, final

from ventproof.papers.waivers import ACCEPTED, WaivableRun, Waived, not_waivable, too_broad, unneeded, waived
from ventproof.verdict.text import response

if TYPE_CHECKING:
    from ventproof.log.run import RunRecord
    from ventproof.papers.waivers import WaiverSpec
    from ventproof.profile.model import Profile
    from ventproof.verdict.finding import Finding


def waivable(profile: Profile, unit: str, firmware: str, day: dt.date) -> WaivableRun:
    """Return what waivers ask of a run.

    Args:
        profile: what was run.
        unit: serial number of the unit.
        firmware: its firmware version.
        day: on which it was run; of a run in virtual time today.
    """
    named = {place: one.requirements for place, one in profile.required.items()}
    return WaivableRun(profile.profile, unit, firmware, day, named)


def waivable_of(record: RunRecord, profile: Profile, today: dt.date) -> WaivableRun:
    """Return what waivers ask of a run, by its log.

    Args:
        record: of the log.
        profile: what was run.
        today: the day that counts for a run in virtual time.
    """
    day = dt.datetime.fromisoformat(record.started).astimezone().date() if record.started else today
    return waivable(profile, record.unit, record.firmware, day)


@final
class WaivedRuns:
    """What waivers make of runs, taken one by one; of none more is held than what is said at the end.

    Args:
        waivers: the waivers.
    """

    def __init__(self, waivers: Sequence[WaiverSpec]) -> None:
        self._waivers = waivers
        self._told: list[Waived] = []
        self._lines: Counter[str] = Counter()

    def take(self, title: str, run: WaivableRun, findings: Sequence[Finding]) -> str:
        """Take a run; return how it ended, as `Waived.result` says.

        Args:
            title: of its profile, for people.
            run: of what the waivers must be.
            findings: what was found.
        """
        its = waived(self._waivers, run, findings)
        self._told.append(its)
        self._lines.update(_lines_of(title, its, findings))
        return its.result(findings)

    @property
    def lines(self) -> Iterator[str]:
        """A line for each fail that a waiver covers: accepted, or a fail and why, and in how many runs."""
        for line, count in self._lines.items():
            yield f"{line} ({count} runs)" if count > 1 else line

    def warnings(self, *, whole: bool = True) -> Iterator[str]:
        """Yield what waivers cannot accept, which of them accept more than they were written for, and which nothing.

        Args:
            whole: whether all runs were taken: otherwise one that is missing may need what no other does.
        """
        yield from not_waivable(self._told)
        yield from too_broad(self._told)
        if whole:
            yield from unneeded(self._waivers, self._told)


def _lines_of(title: str, its: Waived, findings: Sequence[Finding]) -> Iterator[str]:
    said = {one.key: f"{title}: {one.step_name}: {response(one)}" for one in findings}
    for key, waiver in its.accepted.items():
        yield f"{ACCEPTED} {waiver.id}: {said[key]} ({waiver.reason}; retest by {waiver.retest_by})"
    for key, (waiver, refused) in its.refused.items():
        yield f"fail, not accepted: {said[key]}: waiver {waiver.id} {refused}"
