"""Base and candidate compared as a whole, and what a reader must know before believing it (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from harness.record.compare.flips import Flip, Lone, flips, lones, never_passing
from harness.record.compare.measures import Compared, Limits, compared
from harness.record.compare.side import Side, complete, responses

if TYPE_CHECKING:
    from collections.abc import Iterator


@final
@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of the candidate, measured by the base.

    Attributes:
        base: the runs of the last good version.
        candidate: the runs of the new one.
        confidence: of every interval; and no shift is wrongly said to have changed with this probability at least,
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


def compare(base: Side, candidate: Side, limits: Limits, confidence: float = 0.95) -> Comparison:
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
        told = "; ".join(changed) or "its responses demand the same"
        yield f"the profile {name!r} is not the same text on both sides: {told}"
