"""Verdicts that are others than before: what a reader of a comparison must see first (pure)."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from harness.judge.shifts import fewer_passes
from harness.record.compare.side import complete, responses
from harness.record.results import ABORTED

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from harness.judge.verdict import Finding
    from harness.record.compare.side import Key, Side
    from harness.record.results import RunRecord

Turn = Literal["worse", "better", "open"]
"""What a flip means; open: it cannot be told, or there is nothing to compare with."""

_RANK: Final = {"pass": 0, "inconclusive": 1, "fail": 2}


@final
@dataclass(frozen=True, slots=True)
class Flip:
    """A verdict that is another than before.

    Attributes:
        profile: the profile.
        response: step, signal and demand; empty where the profile as a whole is meant.
        turn: what it means.
        before: verdicts of the base's runs, in words.
        after: verdicts of the candidate's runs.
        why: the first reason that the candidate gives; empty when it passes.
        not_run: whether the candidate never came so far, an earlier step not having passed.
    """

    profile: str
    response: str
    turn: Turn
    before: str
    after: str
    why: str = ""
    not_run: bool = False


def flips(base: Side, candidate: Side, confidence: float) -> tuple[Flip, ...]:
    """Return what flipped, profile by profile.

    Args:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        confidence: for sides of which neither always passes: the new one is worse if so few passes would come by
            chance with a probability of at most 1 - confidence (Fisher's exact test, one-sided).
    """
    before, after = base.profiles, candidate.profiles
    found: list[Flip] = []
    for profile, runs in before.items():
        found.extend(_profile(profile, runs, after.get(profile, ()), 1 - confidence))
    for profile, runs in after.items():
        if profile not in before:
            good = all(run.verdict == "pass" for run in runs)
            turn: Turn = "better" if good else "open"
            found.append(
                Flip(profile, "", turn, "not run", _counted([run.verdict for run in runs]), _reason(runs))
            )
    return tuple(found)


def _profile(
    profile: str, base: Sequence[RunRecord], candidate: Sequence[RunRecord], alpha: float
) -> Iterator[Flip]:
    before, after = _counted([r.verdict for r in base]), _counted([r.verdict for r in candidate])
    if not candidate:
        yield Flip(profile, "", "worse", before, "not run", "the candidate has no run of this profile")
        return
    aborted = any(run.verdict == ABORTED for run in candidate)
    unknown = not complete(base)
    if aborted or unknown:
        steady = all(run.verdict != ABORTED for run in base)
        fails = unknown and any(run.verdict == "fail" for run in candidate)
        why = _reason(candidate) or "nothing was known before"
        yield Flip(profile, "", "worse" if fails or (aborted and steady) else "open", before, after, why)
    if complete(base) and complete(candidate):
        yield from _responses(profile, complete(base), complete(candidate), alpha)


def _responses(
    profile: str, base: Sequence[RunRecord], candidate: Sequence[RunRecord], alpha: float
) -> Iterator[Flip]:
    old, new = responses(base), responses(candidate)
    for key, findings in old.items():
        before = _counted([str(f.verdict) for f in findings])
        if key not in new:
            why = "the candidate's profile does not demand it any more"
            yield Flip(profile, _named(key, findings), "worse", before, "not demanded", why)
            continue
        turn = _turn(findings, new[key], alpha)
        if turn:
            after = _counted([str(f.verdict) for f in new[key]])
            bad = [f for f in new[key] if f.verdict != "pass"]
            left = bool(bad) and all(f.skipped for f in bad)
            yield Flip(profile, _named(key, new[key]), turn, before, after, bad[0].why if bad else "", left)
    for key, findings in new.items():
        if key not in old and any(f.verdict != "pass" for f in findings):
            after = _counted([str(f.verdict) for f in findings])
            yield Flip(profile, _named(key, findings), "open", "not demanded", after, findings[0].why)


def _turn(base: Sequence[Finding], candidate: Sequence[Finding], alpha: float) -> Turn | None:
    worst = [max(_RANK[str(f.verdict)] for f in side) for side in (base, candidate)]
    if worst[0] == 0 or worst[1] == 0:
        return None if worst[0] == worst[1] else "worse" if worst[1] else "better"
    old, new = ((sum(f.verdict == "pass" for f in side), len(side)) for side in (base, candidate))
    if worst[1] > worst[0] or fewer_passes(old, new) <= alpha:
        return "worse"
    if worst[1] < worst[0] or fewer_passes(new, old) <= alpha:
        return "better"
    too_few = fewer_passes(old, (0, new[1])) > alpha  # even if none passed, it could be chance
    return "open" if too_few and new[0] * old[1] < old[0] * new[1] else None


def never_passing(base: Side, candidate: Side) -> int:
    """Return how many responses do not always pass, neither before nor now: no flip, but nothing good either."""
    old, new = responses(complete(base.runs)), responses(complete(candidate.runs))
    return sum(
        any(f.verdict != "pass" for f in findings) and any(f.verdict != "pass" for f in new.get(key, ()))
        for key, findings in old.items()
    )


def _named(key: Key, findings: Sequence[Finding]) -> str:
    return f"{key.step}: {key.signal} {findings[0].demand}"


def _counted(verdicts: Sequence[str]) -> str:
    """Return verdicts in words: `pass`, `3 of 5 fail, 2 of 5 pass`."""
    counts = Counter(verdicts)
    if len(counts) == 1:
        return f"{verdicts[0]}" + (f" ({len(verdicts)} runs)" if len(verdicts) > 1 else "")
    order = [ABORTED, "fail", "inconclusive", "pass"]
    return ", ".join(f"{counts[v]} of {len(verdicts)} {v}" for v in order if counts[v])


def _reason(runs: Sequence[RunRecord]) -> str:
    return next((run.reason for run in runs if run.reason), "")
