"""What a log shows of each vent outside the unit: its drive, where it stood, what was played back, what was decided."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.figures.decided_run import Course, DecidedRun, course_read
from ventproof.log.events import OutputsSafe, PollSeen
from ventproof_bench.benchfile.feedback import PositionLevels

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof_bench.benchfile.vents import EndSwitch, VentSpec

_PERCENT: Final = "%"

Points = tuple[tuple[float, float], ...]
"""Log times, each with a value in %."""


@final
@dataclass(frozen=True, slots=True)
class SwitchSeen:
    """An end switch as it was played.

    Attributes:
        name: the output that plays it.
        end: where it sits.
        at_percent: from where on outward the end is reached.
        spans: log times in which it told that the end is reached.
    """

    name: str
    end: Literal["closed", "open"]
    at_percent: float
    spans: tuple[tuple[float, float], ...]


@final
@dataclass(frozen=True, slots=True)
class VentSeen:
    """A vent over the run; signals are named as the profile does, or as the bench file where the profile has none.

    Attributes:
        name: as the profile names it, or the bench file.
        positions: where it stood, by the signals that are its position.
        read: how the bench played it, by the same signals.
        played: whether the bench played it; otherwise it was reckoned.
        contacts: what its drive was told by contacts, by signal.
        command: the signal by which its drive was told a position, and what that was.
        fed_back: the output that played a position back, and which.
        switches: its end switches.
        told: what registers of the unit say of it, by signal.
        results: what was demanded of it.
    """

    name: str
    positions: Mapping[str, Course]
    read: Mapping[str, Points]
    played: bool
    contacts: Mapping[str, Course]
    command: tuple[str, Points] | None
    fed_back: tuple[str, Points] | None
    switches: tuple[SwitchSeen, ...]
    told: Mapping[str, Points]
    results: tuple[Result, ...]

    @property
    def signals(self) -> frozenset[str]:
        """All signals that are seen of it."""
        command = () if self.command is None else (self.command[0],)
        return frozenset((*self.positions, *self.contacts, *self.told, *command))


def vents_seen(run: DecidedRun) -> tuple[VentSeen, ...]:
    """Return the vents of the bench with which the profile has to do, in the order of the bench file."""
    needed = {at for at in run.case.names if at in run.bench.signals}
    own = {vent: _own(run, vent) for vent in run.bench.vents}
    befall = set(run.bound.vents.values())
    concerned = [vent for vent, signals in own.items() if needed & signals or vent in befall]
    return tuple(_seen(run, vent, alone=len(concerned) == 1) for vent in concerned)


def _own(run: DecidedRun, vent: str) -> set[str]:
    """Return the bench's signals that are a vent's position or command it."""
    positions = {name for name, signal in run.bench.positions.items() if signal.position_of == vent}
    return positions | set(run.bench.vents[vent].commanded_by)


def _seen(run: DecidedRun, vent: str, *, alone: bool) -> VentSeen:
    spec, names = run.bench.vents[vent], run.case.names
    own = _own(run, vent)
    positions = [at for at in own if at in run.bench.positions]
    told = _told(run, own, alone=alone)
    signals = {names.get(at, at) for at in (*own, *told)}
    at_bench = {at: name for name, at in run.bound.vents.items()}
    return VentSeen(
        name=at_bench.get(vent, vent),
        positions={names.get(at, at): course_read(run, at) for at in positions},
        read={names.get(at, at): _read(run, at) for at in positions},
        played=spec.plays is not None,
        contacts={
            names.get(at, at): course_read(run, at)
            for at in (spec.opens_on, spec.closes_on)
            if at is not None
        },
        command=None
        if spec.follows is None
        else (names.get(spec.follows, spec.follows), _read(run, spec.follows)),
        fed_back=_fed_back(run, spec),
        switches=tuple(_switches(run, spec)),
        told={names[at]: _read(run, at) for at in told},
        results=tuple(result for result in run.case.results if signals & set(result.signals)),
    )


def _told(run: DecidedRun, own: set[str], *, alone: bool) -> list[str]:
    """Return the registers that tell a vent's position: those compared with it; of the only vent, all others too."""
    bench_names = {name: at for at, name in run.case.names.items()}
    compared = {
        bench_names[name]
        for result in run.case.results
        if own & {bench_names[name] for name in result.signals}
        for name in result.signals
    }
    return [
        at
        for at, name in run.case.names.items()
        if at not in own | set(run.bench.positions)
        and run.case.traits[name].unit == _PERCENT
        and (alone or at in compared)
    ]


def _read(run: DecidedRun, at: str) -> Points:
    """Return the readings of a signal, each in the middle of its request."""
    polls = (event.poll for event in run.events if isinstance(event, PollSeen))
    return tuple(
        ((poll.requested_s + poll.replied_s) / 2, poll.values[at]) for poll in polls if at in poll.values
    )


def _shown(run: DecidedRun, output: str) -> list[tuple[float, float | bool]]:
    """Return what an output showed of its vent: from which log time on, and what; changes only, and the end."""
    end_s = next((event.t_s for event in run.rare if isinstance(event, OutputsSafe)), run.end_s)
    shown: list[tuple[float, float | bool]] = []
    for event in run.events:
        if isinstance(event, PollSeen) and output in event.poll.shown:
            value = event.poll.shown[output]
            if not shown or shown[-1][1] != value:
                shown.append((event.poll.replied_s, value))
    return [*shown, (max(end_s, shown[-1][0]), shown[-1][1])] if shown else []


def _fed_back(run: DecidedRun, spec: VentSpec) -> tuple[str, Points] | None:
    """Return the position that a vent's output showed, in steps."""
    position = spec.plays.position if spec.plays is not None else None
    if position is None:
        return None
    scale = PositionLevels.of(run.bench.outputs[position.output])
    steps = [(t_s, scale.percent(level)) for t_s, level in _shown(run, position.output)]
    return position.output, tuple(_stepped(steps))


def _stepped(steps: Iterable[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    last: float | None = None
    for t_s, value in steps:
        if last is not None:
            yield t_s, last
        yield t_s, value
        last = value


def _switches(run: DecidedRun, spec: VentSpec) -> Iterator[SwitchSeen]:
    if spec.plays is None:
        return
    ends: tuple[tuple[Literal["closed", "open"], EndSwitch | None], ...] = (
        ("closed", spec.plays.closed_switch),
        ("open", spec.plays.open_switch),
    )
    for end, switch in ends:
        if switch is not None:
            reached = switch.reached == "closed"
            spans = tuple(
                (from_s, to_s)
                for (from_s, closed), (to_s, _) in pairwise(_shown(run, switch.output))
                if closed is reached
            )
            yield SwitchSeen(switch.output, end, switch.at.value, spans)
