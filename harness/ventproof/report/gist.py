"""What went wrong with a response in a few words, what went wrong alike, how much of its limit a pass used (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final, Generic, NamedTuple, TypeVar, final

from ventproof.deciders import formulas
from ventproof.rejudge.standing import STANDINGS
from ventproof.verdict.finding import Cause, Status, Verdict
from ventproof_bench.base.evidence import is_discrete

if TYPE_CHECKING:
    from ventproof.case.case import Case, Result
    from ventproof.verdict.finding import Finding, Key

_EARLY: Final = frozenset({Cause.CAME_EARLY, Cause.THERE_EARLY})
_LEFT: Final = frozenset({Cause.LEFT_AGAIN, Cause.NOT_KEPT})
_NOT_AT_ALL: Final = 1e-9


_ORDER: Final = (*STANDINGS, Status.NOT_RUN)
_What = TypeVar("_What")


@final
class Alike(NamedTuple, Generic[_What]):
    """What went wrong alike: its verdict, what it is, each time that it did, and in how many runs."""

    verdict: str
    gist: str
    found: tuple[_What, ...]
    runs: int


def alike(wrong: Iterable[tuple[str, str, object, _What]]) -> tuple[Alike[_What], ...]:
    """Return what went wrong, the same together: the worst first, then what most runs have in common.

    Args:
        wrong: of each time its verdict, its gist, what tells its run from others, and what is to be held of it.
    """
    by_gist: dict[tuple[str, str], list[tuple[object, _What]]] = {}
    for verdict, gist, run, what in wrong:
        by_gist.setdefault((verdict, gist), []).append((run, what))
    groups = [
        Alike(verdict, gist, tuple(what for _, what in found), len({run for run, _ in found}))
        for (verdict, gist), found in by_gist.items()
    ]
    return tuple(sorted(groups, key=lambda group: (_ORDER.index(group.verdict), -group.runs)))


def gists_of(findings: Iterable[Finding], case: Case) -> dict[Key, str]:
    """Return the gist of each finding of a run that has one, given its evidence as it was judged."""
    results = {(result.step, result.number, result.signal): result for result in case.results}
    states = states_of(case)
    gists = {finding.key: gist_of(finding, results.get(finding.key), states) for finding in findings}
    return {key: gist for key, gist in gists.items() if gist}


def states_of(case: Case) -> dict[str, dict[int, str]]:
    """Return the words of each state's values, by signal."""
    return {name: {value: word for word, value in words.items()} for name, words in case.states.items()}


def gist_of(finding: Finding, result: Result | None, states: Mapping[str, Mapping[int, str]]) -> str:
    """Return what did not go as required, without times and values that differ from run to run.

    Args:
        finding: what was found.
        result: the same as it was judged again, where it could be.
        states: the words of each state's values, by signal.

    Returns:
        `rain_override did not come on in time`; with `perhaps` where it is inconclusive; empty for what was not run and
        for a pass that shows something.
    """
    if finding.skipped or not finding.explained:
        return ""
    if finding.hollow:
        return f"{finding.signal} was already as required, which proves nothing"
    words = "" if result is None else _wrong(finding, result, states.get(finding.signal, {}))
    if not words:
        verb = "is not met" if finding.status is Status.FAIL else "is perhaps not met"
        return f"{finding.signal}: {finding.demand}, {verb}"
    doubt = "perhaps " if finding.status is not Status.FAIL else ""
    return f"{finding.signal} {doubt}{words}"


def _wrong(finding: Finding, result: Result, states: Mapping[int, str]) -> str:
    """Return how a demand was not met, as it follows the signal's name; empty where nothing short says it."""
    ruling = result.ruling
    cause = ruling.witness.cause if ruling is not None and ruling.witness is not None else None
    unit = "" if is_discrete(finding.unit) else f" {finding.unit}"
    match result.watch.formula if result.watch is not None else None:
        case formulas.ReachesFormula(target=target):
            return f"did not {'stay at' if cause in _LEFT else 'reach'} {target:.4g}{unit} in time"
        case formulas.ReturnsFormula(target=target):
            at = f"{target:.4g}{unit}"
            return f"came back to {at} too early" if cause in _EARLY else f"did not come back to {at} in time"
        case formulas.EqualsFormula(value=value):
            return f"did not {_become(finding.unit, value, states)} in time"
        case formulas.StaysFormula(low=low, high=high):
            if low is None or high is None:
                return f"rose above {high:.4g}{unit}" if low is None else f"fell below {low:.4g}{unit}"
            return f"left {low:.4g} to {high:.4g}{unit}"
        case formula:
            return _wrong_way(formula, cause, unit)


def _wrong_way(formula: object, cause: Cause | None, unit: str) -> str:  # noqa: PLR0911 - one line a kind
    """Return how a demand on the way or the count was not met; empty for any other."""
    match formula:
        case formulas.UnchangedFormula():
            return "changed and must not"
        case formulas.StartsMovingFormula():
            return "did not begin to move in time"
        case formulas.MovesAtFormula():
            return "did not arrive in time" if cause is Cause.NOT_ARRIVED else "moved at a wrong rate"
        case formulas.OvershootsAtMostFormula(target=target):
            return f"went too far beyond {target:.4g}{unit}"
        case formulas.NeverReversesFormula():
            return "moved back on its way"
        case formulas.CountsFormula():
            return "counted a wrong number"
    return ""


def _become(unit: str, value: float, states: Mapping[int, str]) -> str:
    if unit == "flag":
        return "come on" if value else "go off"
    return f"become {states.get(int(value), f'{value:g}')}"


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
