"""What went wrong alike, and how much of its limit a pass used (pure)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final, Generic, NamedTuple, TypeVar, final

from ventproof.deciders import formulas
from ventproof.rejudge.standing import STANDINGS
from ventproof.verdict.finding import Status, Verdict

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof.verdict.finding import Finding

_NOT_AT_ALL: Final = 1e-9
_ORDER: Final = (*STANDINGS, Status.NOT_RUN)
_What = TypeVar("_What")


@final
class Alike(NamedTuple, Generic[_What]):
    """What went wrong alike: its verdict, what it is in few words, each time that it did, and in how many runs."""

    verdict: str
    brief: str
    found: tuple[_What, ...]
    runs: int


def alike(wrong: Iterable[tuple[str, str, float, object, _What]]) -> tuple[Alike[_What], ...]:
    """Return what went wrong, the same together: the worst first, then what most runs have in common.

    In a group that comes first which missed its limit by most.

    Args:
        wrong: of each time its verdict, what it was in few words, by how much it missed, what tells its run from
            others, and what is to be held of it.
    """
    by_brief: dict[tuple[str, str], list[tuple[float, object, _What]]] = {}
    for verdict, brief, by, run, what in wrong:
        by_brief.setdefault((verdict, brief), []).append((by, run, what))
    groups = []
    for (verdict, brief), found in by_brief.items():
        found.sort(key=lambda one: -one[0])
        groups.append(
            Alike(verdict, brief, tuple(what for *_, what in found), len({run for _, run, _ in found}))
        )
    return tuple(sorted(groups, key=lambda group: (_ORDER.index(group.verdict), -group.runs)))


def used_of(finding: Finding, result: Result | None) -> tuple[float, str] | None:
    """Return which share of its limit a response used in the worst case, and of which limit.

    Its time is measured against its deadline, its distance from the target against the tolerance; the greater counts.
    Nothing is returned for what has neither, or never came.
    """
    if finding.verdict is not Verdict.PASS or finding.hollow:
        return None
    shares: list[tuple[float, str]] = []
    if finding.response_s is not None and finding.slack_s is not None:
        latest_s = finding.response_s.latest_s
        limit_s = latest_s + finding.slack_s.low
        if limit_s > _NOT_AT_ALL:
            shares.append((latest_s / limit_s, "of the deadline"))
    tolerance = _tolerance(result)
    if finding.margin is not None and tolerance > _NOT_AT_ALL:
        shares.append((max(0.0, 1 - finding.margin.low / tolerance), "of the tolerance"))
    return max(shares, default=None)


def _tolerance(result: Result | None) -> float:
    """Return how far off a signal may be to both sides; 0 where there is no such limit."""
    match result.watch.formula if result is not None and result.watch is not None else None:
        case formulas.ReachesFormula(tolerance=tolerance):
            return tolerance
        case formulas.UnchangedFormula(tolerance=float(tolerance)):
            return tolerance
        case formulas.StaysFormula(low=float(low), high=float(high)):
            return (high - low) / 2
    return 0.0
