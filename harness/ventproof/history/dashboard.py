"""Profiles by firmware versions: how the runs ended, and which do not always end the same (pure)."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple, final

from ventproof.log.run import ABORTED, evidence_key
from ventproof.statistics.repeats import RepeatCounts, fail_rate
from ventproof.verdict.naming import firmware_order

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping, Sequence

    from ventproof.log.run import RunRecord
    from ventproof.statistics.distributions import ConfidenceBounds


CONFIDENCE: Final = 0.95
"""Of the interval of every fail rate."""

WORST_FIRST: Final = ("fail", ABORTED, "inconclusive", "pass")
_FIRST: Final = dt.datetime(1, 1, 1, tzinfo=dt.UTC)


class Conditions(NamedTuple):
    """What must be the same where runs are repeats of each other; another verdict then comes from the unit alone."""

    profile: str
    firmware: str
    unit: str
    profile_sha256: str
    bench_sha256: str
    decision: str
    clock: str
    version: str


def conditions_of(run: RunRecord) -> Conditions:
    """Return under which conditions a run was made."""
    return Conditions(*(getattr(run, name) for name in Conditions._fields))


@final
@dataclass(frozen=True, slots=True)
class Cell:
    """The runs of one profile with one firmware version.

    Attributes:
        counts: how many ended how, one at least.
        flaky: whether repeats of each other do not always end the same.
    """

    counts: Mapping[str, int]
    flaky: bool

    @property
    def total(self) -> int:
        """How many runs."""
        return sum(self.counts.values())

    @property
    def verdict(self) -> str:
        """The worst that occurs."""
        return next(word for word in WORST_FIRST if self.counts.get(word))

    @property
    def text(self) -> str:
        """How they ended: `pass`, `25 pass`, `3 of 25 fail, 1 inconclusive`."""
        total, worse = self.total, [word for word in WORST_FIRST if self.counts.get(word) and word != "pass"]
        if not worse:
            return f"{total} pass" if total > 1 else "pass"
        first, *others = worse
        told = f"{self.counts[first]} of {total} {first}" if total > 1 else first
        return ", ".join([told, *(f"{self.counts[word]} {word}" for word in others)])


@final
@dataclass(frozen=True, slots=True)
class FlakyProfile:
    """Repeats that do not always end the same.

    Attributes:
        conditions: under which they were made.
        counts: how many ended how.
        rate: exact bounds on the probability that such a run fails (Clopper and Pearson 1934), two-sided.
    """

    conditions: Conditions
    counts: RepeatCounts
    rate: ConfidenceBounds

    @property
    def text(self) -> str:
        """How often: `3 of 25 fail`, `3 of 25 fail, 1 inconclusive`."""
        counts = self.counts
        told = f"{counts.fails} of {counts.total} fail"
        return f"{told}, {counts.inconclusive} inconclusive" if counts.inconclusive else told

    @property
    def bounds(self) -> str:
        """The rate in words: `2.5 % to 31.2 %`."""
        return f"{100 * self.rate.lower:.1f} % to {100 * self.rate.upper:.1f} %"


@final
@dataclass(frozen=True, slots=True)
class DashboardRow:
    """One profile: a cell for each version, None where it was not run."""

    profile: str
    cells: tuple[Cell | None, ...]


@final
@dataclass(frozen=True, slots=True)
class Dashboard:
    """Profiles by firmware versions.

    Attributes:
        versions: the newest first, unless they were put in another order.
        rows: the worst profile first.
        flaky: what does not always end the same, the one that surely fails most often first.
    """

    versions: tuple[str, ...]
    rows: tuple[DashboardRow, ...]
    flaky: tuple[FlakyProfile, ...]

    def in_columns(self, versions: Sequence[str]) -> Dashboard:
        """Return the same with its versions in another order; the worst profile of the last of them comes first."""
        places = [self.versions.index(version) for version in versions]
        rows = [DashboardRow(row.profile, tuple(row.cells[place] for place in places)) for row in self.rows]
        rows.sort(key=lambda row: _badness(DashboardRow(row.profile, row.cells[::-1])))
        return Dashboard(tuple(versions), tuple(rows), self.flaky)


@final
class RunTally:
    """Counts runs one by one, and holds none of them: thousands take little memory. A run counts once."""

    def __init__(self) -> None:
        self._seen: set[Hashable] = set()
        self._counts: dict[Conditions, Counter[str]] = defaultdict(Counter)
        self._dates: dict[Conditions, dt.datetime] = {}

    def add(self, run: RunRecord, at: dt.datetime | None = None) -> None:
        """Count a run; its findings are not asked for.

        Args:
            run: the run.
            at: when it was made; None: after the ones before.
        """
        key = evidence_key(run)
        if key in self._seen:
            return
        self._seen.add(key)
        conditions = conditions_of(run)
        self._counts[conditions][run.verdict] += 1
        when = at or _FIRST + dt.timedelta(seconds=len(self._seen))
        self._dates[conditions] = min(self._dates.get(conditions, when), when)

    def dashboard(self, unit: str | None = None) -> Dashboard:
        """Return what was counted.

        Args:
            unit: of which unit; None: of all.
        """
        counted = {k: counts for k, counts in self._counts.items() if unit is None or k.unit == unit}
        dates: dict[str, dt.datetime] = {}
        for key in counted:
            dates[key.firmware] = min(dates.get(key.firmware, self._dates[key]), self._dates[key])
        versions = tuple(reversed(firmware_order(dates)))
        flaky = _flaky(counted)
        unsteady = {(one.conditions.profile, one.conditions.firmware) for one in flaky}
        cells: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
        for key, counts in counted.items():
            cells[key.profile, key.firmware].update(counts)
        rows = [
            DashboardRow(
                profile,
                tuple(
                    Cell(cells[profile, version], (profile, version) in unsteady)
                    if (profile, version) in cells
                    else None
                    for version in versions
                ),
            )
            for profile in dict.fromkeys(key.profile for key in counted)
        ]
        return Dashboard(versions, tuple(sorted(rows, key=_badness)), flaky)


def tally_of(runs: Iterable[RunRecord]) -> RunTally:
    """Return some runs, counted."""
    tally = RunTally()
    for run in runs:
        tally.add(run)
    return tally


def _badness(row: DashboardRow) -> tuple[list[tuple[int, float]], str]:
    """Order profiles by how they stand with the newest version, then with the one before it."""
    return [_cell_badness(cell) for cell in row.cells], row.profile


def _cell_badness(cell: Cell | None) -> tuple[int, float]:
    if cell is None:
        return WORST_FIRST.index("pass"), -1.0
    return WORST_FIRST.index(cell.verdict), -cell.counts.get(cell.verdict, 0) / cell.total


def _flaky(counted: Mapping[Conditions, Mapping[str, int]]) -> tuple[FlakyProfile, ...]:
    """Return what passes sometimes: a run that a bench fault left without a verdict alone makes nothing flaky."""
    found = []
    for conditions, counts in counted.items():
        if counts.get("pass") and (counts.get("fail") or counts.get("inconclusive")):
            repeats = RepeatCounts(
                passes=counts["pass"],
                fails=counts.get("fail", 0),
                inconclusive=counts.get("inconclusive", 0) + counts.get(ABORTED, 0),
            )
            found.append(FlakyProfile(conditions, repeats, fail_rate(repeats, CONFIDENCE)))
    return tuple(sorted(found, key=lambda one: (-one.rate.lower, -one.rate.upper, one.conditions)))
