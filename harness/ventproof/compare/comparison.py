"""Two firmware versions side by side: what became of the candidate, measured by the base."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.compare.conditions import kept_apart
from ventproof.compare.flips import flips, lones, never_passing
from ventproof.compare.measures import compared
from ventproof.compare.side import complete, responses
from ventproof.compare.words import amount
from ventproof.history.faults import fault_lines
from ventproof.log.run import VIRTUAL
from ventproof.verdict.text import percent
from ventproof_bench.base.clock import local_text
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.compare.flips import Flip, Lone
    from ventproof.compare.measures import Compared, Meaning, ShiftLimits
    from ventproof.compare.side import Side
    from ventproof_bench.mock.faults.fault import GivenFault


STANDING: Final = {
    **dict.fromkeys(("fail", "aborted", "flaky", "worse"), "fail"),
    **dict.fromkeys(("inconclusive", "open"), "inconclusive"),
    "same": "pass",
}
"""How an outcome is framed, as the verdict of a report is."""


@final
@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of the candidate, measured by the base.

    Attributes:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        confidence: of every interval; and no unchanged value is reported as changed with this probability at least,
            where there are repeats.
        faults: which faults the mock had, in a sentence each: they may explain everything below.
        alarms: what else makes the sides differ in more than the firmware, or not at all.
        flips: verdicts that are others than before.
        lone: what only one side tells of.
        shifts: every measure of every response that both sides have.
        never_passing: responses that do not always pass on either side.
    """

    base: Side
    candidate: Side
    confidence: float
    faults: tuple[str, ...]
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
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before the differences."""
        return (*self.faults, *self.alarms)

    @property
    def confounded(self) -> bool:
        """Whether the sides differ in more than the firmware: what is worse may come of that."""
        base, candidate = self.base, self.candidate
        told = any(_differ(base, candidate, of) for of in _CONDITIONS)
        return told or _faults(base) != _faults(candidate) or bool(_changed_profiles(base, candidate))

    @property
    def chance(self) -> int:
        """How many shifts have repeats behind them, and so a word about chance."""
        return sum(one.shift.chance for one in self.shifts)


_CONDITIONS: Final = {
    "unit": "units",
    "bench_sha256": "bench files",
    "decision": "decision rules",
    "clock": "clocks",
    "version": "versions of ventproof",
}
"""What is to be the same on both sides, so that what differs comes of the firmware; each by what several are called."""

_NOT_ALONE: Final = "; firmware is not the only difference"


def compare(base: Side, candidate: Side, limits: ShiftLimits, confidence: float = 0.95) -> Comparison:
    """Compare two sides; runs with other faults of the mock, or on another bench file, are no repeats of each other.

    Args:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        limits: shifts that count as the same.
        confidence: strictly between 0 and 1.
    """
    base, candidate, left_out = kept_apart(base, candidate)
    return Comparison(
        base=base,
        candidate=candidate,
        confidence=confidence,
        faults=(*fault_lines("base", base.runs), *fault_lines("candidate", candidate.runs)),
        alarms=(*left_out, *_alarms(base, candidate)),
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
    for of, what in _CONDITIONS.items():
        if _differ(base, candidate, of) and not (of == "bench_sha256" and _by_faults_alone(base, candidate)):
            more = _BY_FAULTS if of == "bench_sha256" and _faults(base) != _faults(candidate) else ""
            old, new = (_shortened(side.told(of)) for side in (base, candidate))
            yield f"the sides have different {what}: {old} and {new}{more}"
    if base.told("firmware") == candidate.told("firmware"):
        yield f"both sides state the same firmware: {', '.join(base.told('firmware'))}"
    if {run.digest for run in base.runs} & {run.digest for run in candidate.runs}:
        yield "some runs are the same on both sides, to the byte: the same seed of a virtual bench, the same firmware"
    yield from _changed_demands(base, candidate)
    if base.told("clock") == candidate.told("clock") == ("virtual",):
        yield VIRTUAL


def _faults(side: Side) -> set[GivenFault]:
    return {fault for run in side.runs for fault in run.faults or ()}


_BY_FAULTS: Final = "; the faults are one difference, and there may be more"


def _by_faults_alone(base: Side, candidate: Side) -> bool:
    """Return whether bench files differ in nothing but the faults of the mock, which are told as such."""
    told = base.benches_but_faults
    return _faults(base) != _faults(candidate) and bool(told) and told == candidate.benches_but_faults


def _differ(base: Side, candidate: Side, of: str) -> bool:
    return set(base.told(of)) != set(candidate.told(of))


def _shortened(values: tuple[str, ...]) -> str:
    return ", ".join(value[:12] for value in values)


def _changed_demands(base: Side, candidate: Side) -> Iterator[str]:
    """Yield what is demanded otherwise: a limit that was loosened hides what it let through."""
    old, new = responses(complete(base.runs)), responses(complete(candidate.runs))
    for name in _changed_profiles(base, candidate):
        changed = [
            f"{key.step}: {key.signal} {old[key][0].demand!r} became {new[key][0].demand!r}"
            for key in old
            if key.profile == name and key in new and old[key][0].demand != new[key][0].demand
        ]
        told = "; ".join(changed) or "its responses require the same"
        yield f"the profile {name!r} is not the same text on both sides: {told}"


def _changed_profiles(base: Side, candidate: Side) -> list[str]:
    """Return the names of profiles that are not the same text on both sides."""
    return [
        name
        for name, runs in base.profiles.items()
        if (others := candidate.profiles.get(name))
        and {run.profile_sha256 for run in runs} != {run.profile_sha256 for run in others}
    ]


def title_of(found: Comparison) -> str:
    """Return which firmware is compared with which, the base first."""
    base, candidate = (", ".join(side.told("firmware")) for side in (found.base, found.candidate))
    return f"Base {base}, candidate {candidate}"


def side_facts(side: Side) -> dict[str, str]:
    """Return what one side is: its firmware, its unit and bench, the mock's faults, when it ran, and how many runs."""
    runs = f"{number_of(len(side.runs), 'run')} of {number_of(len(side.profiles), 'profile')}"
    left = f"; {side.repeated} identical ignored" if side.repeated else ""
    return {
        **{of: ", ".join(side.told(of)) for of in ("firmware", "unit", "bench")},
        "faults": ", ".join(fault.text for fault in sorted(_faults(side))) or "none known",
        "when": _when(side),
        "runs": f"{runs}{left}",
        "source": side.name,
    }


