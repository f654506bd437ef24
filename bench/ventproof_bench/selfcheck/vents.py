"""Whether the vents that a bench plays or follows go where its hook-ups say, and their switches reach the unit (pure).

Registers tell what the unit takes for true. Where its drive contacts are read exchanged, or a switch is played to
another vent's input, the unit may go on as if all were right: that shows at the vents alone.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import Gap, Poll, Window
from ventproof_bench.plant.contacts import ReckonedTraits
from ventproof_bench.plant.reckoned import ReckonedVent
from ventproof_bench.selfcheck.coverage import Unjudged
from ventproof_bench.selfcheck.diagnosis import Exercised, Wrong, found_of

if TYPE_CHECKING:
    from ventproof_bench.benchfile.hookup import Answer
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.selfcheck.readings import BenchReadings

Between = tuple[float, float]
"""The lowest and the highest that a position may be, % open."""

_SHARE: Final = 0.1  # of the change that is expected: how far off a position may be and still be meant
_WIDE: Final = 0.25  # of it: bounds that are farther apart to either side tell nothing
_STANDS_PERCENT: Final = 2.0  # less is no movement
_RAN_S: Final = 0.5  # a contact that was on for less did not move a vent


@final
@dataclass(frozen=True, slots=True)
class VentStood:
    """Where a vent was while an output was exercised.

    Attributes:
        signal: the signal that is its position.
        output: the output.
        wanted: what the bench file says of it.
        before: where it was in the known state; None where nobody knows.
        after: where it was when the answers had had their time; None likewise, or where the output was not driven.
        driven: whether the output was driven.
        settling_s: how long each contact of its drive was on before, seconds.
        answering_s: likewise while the answers had their time.
        trouble: why contacts and flags of known places contradict each other; empty where they do not.
    """

    signal: str
    output: str
    wanted: Answer
    before: Between | None
    after: Between | None = None
    driven: bool = False
    settling_s: Mapping[str, float] = field(default_factory=dict)
    answering_s: Mapping[str, float] = field(default_factory=dict)
    trouble: str = ""


def stood_before(
    file: BenchFile, readings: BenchReadings, output: str, answers: Mapping[str, Answer], since_s: float
) -> list[VentStood]:
    """Return where the vents are that should move with an output, before it is driven.

    Args:
        file: the bench file.
        readings: all that was read.
        output: the output.
        answers: what each position should do.
        since_s: when the unit began to go to its known state, loop time.
    """
    found = []
    for signal, wanted in answers.items():
        where, trouble = _position(file, readings, signal)
        on_s = _on_s(file, readings, signal, since_s)
        found.append(VentStood(signal, output, wanted, where, settling_s=on_s, trouble=trouble))
    return found


def stood_after(
    file: BenchFile, readings: BenchReadings, before: Iterable[VentStood], since_s: float
) -> Iterator[VentStood]:
    """Yield the same once the output was driven, and the answers have had their time.

    Args:
        file: the bench file.
        readings: all that was read.
        before: where the vents were before.
        since_s: when the output was driven, loop time.
    """
    for stood in before:
        where, trouble = _position(file, readings, stood.signal)
        on_s = _on_s(file, readings, stood.signal, since_s)
        yield replace(stood, after=where, driven=True, answering_s=on_s, trouble=stood.trouble or trouble)


def _position(file: BenchFile, readings: BenchReadings, signal: str) -> tuple[Between | None, str]:
    """Return where a vent is by all that was read, and what contradicts itself."""
    traits, bus = file.traits(signal), file.bus_of(signal)
    polls = readings.polls[bus]
    if isinstance(traits, ReckonedTraits):
        return _reckoned(traits, polls, readings.gaps[bus])
    played = next((poll.values[signal] for poll in reversed(polls) if signal in poll.values), None)
    return (None if played is None else (played, played)), ""


def _reckoned(
    traits: ReckonedTraits, polls: Sequence[Poll], gaps: Sequence[Gap]
) -> tuple[Between | None, str]:
    vent = ReckonedVent(
        traits.name, traits.travel, keeps_for_s=traits.keeps_for_s or 0.0, known_at=traits.known_at
    )
    where: Between | None = None
    last_s = 0.0
    for poll in polls:
        packed = traits.packed(poll.values)
        if packed is None:
            continue
        read = traits.unpacked(packed)
        window = Window(poll.requested_s - traits.refreshed_every_s, poll.replied_s)
        fresh = any(last_s <= gap.to_s <= poll.replied_s for gap in gaps)
        try:
            bounds = vent.observe(window, opens=read.opens, closes=read.closes, known=read.known, fresh=fresh)
        except EvidenceError as error:
            return where, str(error)
        last_s = poll.replied_s
        where = (bounds[-1].low1, bounds[-1].high1) if bounds else where
    return where, ""


def _on_s(file: BenchFile, readings: BenchReadings, signal: str, since_s: float) -> dict[str, float]:
    """Return how long each contact of a vent's drive was read on since an instant."""
    vent = file.vents[file.positions[signal].position_of]
    if vent.follows is not None:
        return {}
    polls = [p for p in readings.since(file.bus_of(signal), since_s) if vent.commanded_by[0] in p.values]
    on_s = dict.fromkeys(vent.commanded_by, 0.0)
    for earlier, later in itertools.pairwise(polls):
        for contact in on_s:
            if earlier.values.get(contact) == 1:
                on_s[contact] += later.requested_s - earlier.requested_s
    return on_s


