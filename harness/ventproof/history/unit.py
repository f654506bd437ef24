"""How one unit stands by its runs: its verdict, what explains it, and its runs by their cause (pure)."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.history.dashboard import WORST_FIRST
from ventproof.log.run import reason_text
from ventproof.verdict.brief import brief, cause_sentence
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ventproof.history.dashboard import FlakyProfile
    from ventproof.history.store import HistoryEntry
    from ventproof.log.run import RunRecord


_NAMED: Final = 3
"""So many flaky profiles are named; more are counted."""


@final
@dataclass(frozen=True, slots=True)
class UnitStanding:
    """How a unit stands with the firmware that was run last.

    Attributes:
        verdict: the worst of the newest runs of its profiles; where these pass, `incomplete` if planned runs are not
            here, and `flaky` if repeats of one do not always pass.
        extent: what that is said of.
        cause: what explains it, in one sentence; empty where nothing has to be explained.
    """

    verdict: str
    extent: str
    cause: str


@final
@dataclass(frozen=True, slots=True)
class RunGroup:
    """Runs that ended the same, for the same cause.

    Attributes:
        verdict: how they ended.
        cause: what was wrong, in a few words; empty of runs that passed.
        entries: the runs, the newest first.
    """

    verdict: str
    cause: str
    entries: tuple[HistoryEntry, ...]


def standing_of_unit(
    entries: Sequence[HistoryEntry], gaps: Mapping[str, str], flaky: Sequence[FlakyProfile]
) -> UnitStanding:
    """Return how a unit stands. Where planned runs are not here that is said first, and it is no pass.

    Args:
        entries: its runs, the newest first.
        gaps: what is not here of their plans, by the plan's digest.
        flaky: what of it does not always pass.
    """
    firmware = entries[0].record.firmware
    profiles = {entry.record.profile for entry in entries}
    runs = [entry.record for entry in entries if entry.record.firmware == firmware]
    newest = {record.profile: record for record in reversed(runs)}
    # Repeats of one command stand together: the last of them alone says less than all.
    latest = [record for record in runs if _together(record, newest[record.profile])]
    earlier = sum(record.verdict != "pass" for record in runs) - sum(r.verdict != "pass" for r in latest)
    verdicts = [record.verdict for record in latest]
    worst = min(verdicts, key=WORST_FIRST.index)
    plans = dict.fromkeys(record.place.plan.sha256 for record in newest.values() if record.place)
    missing = [gaps[sha256] for sha256 in plans if sha256 in gaps]
    parts = [*missing]
    if worst != "pass":
        parts.append(f"{verdicts.count(worst)} of {len(latest)} runs")
    if len(newest) < len(profiles):
        parts.append(f"{len(profiles) - len(newest)} not run with this firmware")
    if earlier:
        parts.append(f"{number_of(earlier, 'earlier run')} with it did not pass")
    if any(record.clock == "virtual" for record in newest.values()):
        parts.append("on the mock, in virtual time")
    if worst != "pass":
        return UnitStanding(worst, ", ".join(parts), _cause(latest, worst))
    sometimes = [one for one in flaky if one.conditions.firmware == firmware]
    verdict = "incomplete" if missing else "flaky" if sometimes else worst
    return UnitStanding(verdict, ", ".join(parts), _sometimes(sometimes))


def _sometimes(flaky: Sequence[FlakyProfile]) -> str:
    """Return what does not always pass, in one sentence."""
    told = [f"{one.conditions.profile}: {one.text}" for one in flaky[:_NAMED]]
    more = [f"{len(flaky) - _NAMED} more"] if len(flaky) > _NAMED else []
    return f"{'; '.join([*told, *more])}." if told else ""


def _together(one: RunRecord, other: RunRecord) -> bool:
    """Return whether two runs are the same, or of one set."""
    if one.place is None or other.place is None:
        return one is other
    return one.place.plan.sha256 == other.place.plan.sha256


def _cause(runs: Sequence[RunRecord], worst: str) -> str:
    """Return what explains the worst of some runs."""
    causes: dict[str, set[int]] = defaultdict(set)
    for number, run in enumerate(runs):
        if run.verdict == worst:
            for cause in _causes(run):
                causes[cause].add(number)
    return cause_sentence(causes, len(runs), "run")


def _causes(run: RunRecord) -> list[str]:
    """Return what explains how a run ended, in few words each; what counts most first."""
    if run.reason:
        return [reason_text(run)]
    bad = [f for f in run.findings if f.verdict == run.verdict and not f.skipped]
    return list(dict.fromkeys(brief(finding) for finding in bad if finding.explained))


def groups_of_runs(entries: Sequence[HistoryEntry]) -> list[RunGroup]:
    """Return runs by how they ended and why: the worst first, then the cause of most runs.

    Args:
        entries: the newest first.
    """
    groups: dict[tuple[str, str], list[HistoryEntry]] = defaultdict(list)
    for entry in entries:
        causes = [] if entry.record.verdict == "pass" else _causes(entry.record)
        groups[entry.record.verdict, causes[0] if causes else ""].append(entry)
    found = [RunGroup(verdict, cause, tuple(those)) for (verdict, cause), those in groups.items()]
    return sorted(found, key=lambda group: (WORST_FIRST.index(group.verdict), -len(group.entries)))