def _when(side: Side) -> str:
    """Return when the first and the last run of a side began."""
    began = sorted(dt.datetime.fromisoformat(run.started) for run in side.runs if run.started is not None)
    if not began:
        return "in virtual time"
    return " to ".join(dict.fromkeys(local_text(moment) for moment in (began[0], began[-1])))


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
        "same": "within their limits",
    }
    counts = ", ".join(f"{meanings.count(m)} {said}" for m, said in words.items() if m in meanings)
    lines = [f"{number_of(total, 'difference')} measured: {counts or 'nothing to compare'}."]
    if found.chance:
        lines.append(
            f"Adjusted for {found.chance} comparisons (Holm), overall confidence {percent(found.confidence)}."
        )
    if found.chance < total:
        lines.append(f"{total - found.chance} have one run each: run-to-run variation is not included.")
    if found.shifts:
        lines.append(_coarsest(found))
    if found.lone:
        lines.append(f"Known of one side only: {len(found.lone)}.")
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
    """Return what the whole comparison comes to, and whether the firmware alone can be the reason."""
    return _came_to(found) + (_NOT_ALONE if found.confounded else "")


def _came_to(found: Comparison) -> str:
    """Return what the comparison comes to: verdicts and differences are counted, their profiles follow."""
    match found.outcome:
        case "worse":
            worse = [flip for flip in found.flips if flip.turn == "worse"]
            verdicts = [flip.profile for flip in worse if not flip.not_run]
            not_run = [flip.profile for flip in worse if flip.not_run]
            differences = [one.key.profile for one in found.shifts if one.meaning == "worse"]
            told = (
                ("verdict", verdicts, "worse"),
                ("response", not_run, "no longer run"),
                ("measured difference", differences, "worse"),
            )
            return ", ".join(counted_in(noun, those, became) for noun, those, became in told if those)
        case "open":
            return "nothing proven worse; some inconclusive"
        case _ if found.never_passing:
            return f"nothing is worse; not always passing on either side: {number_of(found.never_passing, 'response')}"
        case _:
            return "nothing is worse"


def counted_in(noun: str, profiles: Sequence[str], became: str = "") -> str:
    """Return how many there are of something, and in how many profiles: `15 verdicts worse in 2 profiles`.

    Args:
        noun: what is counted, in the singular.
        profiles: the profile of each.
        became: what became of them; empty: it is said elsewhere.
    """
    many = f"{number_of(len(profiles), noun)} {became}".rstrip()
    return f"{many} in {number_of(len(set(profiles)), 'profile')}"