# what is wrong


def vents_wrong(file: BenchFile, stood: Iterable[VentStood], spoiled: Iterable[Exercised]) -> Iterator[Wrong]:
    """Yield a sentence for each vent that did not go where it should, and for feedback that does not reach the unit.

    Args:
        file: the bench file.
        stood: where vents were while outputs were exercised.
        spoiled: what the unit showed while the feedback of vents was spoiled.
    """
    told = set[str]()
    for one in stood:
        vent = file.positions[one.signal].position_of
        if vent not in told and (wrong := _wrong(file, vent, one)):
            told.add(vent)
            yield wrong
    for tried in spoiled:
        yield from _feedback_wrong(file, tried)


def _wrong(file: BenchFile, vent: str, stood: VentStood) -> Wrong | None:
    spec = file.vents[vent]
    at = ("vents", vent, "follows" if spec.follows is not None else "opens_on")
    if stood.trouble:
        text = f"the contacts and flags of vent {vent!r} contradict each other: {stood.trouble}; look at its contacts"
        return Wrong(
            f"{text} and at `known_at`", ("vents", vent, "known_at" if spec.known_at else "opens_on")
        )
    if stood.before is None or (stood.driven and stood.after is None):
        return Wrong(f"where vent {vent!r} stands is not known: what commands it was not read", at)
    ends = _ends(stood)
    begins = ends is None or _is_at(stood.before, ends[0], ends) is not False
    if begins and (not stood.driven or _answered(stood) is not False):
        return None
    where = "as the bench plays it" if spec.plays is not None else "by its contacts"
    first = f"vent {vent!r}, {where}, was at {place_said(stood.before)}"
    then = f" and then at {place_said(stood.after)}" if stood.after is not None else ""
    should = f"where output {stood.output!r} should bring {stood.signal!r} {stood.wanted}"
    return Wrong(f"{first}{then} {should}: {_why(file, vent, stood, begins=begins)}", at)


def _why(file: BenchFile, vent: str, stood: VentStood, *, begins: bool) -> str:
    """Return what the contacts of its drive did instead."""
    spec = file.vents[vent]
    if spec.follows is not None:
        return f"look at {spec.follows!r}, which commands it: its address and scale, and the wires of the command"
    opens, closes = spec.commanded_by
    on_s = stood.answering_s if begins else stood.settling_s
    rises = _rises(stood, begins=begins)
    right, wrong = (opens, closes) if rises else (closes, opens)
    should = "opened" if rises else "closed"
    if on_s.get(wrong, 0.0) > max(_RAN_S, on_s.get(right, 0.0)):
        return (
            f"{wrong!r} was on for {on_s[wrong]:.3g} s where it should have {should}: `opens_on` and `closes_on` are "
            "exchanged, here or at the terminals, or are another vent's"
        )
    if on_s.get(right, 0.0) <= _RAN_S:
        return f"{right!r} was never on: look at its address, and at the wire of that contact"
    return (
        f"{right!r} was on for {on_s[right]:.3g} s, and that is another way: `opens_on` and `closes_on` are another "
        "vent's, its feedback is, or `full_travel` is wrong"
    )


