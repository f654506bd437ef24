"""What a profile asks of relays: limits of the bench file that it exceeds, and how much of their lives (pure)."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, islice
from operator import attrgetter
from typing import TYPE_CHECKING, Final, final

from ventproof.profile.duration import shortest_s
from ventproof.run.schedule import PlannedMove, moves_of
from ventproof.verdict.text import percent, seconds
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.outputs.wear import life_of, places_of, wears

if TYPE_CHECKING:
    from ventproof.profile.bind import Bound
    from ventproof.profile.duration import Span
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.boards import ContactLimits
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.outputs.wear import Closures
    from ventproof_bench.yamlfile.tree import Path


_HOUR_S: Final = 3600.0
_MANY: Final = 1000
"""Closures of one stimulus from which on its relay's life is worth a word."""

_SHARE: Final = 0.05
"""Share of a relay's life that one run may take without a word; our own judgement, no source."""

_STEPS: Final = (1.0, 0.8, 0.5)
_LOOKED_AT: Final = 200_000
"""Edges of an output that are held against limits before a run; those after them only in the run."""

_ROUNDING_S: Final = 1e-9


@final
@dataclass(frozen=True, slots=True)
class _Switch:
    """An edge of a contact: which stimulus makes it, and when at the earliest and at the latest, seconds."""

    path: Path
    closed: bool
    at: Span


def limit_problems(bound: Bound) -> Iterator[Problem]:
    """Yield a problem for each limit of a contact that a profile exceeds however soon or late its steps are decided."""
    outputs = bound.bench.model.outputs
    moves, ends = moves_of(bound)
    for name, of_output in groupby(sorted(moves, key=attrgetter("output")), attrgetter("output")):
        output = outputs.get(name)
        if not isinstance(output, ContactOutput) or output.limits is None:
            continue
        said = next(_exceeded(output, output.limits, list(_switches(of_output)), ends), None)
        if said is not None:
            path, reason = said
            why = f"output {name!r} of bench {bound.bench.path}: {reason}"
            yield bound.profile.problem(path, why, "no profile may exceed the bench file's `limits:`")


def _switches(moves: Iterator[PlannedMove]) -> Iterator[_Switch]:
    """Yield the edges of a contact in order, as many as are looked at."""
    closed: bool | None = None
    every = (
        _Switch(move.path, edge.closed, (move.at[0] + edge.at_s, move.at[1] + edge.at_s))
        for move in moves
        for edge in move.played(0)
    )
    for switch in islice(every, _LOOKED_AT):
        if switch.closed is not closed:
            closed = switch.closed
            yield switch


def _exceeded(
    output: ContactOutput, limits: ContactLimits, switches: list[_Switch], ends: Span
) -> Iterator[tuple[Path, str]]:
    closures: deque[float] = deque()
    for number, switch in enumerate(switches):
        after = switches[number + 1].at if number + 1 < len(switches) else ends
        # What lies between two instants of one step is exact; between two steps the shortest and the longest count.
        shortest_s, longest_s = after[0] - switch.at[0], after[1] - switch.at[1]
        last = number + 1 == len(switches)
        most = limits.operations_an_hour
        if switch.closed and most is not None and _too_often(closures, switch.at[0], most):
            yield switch.path, f"more than {most} closures within an hour, its operations_an_hour"
        least_s = limits.shortest_closed if switch.closed else limits.shortest_open
        if least_s is not None and not last and max(shortest_s, longest_s) < least_s - _ROUNDING_S:
            key = "shortest_closed" if switch.closed else "shortest_open"
            is_ = "closed" if switch.closed else "open"
            yield switch.path, f"it is {is_} for {seconds(longest_s)}, and its {key} is {seconds(least_s)}"
        most_s = limits.longest_driven
        driven = switch.closed != (output.safe == "closed")
        if driven and most_s is not None and min(shortest_s, longest_s) > most_s + _ROUNDING_S:
            said = seconds(min(shortest_s, longest_s))
            yield (
                switch.path,
                f"it is not {output.safe} for {said}, and its longest_driven is {seconds(most_s)}",
            )


