"""Flips, shifts, sentences (pure)."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.compare.measures import Compared, ShiftLimits, compared
from ventproof.compare.side import Side, complete, responses
from ventproof.log.run import ABORTED, VIRTUAL
from ventproof.statistics.shifts import MOST_REPEATS, fewer_passes
from ventproof.verdict.brief import brief
from ventproof.verdict.text import percent, rounded_up
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.compare.measures import Compared, Meaning, Measure
    from ventproof.compare.side import Key, Side
    from ventproof.log.run import RunRecord
    from ventproof.verdict.finding import Finding


Turn = Literal["worse", "better", "open"]
"""What a flip means; open: it cannot be told."""

Of = Literal["base", "candidate"]

_SIDES: Final[tuple[tuple[Of, Of], ...]] = (("base", "candidate"), ("candidate", "base"))
"""Each side, and the other."""

_SHOWS_NOTHING: Final = "it passes, and shows nothing: for all that is known it was so before"

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
        cause: what was wrong, in few words that are the same in every profile.
        fails: whether a run of the candidate fails.
    """

    profile: str
    step: str
    demand: str
    turn: Turn
    before: str
    after: str
    why: str = ""
    not_run: bool = False
    cause: str = ""
    fails: bool = False

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
    before, after = _counted([r.verdict for r in base]), _counted([r.verdict for r in candidate])
    aborted = any(run.verdict == ABORTED for run in candidate)
    unknown = not complete(base)
    if aborted or unknown:
        steady = all(run.verdict != ABORTED for run in base)
        fails = unknown and any(run.verdict == "fail" for run in candidate)
        why = _reason(candidate) or "nothing was known before"
        turn: Turn = "worse" if fails or (aborted and steady) else "open"
        cause = f"aborted: {why}" if aborted else "the base has no run with a verdict"
        yield Flip(profile, "", "", turn, before, after, why, cause=cause, fails=fails)
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
            cause = _cause(findings, bad)
            failed = any(f.verdict == "fail" for f in bad)
            yield Flip(profile, *_named(key, new[key]), turn, before, after, why, left, cause, failed)


def _cause(base: Sequence[Finding], bad: Sequence[Finding]) -> str:
    """Return what was wrong with the candidate, the worst first; where nothing is, what was wrong before."""
    if bad:
        return brief(max((f for f in bad), key=lambda f: (not f.skipped, _RANK[str(f.verdict)])))
    return f"no longer: {next((brief(f) for f in base if f.explained), _SHOWS_NOTHING)}"


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


