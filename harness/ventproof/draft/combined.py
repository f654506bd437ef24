"""Several at once (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.stimuli import PlannedStimulus, TimedStimuli, begun, ended, lag_s, plain
from ventproof.draft.story import Phase, Scenario
from ventproof.table.lines import condition_name, shared
from ventproof.table.model import FailedCondition, ThresholdCondition, output_of
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from ventproof.draft.story import ScenarioBuilder
    from ventproof.table.model import Condition, OverrideTable


_SALTS: Final = 20
"""The generator is greedy; of so many of its answers the smallest is taken."""


def covering(factors: int, values: int, strength: int) -> list[tuple[int, ...]]:
    """Return rows in which every `strength` factors take every combination of their values.

    Args:
        factors: how many.
        values: how many values each has: 0, 1, …
        strength: 2 for all pairs, 3 for all triples.

    Raises:
        ValueError: a strength below 1.
    """
    if strength < 1:
        raise Refusal(f"a strength of {strength}", "write 2 for all pairs, 3 for all triples")
    if factors <= strength:
        return _every(factors, values)
    from covertable import make  # noqa: PLC0415 - only where profiles are drafted

    # The generator wants names and orders them, so that a factor's values have names of their own.
    names = [{f"{factor}:{value}": value for value in range(values)} for factor in range(factors)]
    arrays = (make([list(its) for its in names], strength=strength, salt=str(salt)) for salt in range(_SALTS))
    rows: Sequence[Sequence[str]] = min(arrays, key=len)
    return sorted(tuple(its[cell] for its, cell in zip(names, row, strict=True)) for row in rows)


def _every(factors: int, values: int) -> list[tuple[int, ...]]:
    rows: list[tuple[int, ...]] = [()]
    for _ in range(factors):
        rows = [(*row, value) for row in rows for value in range(values)]
    return rows


_APART_S: Final = 1.0
_AFTER_S: Final = 5.0
_LONGEST_LAG_S: Final = 30.0
_LOOKS_S: Final = 10.0
_PAIR: Final = 2


@final
@dataclass(frozen=True, slots=True)
class Factor:
    """A condition that is there or not, and its override."""

    override: str
    condition: Condition


def factors(builder: ScenarioBuilder) -> list[Factor]:
    """Return every condition that the bench can bring about; each output at most once.

    A sensor that fails shows its weather no more, so that of the two the weather is taken; a condition that calls for
    an override alone is taken before one that does so beside others.
    """
    by_output: dict[str, Factor] = {}
    overrides = builder.table.overrides
    every = [Factor(name, condition) for name in overrides for condition in builder.conditions(name)]
    every.sort(key=lambda its: bool(overrides[its.override].together_with(its.condition)))
    for factor in every:
        output = str(output_of(factor.condition))
        joined = overrides[factor.override].together_with(factor.condition)
        failure = isinstance(factor.condition, FailedCondition)
        if output not in by_output or not (failure or joined):
            by_output[output] = factor
    return list(by_output.values())


def combined(builder: ScenarioBuilder, strength: int) -> Iterator[Scenario]:
    """Yield scenarios in which every `strength` conditions are there and away in every combination."""
    table, every = builder.table, factors(builder)
    strength = min(strength, len(every))
    if strength < _PAIR:
        return
    rows = covering(len(every), 2, strength)
    for number, row in enumerate(rows, start=1):
        there = [factor for factor, value in zip(every, row, strict=True) if value]
        yield _row(builder, table, number, there, every)


def _row(
    builder: ScenarioBuilder,
    table: OverrideTable,
    number: int,
    there: Sequence[Factor],
    every: Sequence[Factor],
) -> Scenario:
    overrides = tuple(dict.fromkeys((*(factor.override for factor in there), *_touched(table, there))))
    names = _and([plain(str(output_of(factor.condition))) for factor in there])
    away = [plain(str(output_of(factor.condition))) for factor in every if factor not in there]
    begin = tuple((place * _APART_S, begun(f.condition)) for place, f in enumerate(there))
    end = tuple((place * _APART_S, ended(table, f.condition)) for place, f in enumerate(there))
    if not there:
        calm = [f.condition for f in every if isinstance(f.condition, ThresholdCondition)]
        quiet = tuple((place * _APART_S, ended(table, condition)) for place, condition in enumerate(calm))
        phases: tuple[Phase, ...] = (
            Phase("no weather at all", quiet, 60.0, "nothing calls for an override"),
        )
        overrides = tuple(table.overrides)
        about = "No condition holds. No override may begin, and no vent may move."
    else:
        phases = (
            Phase(f"at once: {names}", begin, _watched_s(table, there)),
            *_ended(builder, overrides, end),
        )
        about = (
            f"One of a set in which any few conditions come together and stay away in every combination. Here:"
            f" {names}{f', without {_and(away)}' if away else ''}. Each vent goes where the overrides together send"
            f" it, and opens only when the last of them is released."
        )
    # A flag that is on shows one condition only where no other one calls for the same override.
    alone = [
        f
        for f in there
        if [other.override for other in there].count(f.override) == 1
        and not table.overrides[f.override].together_with(f.condition)
    ]
    pairs = _pairs(table, overrides) if there and len(overrides) == _PAIR else []
    return builder.scenario(
        f"together-{number:02}",
        title=f"together: {names}" if there else "together: no weather",
        about=about,
        overrides=overrides,
        phases=phases,
        proves=(*(_condition_line(table, factor) for factor in alone), *pairs),
    )


def _touched(table: OverrideTable, there: Sequence[Factor]) -> Iterator[str]:
    """Yield the overrides that these conditions can begin together."""
    outputs = {output_of(factor.condition) for factor in there}
    for name, override in table.overrides.items():
        if any(its.part is not None and output_of(its.condition) in outputs for its in override.placed):
            yield name


def _watched_s(table: OverrideTable, there: Sequence[Factor]) -> float:
    """Return how long to look: an override that needs more than what is there would begin meanwhile if it did not."""
    touched = [table.overrides[name] for name in _touched(table, there)]
    begins_s = max((its.entry_delay + its.delay_tolerance for its in touched), default=0.0)
    return max(_LOOKS_S, begins_s + max(lag_s(its.condition) for its in there) + _AFTER_S)


def _ended(builder: ScenarioBuilder, overrides: Sequence[str], end: TimedStimuli) -> tuple[Phase, ...]:
    """Return how all ends, latched overrides by their reset."""
    phase = Phase("all of it ends", end)
    if any(builder.table.overrides[name].latched for name in overrides):
        return phase, builder.reset()
    return (phase,)


def _condition_line(table: OverrideTable, factor: Factor) -> str:
    its = condition_name(table.overrides[factor.override], factor.condition)
    return f"{factor.override}.{its}"


def orders(builder: ScenarioBuilder, length: int) -> Iterator[Scenario]:
    """Yield a scenario for every order in which `length` overrides that share a vent can begin; they end likewise."""
    playable = [name for name in builder.table.overrides if builder.conditions(name)]
    for names in permutations(playable, length):
        if all(shared(builder.table, one, other) for one, other in combinations(names, 2)):
            yield _order(builder, names)


def _order(builder: ScenarioBuilder, names: Sequence[str]) -> Scenario:
    table = builder.table
    conditions = _telling(builder, names)
    begins = _begins(builder, names, conditions)
    ends = [ended(table, condition) for condition in conditions]
    titles = [plain(name) for name in names]
    rule = (
        "each vent goes to the most closed of the positions"
        if table.ranks is None
        else "the first in the order of precedence that names a vent decides"
    )
    about = (
        f"{_and(titles).capitalize()} begin one after the other, while the vents still move, and end in the same order."
        f" While several are active {rule}, whichever came last; the end of one opens nothing that another keeps"
        f" closed."
    )
    moments_s = _moments_s(table, names, conditions)
    starts = tuple(
        (begin_s + place * _APART_S / len(planned), its)
        for begin_s, planned in zip(moments_s, begins, strict=True)
        for place, its in enumerate(planned)
    )
    phases = [
        Phase(f"{titles[0]} begins and, while the vents still move, {', then '.join(titles[1:])}", starts)
    ]
    phases += [
        Phase(planned.about, ((0.0, planned),), why=f"{plain(names[-1])} lasts") for planned in ends[:-1]
    ]
    phases.append(builder.phase(ends[-1]))
    if any(table.overrides[name].latched for name in names):
        phases.append(builder.reset())
    # The last two are seen together when all others have ended.
    pairs = _pairs(table, names[-2:])
    last = table.overrides[names[-1]]
    lower = any(
        table.overrides[name].positions[vent].value < position.value
        for vent, position in last.positions.items()
        for name in names[:-1]
        if vent in table.overrides[name].positions
    )
    closing = [f"{names[-1]}.only_close"] if lower else []
    return builder.scenario(
        "-then-".join(names),
        title=", then ".join(titles),
        about=about,
        overrides=tuple(names),
        phases=tuple(phases),
        proves=(*pairs, *closing),
    )


def opening(builder: ScenarioBuilder) -> Iterator[Scenario]:
    """Yield, for each override that opens vents, how it finds them where another one has closed them further."""
    table = builder.table
    for name, override in table.overrides.items():
        if override.only_close or not builder.conditions(name):
            continue
        others = [its for its in table.overrides if builder.conditions(its) and _opens(table, name, its)]
        if others:
            shortest = min(others, key=lambda its: table.overrides[its].release_delay)
            yield _opened(builder, name, shortest)


def _opens(table: OverrideTable, name: str, other: str) -> bool:
    """Return whether an override decides where another one is active too, and opens a vent that that one closes."""
    rank = {its: number for number, names in enumerate(table.ranks or ()) for its in names}
    mine, theirs = table.overrides[name].positions, table.overrides[other].positions
    lower = any(vent in theirs and theirs[vent].value < position.value for vent, position in mine.items())
    return lower and bool(rank) and rank[name] < rank[other]


def _opened(builder: ScenarioBuilder, name: str, other: str) -> Scenario:
    """Return how an override begins once another one has closed the vents."""
    first, last = _telling(builder, (other, name))
    begins = _begins(builder, (other, name), (first, last))
    phases = [
        Phase(
            " and ".join(its.about for its in planned),
            tuple((n * _APART_S, its) for n, its in enumerate(planned)),
        )
        for planned in begins
    ]
    for its, condition in ((name, last), (other, first)):
        phases += builder.ending(its, builder.table.overrides[its], ended(builder.table, condition))
    about = (
        f"{plain(other).capitalize()} has closed the vents. {plain(name).capitalize()} decides over it, and must open"
        f" them to its own positions; when that ends they close again."
    )
    return builder.scenario(
        f"{name}-opens-in-{other}",
        title=f"{plain(name)} opens vents that {plain(other)} has closed",
        about=about,
        overrides=(other, name),
        phases=tuple(phases),
        proves=(f"{name}.only_close", *_pairs(builder.table, (name, other))),
    )


def _telling(builder: ScenarioBuilder, names: Sequence[str]) -> list[Condition]:
    """Return for each override a condition, if there is one by an output that none of the others needs."""
    chosen: list[Condition] = []
    for name in names:
        others = {
            output_of(its)
            for other in names
            if other != name
            for its in builder.table.overrides[other].conditions
        }
        own = builder.conditions(name)
        chosen.append(next((its for its in own if output_of(its) not in others), own[0]))
    return chosen


def _begins(
    builder: ScenarioBuilder, names: Sequence[str], conditions: Sequence[Condition]
) -> list[list[PlannedStimulus]]:
    """Return how each override begins: by its condition, and by what must hold beside it and does not yet."""
    held: list[Condition] = []
    begins = []
    for name, condition in zip(names, conditions, strict=True):
        together = [*builder.beside(name, condition), condition]
        begins.append([begun(its) for its in together if not any(_alike(its, other) for other in held)])
        held += together
    return begins


def _alike(one: Condition, other: Condition) -> bool:
    """Return whether conditions are brought about by the same thing: a value, or the failure of what shows it."""
    failures = [isinstance(its, FailedCondition) for its in (one, other)]
    return output_of(one) == output_of(other) and failures[0] == failures[1]


def _moments_s(table: OverrideTable, names: Sequence[str], conditions: Sequence[Condition]) -> list[float]:
    """Return when to bring each condition about, so that its override begins a little after the one before."""
    moments_s: list[float] = []
    begun_s = 0.0
    for name, condition in zip(names, conditions, strict=True):
        takes_s = table.overrides[name].entry_delay + min(lag_s(condition), _LONGEST_LAG_S)
        if isinstance(condition, FailedCondition):
            takes_s += table.sensors[condition.failed].fails_after
        earliest_s = moments_s[-1] + _APART_S if moments_s else 0.0
        moments_s.append(float(round(max(earliest_s, begun_s + _AFTER_S - takes_s))) if moments_s else 0.0)
        begun_s = moments_s[-1] + takes_s
    return moments_s


def _pairs(table: OverrideTable, names: Sequence[str]) -> list[str]:
    """Return the table's lines for every two of these overrides that disagree somewhere."""
    ordered = [name for name in table.overrides if name in names]
    return [f"precedence.{a}.{b}" for a, b in combinations(ordered, 2) if shared(table, a, b)]


def _and(names: Sequence[str]) -> str:
    if len(names) < _PAIR:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
