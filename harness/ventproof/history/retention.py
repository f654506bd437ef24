"""Which runs a history may forget: never what a reader would miss first (pure)."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.history.store import HistoryEntry
    from ventproof.log.run import RunRecord


@final
@dataclass(frozen=True, slots=True)
class RetentionRule:
    """What may be forgotten.

    The last passing run of a profile on a unit with a firmware version is never forgotten.

    Attributes:
        newest: the newest so many runs of each profile, firmware and unit stay, whatever their verdict; None: no such.
        verdicts: runs with other verdicts stay.
        since: runs before stay; None: no such.
        until: runs from then on stay; None: no such.
    """

    newest: int | None
    verdicts: Sequence[str] = ("pass",)
    since: dt.datetime | None = None
    until: dt.datetime | None = None

    def forgettable(self, entries: Iterable[HistoryEntry]) -> Iterator[HistoryEntry]:
        """Yield the runs that may be forgotten.

        Args:
            entries: all runs, the newest first; their findings are not looked at.
        """
        newer: Counter[tuple[str, str, str]] = Counter()
        passed: set[tuple[str, str, str]] = set()
        for entry in entries:
            group = _group(entry.record)
            newer[group] += 1
            last_pass = entry.record.verdict == "pass" and group not in passed
            if last_pass:
                passed.add(group)
            kept = last_pass or entry.record.verdict not in self.verdicts
            if not kept and newer[group] > (self.newest or 0) and self._is_dated(entry.at):
                yield entry

    def _is_dated(self, at: dt.datetime) -> bool:
        return (self.since is None or at >= self.since) and (self.until is None or at < self.until)


def _group(record: RunRecord) -> tuple[str, str, str]:
    return record.profile, record.firmware, record.unit


@final
class ForgottenTold:
    """Counts what is forgotten, by profile."""

    def __init__(self) -> None:
        self._days: dict[str, list[dt.datetime]] = {}
        self._counts: Counter[str] = Counter()
        self._versions: defaultdict[str, set[str]] = defaultdict(set)

    def add(self, entry: HistoryEntry) -> None:
        """Count a run."""
        profile = entry.record.profile
        self._counts[profile] += 1
        self._versions[profile].add(entry.record.firmware)
        days = self._days.setdefault(profile, [entry.at, entry.at])
        days[:] = [min(days[0], entry.at), max(days[1], entry.at)]

    @property
    def sentences(self) -> Iterator[str]:
        """A line for each profile: how many runs, of how many versions, from when to when."""
        for profile, (first, last) in self._days.items():
            runs = number_of(self._counts[profile], "run")
            versions = number_of(len(self._versions[profile]), "firmware version")
            yield f"{profile}: {runs} of {versions}, {first:%Y-%m-%d} to {last:%Y-%m-%d}"