def _rises(stood: VentStood, *, begins: bool) -> bool:
    """Whether the vent should have opened: towards where it begins, or, where it began rightly, where it ends."""
    ends = _ends(stood)
    if ends is None:
        return stood.wanted.way == "up"
    return ends[1] > ends[0] if begins or stood.before is None else ends[0] > sum(stood.before) / 2


def _ends(stood: VentStood) -> Between | None:
    values = stood.wanted.values
    return None if values is None else (values[0].value, values[1].value)


def _is_at(where: Between, percent: float, ends: Between) -> bool | None:
    """Whether a vent is at a place; None where its bounds are too far apart to tell."""
    half = (where[1] - where[0]) / 2
    change = abs(ends[1] - ends[0])
    if half > _WIDE * change:
        return None
    return abs(sum(where) / 2 - percent) <= half + _SHARE * change


def _answered(stood: VentStood) -> bool | None:
    """Whether a vent did what it should once the output was driven; None where nobody can tell."""
    if stood.before is None or stood.after is None:
        return None
    if (ends := _ends(stood)) is not None:
        return _is_at(stood.after, ends[1], ends)
    least, most = stood.after[0] - stood.before[1], stood.after[1] - stood.before[0]
    if stood.wanted.way == "stays":
        return least <= _STANDS_PERCENT and most >= -_STANDS_PERCENT
    return least > _STANDS_PERCENT if stood.wanted.way == "up" else most < -_STANDS_PERCENT


def place_said(where: Between | None) -> str:
    """Return where a vent is in words."""
    if where is None:
        return "an unknown place"
    low, high = where
    return f"{low:.3g} %" if high - low < 1 else f"{low:.3g} % to {high:.3g} %"


def _feedback_wrong(file: BenchFile, tried: Exercised) -> Iterator[Wrong]:
    vent = tried.output
    plays = file.vents[vent].plays
    assert plays is not None, "only those are tried"
    for signal, wanted in tried.wanted.items():
        if found_of(file, signal, (tried, wanted)).kind == "right":
            continue
        values = (tried.before.values.get(signal), tried.after.values.get(signal))
        reads = " and then ".join("nothing" if value is None else f"{value:g}" for value in values)
        spoils = (
            "both switches telling their ends" if plays.both_ends else "an open wire of the potentiometer"
        )
        yield Wrong(
            f"{signal!r} reads {reads} where {spoils} at vent {vent!r} should bring {wanted}: what shows the vent is "
            "wired to another vent's input, or to none, or the wrong way round",
            ("vents", vent, "plays"),
        )


# what was not judged


def vents_unjudged(
    file: BenchFile, stood: Sequence[VentStood], spoiled: Iterable[Exercised]
) -> Iterator[Unjudged]:
    """Yield the positions and the feedback of vents that were not judged, with what would let them be.

    Args:
        file: the bench file.
        stood: where vents were while outputs were exercised.
        spoiled: what the unit showed while the feedback of vents was spoiled.
    """
    for signal, spec in file.positions.items():
        its = [one for one in stood if one.signal == signal and one.driven]
        at = ("signals", signal)
        if spec.selfcheck == "leave":
            yield Unjudged(
                "signal", signal, "the bench file leaves it out, `selfcheck: leave`", left=True, at=at
            )
        elif not any(_ends(one) for one in its):
            why = (
                "no `hookup:` brings it from one value to another; name it among `answers`, as '92 % to 8 %'"
            )
            yield Unjudged("signal", signal, why, left=False, at=at)
        elif any(_answered(one) is None for one in its):
            why = "its position is unknown by its contacts; let it reach a known position before, `settles` longer"
            yield Unjudged("signal", signal, why, left=False, at=at)
    tried = {one.output for one in spoiled}
    for output, vent in file.played_outputs.items():
        if vent not in tried:
            left = file.outputs[output].selfcheck == "leave"
            why = f"it shows where vent {vent!r} stands; say what spoils it below `plays:`, `both_ends` or `wire_open`"
            yield Unjudged("output", output, why, left=left, at=("outputs", output))