@final
@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of the candidate, measured by the base.

    Attributes:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        confidence: of every interval; and no unchanged value is reported as changed with this probability at least,
            where there are repeats.
        alarms: what makes the sides differ in more than the firmware, or not at all.
        flips: verdicts that are others than before.
        lone: what only one side tells of.
        shifts: every measure of every response that both sides have.
        never_passing: responses that do not always pass on either side.
    """

    base: Side
    candidate: Side
    confidence: float
    alarms: tuple[str, ...]
    flips: tuple[Flip, ...]
    lone: tuple[Lone, ...]
    shifts: tuple[Compared, ...]
    never_passing: int

    @property
    def outcome(self) -> str:
        """`worse` if anything became worse, else `open` if anything cannot be told, else `same`."""
        found = {flip.turn for flip in self.flips} | {one.meaning for one in self.shifts}
        found |= {"open" for one in self.lone if one.open}
        return next((word for word in ("worse", "open") if word in found), "same")

    @property
    def chance(self) -> int:
        """How many shifts have repeats behind them, and so a word about chance."""
        return sum(one.shift.chance for one in self.shifts)


def compare(base: Side, candidate: Side, limits: ShiftLimits, confidence: float = 0.95) -> Comparison:
    """Compare two sides.

    Args:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        limits: shifts that count as the same.
        confidence: strictly between 0 and 1.
    """
    return Comparison(
        base=base,
        candidate=candidate,
        confidence=confidence,
        alarms=tuple(_alarms(base, candidate)),
        flips=flips(base, candidate, confidence),
        lone=lones(base, candidate),
        shifts=compared(base, candidate, limits, confidence),
        never_passing=never_passing(base, candidate),
    )


def _alarms(base: Side, candidate: Side) -> Iterator[str]:
    for side in (base, candidate):
        yield from (f"{side.name}: {gap}" for gap in side.gaps)
        if len(side.told("firmware")) > 1:
            yield f"{side.name} holds runs of several firmware versions: {', '.join(side.told('firmware'))}"
        if len(side.told("unit")) > 1:
            yield f"{side.name} holds runs of several units: {', '.join(side.told('unit'))}"
    for of, what in (("unit", "units"), ("bench_sha256", "bench files"), ("decision", "decision rules")):
        yield from _differing(base, candidate, of, what)
    for of, what in (("clock", "clocks"), ("version", "versions of ventproof")):
        yield from _differing(base, candidate, of, what)
    if base.told("firmware") == candidate.told("firmware"):
        yield f"both sides state the same firmware: {', '.join(base.told('firmware'))}"
    if {run.digest for run in base.runs} & {run.digest for run in candidate.runs}:
        yield "some runs are the same on both sides, to the byte: the same seed of a virtual bench, the same firmware"
    yield from _changed_demands(base, candidate)
    if base.told("clock") == candidate.told("clock") == ("virtual",):
        yield VIRTUAL


def _differing(base: Side, candidate: Side, of: str, what: str) -> Iterator[str]:
    old, new = base.told(of), candidate.told(of)
    if set(old) != set(new):
        yield f"the sides have different {what}: {_shortened(old)} and {_shortened(new)}"


def _shortened(values: tuple[str, ...]) -> str:
    return ", ".join(value[:12] for value in values)


def _changed_demands(base: Side, candidate: Side) -> Iterator[str]:
    """Yield what is demanded otherwise: a limit that was loosened hides what it let through."""
    old, new = responses(complete(base.runs)), responses(complete(candidate.runs))
    profiles = [
        name
        for name, runs in base.profiles.items()
        if (others := candidate.profiles.get(name))
        and {run.profile_sha256 for run in runs} != {run.profile_sha256 for run in others}
    ]
    for name in profiles:
        changed = [
            f"{key.step}: {key.signal} {old[key][0].demand!r} became {new[key][0].demand!r}"
            for key in old
            if key.profile == name and key in new and old[key][0].demand != new[key][0].demand
        ]
        told = "; ".join(changed) or "its responses require the same"
        yield f"the profile {name!r} is not the same text on both sides: {told}"


_WAYS: Final[dict[Measure, tuple[str, str, str]]] = {
    "time": ("responds", "later", "earlier"),
    "position": ("stands", "higher", "lower"),
    "margin": ("has", "more margin", "less margin"),
}
_MEANINGS: Final = {
    "same": "within the limit",
    "worse": "changed for the worse",
    "better": "changed for the better",
}
_WINDOWS: Final = "repeats do not help; poll faster"
_NOTHING: Final = 0.0005
_FINE: Final = 0.095
"""Below this a shift is given to a thousandth instead of a tenth."""


def side_facts(side: Side) -> dict[str, str]:
    """Return what one side is: its firmware, its unit and bench, and how many runs."""
    runs = f"{number_of(len(side.runs), 'run')} of {number_of(len(side.profiles), 'profile')}"
    left = f"; {side.repeated} identical ignored" if side.repeated else ""
    return {
        **{of: ", ".join(side.told(of)) for of in ("firmware", "unit", "bench")},
        "runs": f"{runs}{left}",
        "source": side.name,
    }


def side_line(role: str, side: Side) -> str:
    """Return the same in one line."""
    facts = side_facts(side)
    source = "" if facts["source"] == facts["firmware"] else f" [{facts['source']}]"
    return f"{role}: firmware {facts['firmware']}, unit {facts['unit']}, on {facts['bench']}: {facts['runs']}{source}"


def counted(found: Comparison) -> list[str]:
    """Return how many shifts came to what, and what the number of comparisons means for chance."""
    total = len(found.shifts)
    meanings = [one.meaning for one in found.shifts]
    words: dict[Meaning, str] = {
        "worse": "worse",
        "better": "better",
        "open": "inconclusive",
        "same": "within the limits",
    }
    lines = [f"On one side only: {number_of(len(found.lone), 'profile or response')}."] if found.lone else []
    lines += [
        f"{total} differences compared: "
        + ", ".join(f"{meanings.count(m)} {said}" for m, said in words.items())
    ]
    if found.chance:
        lines.append(
            f"Adjusted for {found.chance} comparisons (Holm), overall confidence {percent(found.confidence)}."
        )
    if found.chance < total:
        lines.append(f"{total - found.chance} have one run each: run-to-run variation is not included.")
    if found.shifts:
        lines.append(_coarsest(found))
    if found.never_passing:
        lines.append(
            f"Not always passing, neither before nor now: {number_of(found.never_passing, 'response')}."
        )
    return lines


def _coarsest(found: Comparison) -> str:
    """Say of which response time the least is known: a shift within its limit would not show."""
    times = [one for one in found.shifts if one.measure == "time"] or found.shifts
    worst = max(times, key=lambda one: one.shift.limit)
    limit = amount(worst.shift.limit, worst.unit)
    return f"The widest limit is {limit}, of {worst.key.signal} in {worst.key.profile!r}, step {worst.key.step!r}."


def closing(found: Comparison) -> str:
    """Return what the whole comparison comes to."""
    flipped = sum(flip.turn == "worse" for flip in found.flips)
    shifted = sum(one.meaning == "worse" for one in found.shifts)
    match found.outcome:
        case "worse":
            verdicts, differences = number_of(flipped, "verdict"), number_of(shifted, "difference")
            return f"{verdicts} changed for the worse, {differences} changed for the worse"
        case "open":
            return "nothing proven worse; some inconclusive"
        case _ if found.never_passing:
            return f"nothing is worse; not always passing on either side: {number_of(found.never_passing, 'response')}"
        case _:
            return "nothing is worse"


def response(compared: Compared) -> str:
    """Return which response is compared."""
    key = compared.key
    again = f" ({key.place})" if key.place > 1 else ""
    return f"{key.step}: {key.signal} {compared.demand}{again}"


def sentence(compared: Compared, confidence: float) -> str:
    """Return what one comparison came to: by how much, how sure that is, the limit, and what it means."""
    return (
        f"{moved(compared)} ({sure(compared, confidence)}; limit {amount(limit(compared), compared.unit)}): "
        + (_MEANINGS.get(compared.meaning) or f"inconclusive; {would_tell(compared, confidence)}")
    )


def limit(compared: Compared) -> float:
    """Return the limit that tells what a shift means: what changed is surely beyond `least`, which may be smaller."""
    return compared.shift.least if compared.shift.standing == "changed" else compared.shift.limit


def moved(compared: Compared) -> str:
    """Return the shift: `responds 6.1 s later`."""
    verb, up, down = _WAYS[compared.measure]
    estimate = compared.shift.estimate
    return f"{verb} {amount(abs(estimate), compared.unit)} {up if estimate >= 0 else down}"


def moved_most(compared: Sequence[Compared]) -> str:
    """Return which way a response differs, and by how much at most: `roof_vent responds up to 6.1 s later`."""
    most = max(compared, key=lambda one: abs(one.shift.estimate))
    verb, up, down = _WAYS[most.measure]
    estimate = most.shift.estimate
    at_most = "up to " if len(compared) > 1 else ""
    size = f"{at_most}{amount(abs(estimate), most.unit)}"
    return f"{most.key.signal} {verb} {size} {up if estimate >= 0 else down}"


def way(compared: Compared) -> str:
    """Return which way a response differs, without by how much: `roof_vent responds later`."""
    verb, up, down = _WAYS[compared.measure]
    return f"{compared.key.signal} {verb} {up if compared.shift.estimate >= 0 else down}"


def sure(compared: Compared, confidence: float) -> str:
    """Return how sure the shift is: its interval, or what one run each leaves open."""
    said = compared.shift
    if not said.chance:
        half = (said.interval.high - said.interval.low) / 2
        return f"give or take {amount(half, compared.unit, up=True)}, one run each"
    low, high = said.interval
    fine = _NOTHING <= max(abs(low), abs(high)) < _FINE
    return f"{percent(confidence)}: {_signed(low, fine=fine)} to {_signed(high, fine=fine)} {compared.unit}"


def would_tell(compared: Compared, confidence: float) -> str:
    """Return what would decide a comparison that is open."""
    old, new = compared.missing
    if new > old:
        runs = compared.shift.runs[1] + new
        return f"{new} of the candidate's {runs} runs have no known response time"
    if compared.shift.standing == "changed":
        share = f"{100 * (1 - confidence):.3g} %"
        return f"not significant after adjusting for all comparisons: by chance one of them comes in more than {share}"
    repeats = compared.shift.repeats
    if not repeats:
        return _WINDOWS
    many = f"more than {MOST_REPEATS}" if repeats >= MOST_REPEATS else f"about {repeats}"
    return f"{many} repeats on each side would probably tell"


def amount(value: float, unit: str, *, up: bool = False) -> str:
    """Return a size to a tenth, or to a thousandth if it is small; `up` rounds upward."""
    digits = 3 if _NOTHING <= value < _FINE else 1
    return f"{rounded_up(value, digits) if up else f'{value:.{digits}f}'} {unit}"


def _signed(value: float, *, fine: bool) -> str:
    text = f"{value:+.{3 if fine else 1}f}"
    return text.replace("+0.0", "0.0") if text in {"+0.0", "-0.0", "+0.000", "-0.000"} else text
