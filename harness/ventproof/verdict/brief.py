"""What was wrong with a response in a few words that are the same in every profile: what groups are made by (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.verdict.finding import Verdict
from ventproof.verdict.text import NO_MARGIN, margin_text, miss_text

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping
    from collections.abc import Set as AbstractSet

    from ventproof.verdict.finding import Finding


_WRONG: Final = {
    "reaches": "did not reach the required value in time",
    "returns": "did not return at the required time",
    "equals": "did not change to the required state in time",
    "counts": "counted a wrong number",
    "counts_at_least": "counted too few",
    "counts_at_most": "counted too many",
    "unchanged": "changed but must not",
    "starts_moving": "did not start to move in time",
    "moves_at": "moved at a wrong rate",
    "overshoots_at_most": "moved too far beyond its target",
    "never_reverses": "moved back on its way",
    "never_together": "was on together with its counterpart",
    "pauses_before": "paused too briefly before the other direction",
    "runs_at_most": "ran too long",
    "starts_at_most": "started too often",
    "starts_at_least": "started too rarely",
    "stops_at_end": "did not stop at the end",
    "together_with": "did not switch together with its counterpart",
    "agrees_with": "did not agree with the other signal",
    "always": "did not keep a rule that always applies",
}
_LEFT: Final = "left its limits"
_OTHER: Final = "did not respond as required"
NOT_RUN: Final = "not run, because an earlier step did not pass"


def kind_wrong(kind: str) -> str:
    """Return how a kind of response fails, as it follows the signal's name: `counted a wrong number`."""
    return _LEFT if kind.startswith("stays") else _WRONG.get(kind, _OTHER)


def brief(finding: Finding) -> str:
    """Return what was wrong, without times and values: `roof_vent did not reach the required value in time`.

    Where the evidence was judged, it says which way it went wrong; otherwise what its kind tells. What is inconclusive
    is said with `perhaps`, what was not run without its signal; a pass that shows something has nothing wrong, and an
    empty text.
    """
    if finding.skipped:
        return NOT_RUN
    if finding.hollow:
        return f"{finding.signal} was already as required, which proves nothing"
    if finding.verdict is Verdict.PASS:
        return ""
    perhaps = "" if finding.verdict is Verdict.FAIL else "perhaps "
    return f"{finding.signal} {perhaps}{_wrong(finding)}"


def at_a_glance(finding: Finding) -> str:
    """Return beside a picture of the signal what was wrong: of a fail by how much, and no moments of any clock."""
    if finding.verdict is not Verdict.FAIL:
        return finding.why if finding.explained else ""
    if finding.miss is not None:
        return miss_text(finding.miss)
    by = margin_text(finding)
    return _wrong(finding) if by == NO_MARGIN else f"{_wrong(finding)}, {by}"


def _wrong(finding: Finding) -> str:
    return finding.wrong or kind_wrong(finding.kind)


_MOST_CAUSES: Final = 3
"""So many causes are named; more than that nobody reads in one sentence."""


def cause_sentence(items: Mapping[str, AbstractSet[Hashable]], total: int, noun: str) -> str:
    """Return in one sentence what explains most of some items, then what explains most of the rest.

    Args:
        items: which items each cause explains.
        total: of how many items it is said; 1: their number is not said.
        noun: what an item is, in the singular.

    Returns:
        `roof_vent did not reach the required value in time: 9 of 12 profiles; tips counted a wrong number: 1 more.`;
        empty where there is no cause.
    """
    left = set().union(*items.values())
    told: list[str] = []
    while left and len(told) < _MOST_CAUSES:
        cause = max(items, key=lambda one: len(left & items[one]))
        many = len(left & items[cause])
        left -= items[cause]
        count = f"{many} more" if told else f"{many} of {total} {noun}s"
        told.append(cause if total == 1 else f"{cause}: {count}")
    if left:
        told.append(f"{len(left)} for other reasons")
    return f"{'; '.join(told)}." if told else ""
