"""Verdicts that are others than before, and what only one side tells of (pure)."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.compare.side import complete, responses
from ventproof.log.run import ABORTED, reason_text
from ventproof.statistics.shifts import fewer_passes
from ventproof.verdict.brief import brief

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.compare.side import Key, Side
    from ventproof.log.run import RunRecord
    from ventproof.verdict.finding import Finding


Turn = Literal["worse", "better", "open"]
"""What a flip means; open: it cannot be told."""

Of = Literal["base", "candidate"]

_SIDES: Final[tuple[tuple[Of, Of], ...]] = (("base", "candidate"), ("candidate", "base"))
"""Each side, and the other."""

_SHOWS_NOTHING: Final = "it passes, and shows nothing: for all that is known it was so before"

_RANK: Final = {"pass": 0, "inconclusive": 1, "fail": 2, ABORTED: 3}


@final
@dataclass(frozen=True, slots=True)
class FlipSide:
    """What the runs of one side found of a response.

    Attributes:
        verdicts: of all of them, in words: `3 of 5 fail, 2 of 5 pass`.
        worst: the worst of them.
        why: what that run observed, and the limit.
    """

    verdicts: str
    worst: str
    why: str


@final
@dataclass(frozen=True, slots=True)
class Flip:
    """A verdict that is another than before.

    Attributes:
        profile: the profile.
        step: the response's step; empty where the profile as a whole is meant.
        demand: its signal and what is demanded of it; likewise.
        turn: what it means.
        base: what the base's runs found.
        candidate: what the candidate's found.
        not_run: whether the candidate never came so far, an earlier step not having passed.
        cause: what was wrong, in few words that are the same in every profile.
        fails: whether a run of the candidate fails.
        beyond: how far the worst run is beyond its limit, in the unit of the signal or in seconds; negative: within.
    """

    profile: str
    step: str
    demand: str
    turn: Turn
    base: FlipSide
    candidate: FlipSide
    not_run: bool = False
    cause: str = ""
    fails: bool = False
    beyond: float = 0.0

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
                why = f"the {lacking}'s profile does not require it"
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
    aborted = any(run.verdict == ABORTED for run in candidate)
    unknown = not complete(base)
    if aborted or unknown:
        steady = all(run.verdict != ABORTED for run in base)
        fails = unknown and any(run.verdict == "fail" for run in candidate)
        turn: Turn = "worse" if fails or (aborted and steady) else "open"
        sides = _side_of_runs(base), _side_of_runs(candidate)
        cause = f"aborted: {sides[1].why}" if aborted else "the base has no run with a verdict"
        yield Flip(profile, "", "", turn, *sides, cause=cause, fails=fails)
    if complete(base) and complete(candidate):
        yield from _responses(profile, complete(base), complete(candidate), alpha)


def _side_of_runs(runs: Sequence[RunRecord]) -> FlipSide:
    verdicts = [run.verdict for run in runs]
    worst = max(verdicts, key=_RANK.__getitem__)
    return FlipSide(_counted(verdicts), worst, next((reason_text(run) for run in runs if run.reason), ""))


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
            bad = [f for f in new[key] if f.verdict != "pass"]
            was, now = _worst(findings), _worst(new[key])
            candidate_why = now.why if bad or turn == "better" else _SHOWS_NOTHING
            yield Flip(
                profile,
                *_named(key, new[key]),
                turn,
                _side_of(findings, was.why),
                _side_of(new[key], candidate_why),
                not_run=bool(bad) and all(f.skipped for f in bad),
                cause=brief(now) if bad else f"no longer: {_explained(findings)}",
                fails=any(f.verdict == "fail" for f in bad),
                beyond=_beyond(now if bad else was),
            )


def _side_of(findings: Sequence[Finding], why: str) -> FlipSide:
    return FlipSide(_counted([str(f.verdict) for f in findings]), str(_worst(findings).verdict), why)


def _worst(findings: Sequence[Finding]) -> Finding:
    """Return what is told of some runs: the worst that came to a verdict, the one farthest beyond its limit."""
    return max(
        findings,
        key=lambda f: (f.verdict != "pass", not f.skipped, _RANK[str(f.verdict)], _beyond(f)),
    )


def _beyond(finding: Finding) -> float:
    room = finding.margin or finding.slack_s
    return -room.low if room else 0.0


def _explained(base: Sequence[Finding]) -> str:
    """Return what was wrong before."""
    return next((brief(finding) for finding in base if finding.explained), _SHOWS_NOTHING)


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