def limited_by_the_hour(bench: BenchFile) -> list[str]:
    """Return the contacts whose closures within an hour are limited."""
    contacts = {name: output for name, output in bench.outputs.items() if isinstance(output, ContactOutput)}
    return [name for name, one in contacts.items() if one.limits and one.limits.operations_an_hour]


def hour_warnings(bounds: Iterable[Bound], closed: Mapping[str, Sequence[Closures]] | None) -> Iterator[str]:
    """Yield a line for each contact that profiles, begun now, may close more often than its limit within an hour.

    Args:
        bounds: the profiles on one bench, in their order.
        closed: what was closed within the last hour, by the bench's names, as a ledger tells; None: nothing tells.
    """
    begun_s, warned = 0.0, set[str]()
    instants = {
        name: deque(sorted(-one.age_s for one in of_it for _ in range(one.closed)))
        for name, of_it in (closed or {}).items()
    }
    for bound in bounds:
        for name, of_output in groupby(
            sorted(moves_of(bound)[0], key=attrgetter("output")), attrgetter("output")
        ):
            output = bound.bench.model.outputs.get(name)
            limits = output.limits if isinstance(output, ContactOutput) else None
            if limits is None or limits.operations_an_hour is None or name in warned:
                continue
            recent = instants.setdefault(name, deque())
            for switch in _switches(of_output):
                if switch.closed and _too_often(recent, begun_s + switch.at[0], limits.operations_an_hour):
                    warned.add(name)
                    yield (
                        f"{bound.profile.model.profile!r} may close {name} more than {limits.operations_an_hour} "
                        f"times within an hour, its operations_an_hour; the run ends there"
                    )
                    break
        begun_s += shortest_s(bound.profile.model)


def _too_often(recent: deque[float], at_s: float, most: int) -> bool:
    """Add a closure to those within the hour before it, and return whether they are too many."""
    recent.append(at_s)
    while recent[0] <= at_s - _HOUR_S:
        recent.popleft()
    return len(recent) > most


def wear_notes(bound: Bound, operated: Mapping[str, int]) -> Iterator[Problem]:
    """Yield a note for each stimulus that takes a share of a relay's life that is worth knowing.

    Args:
        bound: the profile on a bench; nothing wears in virtual time.
        operated: how often each relay has operated, by place, as a ledger says.
    """
    bench = bound.bench.model
    places = places_of(bench)
    for move in moves_of(bound)[0]:
        if move.output not in places or not wears(bench, move.output) or not move.path:
            continue
        closures, life = move.closures, life_of(bench, move.output)
        if closures < _MANY and (life is None or closures < _SHARE * life):
            continue
        used = operated.get(places[move.output], 0)
        reason = f"{move.said}: the relay of {move.output} closes {closures:,} times"
        if life is None:
            hint = (
                "declare its `relay:` (kind and life); relays wear out after 100,000 to 10 million operations"
            )
        elif closures < _SHARE * life:
            continue
        else:
            reason += f", {percent(closures / life)} of its life of {life:,}"
            hint = "give it a solid-state relay, or a shorter train"
        yield bound.profile.problem(
            move.path, reason + (f"; {used:,} are used already" if used else ""), hint
        )


def worn(bench: BenchFile, operated: Mapping[str, int]) -> Iterator[str]:
    """Yield a line for each relay of which half of its life, four fifths or all of it is used."""
    for name, place in places_of(bench).items():
        life, used = life_of(bench, name), operated.get(place, 0)
        if life is not None and (step := next((step for step in _STEPS if used >= step * life), None)):
            said = (
                "replace it now"
                if step == 1
                else "have a new one at hand"
                if step == _STEPS[1]
                else "half is gone"
            )
            yield f"the relay of {name} ({place}) has operated {used:,} times of {life:,}: {said}"
