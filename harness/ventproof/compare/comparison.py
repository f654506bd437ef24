"""Verdicts that are others than before, and what only one side tells of: what a reader must see first (pure)."""

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
"""What a flip means; open: it cannot be told."""

Of = Literal["base", "candidate"]

_SIDES: Final[tuple[tuple[Of, Of], ...]] = (("base", "candidate"), ("candidate", "base"))
"""Each side, and the other."""

_SHOWS_NOTHING: Final = "it passes, and shows nothing: what is demanded held before the stimulus"

_RANK: Final = {"pass": 0, "inconclusive": 1, "fail": 2}


@final
@dataclass(frozen=True, slots=True)
class Flip:
    """A verdict that is another than before.

    Attributes:
        profile: the profile.
        step: the response's step; empty where the profile as a whole is meant.
        demand: its signal and what is demanded of it; likewise.
        turn: what it means.
        before: verdicts of the base's runs, in words.
        after: verdicts of the candidate's runs.
        why: the first reason that the candidate gives; empty when it passes.
        not_run: whether the candidate never came so far, an earlier step not having passed.
    """

    profile: str
    step: str
    demand: str
    turn: Turn
    before: str
    after: str
    why: str = ""
    not_run: bool = False

    @property
    def response(self) -> str:
        """The response in words; empty where the profile as a whole is meant."""
        return _in_words(self.step, self.demand)


@final
@dataclass(frozen=True, slots=True)
class Lone:
    """What only one side tells of: there is nothing to compare it with, and so it is no flip.

    Attributes:
        profile: the profile.
        step: the response's step; empty where the profile as a whole is meant.
        demand: its signal and what is demanded of it; likewise.
        side: the side that tells of it.
        verdicts: of that side's runs, in words.
        why: why the other side does not.
    """

    profile: str
    step: str
    demand: str
    side: Of
    verdicts: str
    why: str

    @property
    def response(self) -> str:
        """The response in words; empty where the profile as a whole is meant."""
        return _in_words(self.step, self.demand)

    @property
    def open(self) -> bool:
        """Whether it leaves open how the candidate stands: only what passes there beyond the base does not."""
        return self.side == "base" or not self.verdicts.startswith("pass")


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
        if profile in after:
            found.extend(_profile(profile, runs, after[profile], 1 - confidence))
    return tuple(found)


def lones(base: Side, candidate: Side) -> tuple[Lone, ...]:
    """Return what only one side tells of: profiles it ran, responses it demands, or of which it shows anything."""
    ran = {"base": base.profiles, "candidate": candidate.profiles}
    found = [
        Lone(
            profile, "", "", side, _counted([run.verdict for run in runs]), f"the {lacking} has no run of it"
        )
        for side, lacking in _SIDES
        for profile, runs in ran[side].items()
        if profile not in ran[lacking]
    ]
    for profile, runs in ran["base"].items():
        if profile in ran["candidate"]:
            found.extend(_lone_responses(complete(runs), complete(ran["candidate"][profile])))
    return tuple(found)


def _lone_responses(base: Sequence[RunRecord], candidate: Sequence[RunRecord]) -> Iterator[Lone]:
    if not (base and candidate):
        return
    demanded = {"base": responses(base), "candidate": responses(candidate)}
    for side, lacking in _SIDES:
        for key, findings in demanded[side].items():
            verdicts = _counted([str(f.verdict) for f in findings])
            if key not in demanded[lacking]:
                why = f"the {lacking}'s profile does not demand it"
            elif (
                (_shown(findings) and not _shown(demanded[lacking][key]))
                and _passed(demanded["candidate"][key])
                and (side == "candidate" or _passed(findings))
            ):
                why = f"the {lacking}'s runs show nothing of it"
            else:
                continue
            yield Lone(key.profile, *_named(key, findings), side, verdicts, why)


def _shown(findings: Sequence[Finding]) -> list[Finding]:
    return [f for f in findings if f.shows]


def _passed(findings: Sequence[Finding]) -> bool:
    return all(f.verdict == "pass" for f in findings)


def _profile(
    profile: str, base: Sequence[RunRecord], candidate: Sequence[RunRecord], alpha: float
) -> Iterator[Flip]:
    before, after = _counted([r.verdict for r in base]), _counted([r.verdict for r in candidate])
    aborted = any(run.verdict == ABORTED for run in candidate)
    unknown = not complete(base)
    if aborted or unknown:
        steady = all(run.verdict != ABORTED for run in base)
        fails = unknown and any(run.verdict == "fail" for run in candidate)
        why = _reason(candidate) or "nothing was known before"
        yield Flip(profile, "", "", "worse" if fails or (aborted and steady) else "open", before, after, why)
    if complete(base) and complete(candidate):
        yield from _responses(profile, complete(base), complete(candidate), alpha)


def _responses(
    profile: str, base: Sequence[RunRecord], candidate: Sequence[RunRecord], alpha: float
) -> Iterator[Flip]:
    old, new = responses(base), responses(candidate)
    for key, findings in old.items():
        if key not in new:
            continue
        turn = _turn(findings, new[key], alpha)
        if turn == "better":
            turn = _shown_better(findings, new[key], alpha)
        if turn:
            before, after = (_counted([str(f.verdict) for f in side]) for side in (findings, new[key]))
            bad = [f for f in new[key] if f.verdict != "pass"]
            why = bad[0].why if bad else "" if turn == "better" else _SHOWS_NOTHING
            left = bool(bad) and all(f.skipped for f in bad)
            yield Flip(profile, *_named(key, new[key]), turn, before, after, why, left)


def _shown_better(base: Sequence[Finding], candidate: Sequence[Finding], alpha: float) -> Turn | None:
    """Return what verdicts that look better come to: what shows nothing has no part in it, on either side."""
    old, new = _shown(base), _shown(candidate)
    if not old:
        return None if new else "open"
    return "better" if new and _turn(old, new, alpha) == "better" else "open"


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


def _named(key: Key, findings: Sequence[Finding]) -> tuple[str, str]:
    return key.step, f"{key.signal} {findings[0].demand}"


def _in_words(step: str, demand: str) -> str:
    return f"{step}: {demand}" if demand else ""


def _counted(verdicts: Sequence[str]) -> str:
    """Return verdicts in words: `pass`, `3 of 5 fail, 2 of 5 pass`."""
    counts = Counter(verdicts)
    if len(counts) == 1:
        return f"{verdicts[0]}" + (f" ({len(verdicts)} runs)" if len(verdicts) > 1 else "")
    order = [ABORTED, "fail", "inconclusive", "pass"]
    return ", ".join(f"{counts[v]} of {len(verdicts)} {v}" for v in order if counts[v])


def _reason(runs: Sequence[RunRecord]) -> str:
    return next((run.reason for run in runs if run.reason), "")
