"""How a run stands: whether its log is whole, and whether its evidence, judged again, bears out what the log says."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Final, TypeVar, final

from ventproof.log.events import FindingMade, RunBegin
from ventproof.papers.waivers import ACCEPTED
from ventproof.verdict.finding import WORST_FIRST
from ventproof_bench.base.errors import EvidenceError, FileError
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.case.case import Case
    from ventproof.log.read import LogState
    from ventproof.verdict.finding import Finding, Key


STANDINGS: Final = (
    "contradicted",
    "broken",
    "unreadable",
    "fail",
    "aborted",
    "unconfirmed",
    "inconclusive",
    ACCEPTED,
    "pass",
)
"""How a log can stand, the one that says most about a set of logs first.

The verdict that a log closed with stands only if its chain is intact and its evidence, judged again, gives the same:
otherwise it is `broken`, `contradicted`, or, where it could not be judged again, `unconfirmed`. What is no log of ours
at all is `unreadable`: nobody can say what it held. A fail stands as an accepted deviation only in a report for people,
and only by a waiver.
"""

BELIEVED: Final = ("fail", "aborted", "inconclusive", ACCEPTED, "pass")
"""Of these what a log says of its run's end is taken as it stands."""

INCOMPLETE: Final = "incomplete"
"""How a set of logs stands of which all that is here passed, and not all that was planned is here."""

OF_SETS: Final = (*STANDINGS[:-3], INCOMPLETE, *STANDINGS[-3:])
"""How a set of logs can stand, the one that says most first."""

_T = TypeVar("_T")


@final
@dataclass(frozen=True, slots=True)
class Standing:
    """How a run stands.

    Attributes:
        word: one of `STANDINGS`.
        alarm: why the log's verdict is not believed, in a sentence; empty where it is, or where it has none.
        differing: findings that are others when judged again; None: judged again there is no such finding.
    """

    word: str
    alarm: str
    differing: Mapping[Key, Finding | None]


def attempt(judge: Callable[[], _T]) -> tuple[_T | None, str]:
    """Return what judging a log again gives, or why that cannot be done."""
    try:
        return judge(), ""
    except FileError as error:
        return None, "; ".join(problem.reason for problem in error.problems)
    except EvidenceError as error:
        return None, str(error)


def standing_of(state: LogState, case: Case | None, again: Iterable[Finding], trouble: str) -> Standing:
    """Return how a run stands.

    Args:
        state: its log, read.
        case: its evidence, judged again; None where that could not be done.
        again: the findings of that.
        trouble: why it could not be done.
    """
    whole = is_whole(state)
    found = (event.finding for event in state.rare if isinstance(event, FindingMade))
    differing = {} if not whole or case is None else differing_of(found, again, writer_of(state))
    alarm = "" if case is not None else f"The evidence could not be judged again: {trouble}."
    if not whole:
        return Standing("broken" if state.broken_at is not None else "aborted", alarm, {})
    if case is None:
        return Standing("unconfirmed", alarm, {})
    if not differing and case.verdict == state.outcome:
        return Standing(state.outcome, "", {})
    but = f", with {number_of(len(differing), 'other finding')}" if case.verdict == state.outcome else ""
    alarm = (
        f"The log closed with {state.outcome}; its evidence, judged again, gives {case.verdict}{but}. Either this "
        f"version of ventproof judges otherwise, or the log was rewritten."
    )
    return Standing("contradicted", alarm, differing)


def is_whole(state: LogState) -> bool:
    """Return whether a log tells of its run to the end, so that the verdict is that of all responses."""
    return state.closed and state.outcome != "aborted"


def writer_of(state: LogState) -> str:
    """Return the version of ventproof that wrote a log; empty where its first line does not tell."""
    begin = state.events[0] if state.events else None
    return begin.header.versions.get("ventproof", "") if isinstance(begin, RunBegin) else ""


def differing_of(
    found: Iterable[Finding], again: Iterable[Finding], writer: str
) -> dict[Key, Finding | None]:
    """Return the findings that judging again does not bear out, each with what it gives.

    Args:
        found: the findings that the log holds.
        again: those of judging again.
        writer: the version of ventproof that wrote the log. What this version wrote must be the same to the bit,
            reasons and margins too; another one may have worded them otherwise, and its verdicts are compared.
    """
    now = {finding.key: finding for finding in again}
    then = {finding.key: finding for finding in found}
    exact = writer == version("ventproof")
    keys = dict.fromkeys([*then, *now])
    return {key: now.get(key) for key in keys if not _same(then.get(key), now.get(key), exact=exact)}


def explained(found: Iterable[Finding], again: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings of a log, and how each went wrong where judging again gives the same reason.

    Args:
        found: the findings that the log holds.
        again: those of judging again.
    """
    now = {(finding.key, finding.why): finding for finding in again}
    return tuple(
        replace(one, wrong=same.wrong, miss=same.miss)
        if (same := now.get((one.key, one.why))) and same.verdict is one.verdict
        else one
        for one in found
    )


def with_evidence(found: Iterable[Finding], again: Sequence[Finding], *, whole: bool) -> tuple[Finding, ...]:
    """Return what is told of the responses of a run.

    Of a run that came to its end that is what its log holds. One that was aborted had no time to write down all that it
    showed: each response is told as its evidence shows it, or as the log says, where that is worse.

    Args:
        found: the findings that the log holds.
        again: those of judging again; empty where that cannot be done.
        whole: whether the run came to its end.
    """
    logged = explained(found, again)
    if whole or not again:
        return logged
    then = {finding.key: finding for finding in logged}
    shown = [min(then.pop(one.key, one), one, key=_badness) for one in again]
    return (*shown, *then.values())


def _badness(finding: Finding) -> int:
    return WORST_FIRST.index(finding.verdict)


def _same(one: Finding | None, other: Finding | None, *, exact: bool) -> bool:
    if one is None or other is None:
        return False
    return one == other if exact else (one.verdict, one.hollow) == (other.verdict, other.hollow)
