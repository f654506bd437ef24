"""Lines proved; annex."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.combined import shared
from ventproof.report.model import Fact, ReportedTable, Section, short_code
from ventproof.table.load import read_table
from ventproof.table.model import (
    BusSilentCondition,
    Condition,
    ContactCondition,
    FailedCondition,
    ThresholdCondition,
    WindCondition,
    condition_key,
    output_of,
)
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from ventproof.log.events import PinnedText
    from ventproof.profile.model import Profile
    from ventproof.report.model import Chapter
    from ventproof.table.model import OverrideTable, TableOverride
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_AT_LEAST: Final = 2  # 120 s read better as 2 min, 60 s as they are


@final
@dataclass(frozen=True, slots=True)
class TableRule:
    """Something that a table demands.

    Attributes:
        name: as profiles name it below `proves:`.
        number: 1-based line of the table's text.
        says: what it demands, in words.
    """

    name: str
    number: int
    says: str


@final
@dataclass(frozen=True, slots=True)
class Traced:
    """A line of the table, and the names of the profiles that prove it."""

    line: TableRule
    profiles: tuple[str, ...]


def lines(table: Loaded[OverrideTable]) -> list[TableRule]:
    """Return everything that a table demands, in the table's order."""
    found = [
        *_vent_lines(table),
        *_sensor_lines(table),
        *(line for name in table.model.overrides for line in _override_lines(table, name)),
        *_precedence_lines(table),
        *_supply_lines(table),
    ]
    return sorted(found, key=lambda line: line.number)


def traced(table: Loaded[OverrideTable], proofs: Iterable[tuple[str, Sequence[str]]]) -> list[Traced]:
    """Return every line of a table with the profiles that prove it.

    Args:
        table: the table.
        proofs: of each profile its name, and the names of the lines that it says it proves.
    """
    by_line: dict[str, list[str]] = {}
    for profile, names in proofs:
        for name in dict.fromkeys(names):
            by_line.setdefault(name, []).append(profile)
    return [Traced(line, tuple(by_line.get(line.name, ()))) for line in lines(table)]


def unknown_lines(table: Loaded[OverrideTable], profiles: Iterable[Loaded[Profile]]) -> list[Problem]:
    """Return a problem for each line that a profile says it proves and the table does not have."""
    known = {line.name for line in lines(table)}
    return [
        profile.problem(("proves", number), f"table {table.path} has no line {name!r}", nearest(name, known))
        for profile in profiles
        for number, name in enumerate(profile.model.proves)
        if name not in known
    ]


def _line(table: Loaded[OverrideTable], name: str, path: Path, says: str) -> TableRule:
    return TableRule(name, table.locate(path)[0], says)


def _vent_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    for name, vent in table.model.vents.items():
        says = (
            f"vent {name} moves within {_span(vent.starts_within)}, travels in {_span(vent.full_travel[0])} to"
            f" {_span(vent.full_travel[1])} and stands within {vent.tolerance}"
        )
        yield _line(table, f"vents.{name}", ("vents", name), says)


def _sensor_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    for name, sensor in table.model.sensors.items():
        path: Path = ("sensors", name)
        for number, how in enumerate(sensor.how):
            yield _line(
                table,
                f"sensors.{name}.{how}",
                (*path, "how", number),
                f"{name} that fails {how!r} is noticed",
            )
        fails = f"{name} counts as failed after {_span(sensor.fails_after)}"
        yield _line(table, f"sensors.{name}.fails_after", (*path, "fails_after"), fails)
        mends = f"{name} is trusted again after {_span(sensor.mends_after)}"
        yield _line(table, f"sensors.{name}.mends_after", (*path, "mends_after"), mends)


def _override_lines(table: Loaded[OverrideTable], name: str) -> Iterator[TableRule]:
    override, path = table.model.overrides[name], ("overrides", name)
    for number, condition in enumerate(override.when):
        yield from _condition_lines(table, (*path, "when", number), name, condition)
    for key, word in (("entry_delay", "begins"), ("release_delay", "ends")):
        says = f"{name} {word} after {_span(getattr(override, key))} ± {_span(override.delays_within)}"
        yield _line(table, f"{name}.{key}", (*path, key), says)
    for key, where in (("positions", ""), ("leeward", " on the lee side")):
        for vent, position in getattr(override, key).items():
            yield _line(
                table, f"{name}.{key}.{vent}", (*path, key, vent), f"{name} sends {vent} to {position}{where}"
            )
    yield from _manners(table, name, override)


def _manners(table: Loaded[OverrideTable], name: str, override: TableOverride) -> Iterator[TableRule]:
    path = ("overrides", name)
    if override.only_close:
        yield _line(table, f"{name}.only_close", (*path, "only_close"), f"{name} opens no vent")
    if override.latched:
        yield _line(table, f"{name}.latched", (*path, "latched"), f"{name} stays until it is reset")


def _condition_lines(
    table: Loaded[OverrideTable], path: Path, name: str, condition: Condition
) -> Iterator[TableRule]:
    output = output_of(condition)
    here = (*path, condition_key(condition))
    match condition:
        case FailedCondition():
            says = f"{name} begins when {output} has failed"
            yield _line(table, f"{name}.{output}.failed", here, says)
        case BusSilentCondition(bus_silent=silent_s):
            yield _line(
                table,
                f"{name}.bus_silent",
                here,
                f"{name} begins when the bus is silent for {_span(silent_s)}",
            )
        case ContactCondition(debounce=debounce_s):
            yield _line(table, f"{name}.{output}", here, f"{name} begins when {output} is closed")
            if debounce_s:
                says = f"{output} must keep a state for {_span(debounce_s)}"
                yield _line(table, f"{name}.{output}.debounce", (*path, "debounce"), says)
        case ThresholdCondition():
            side = "above" if condition.rising else "below"
            says = f"{name} begins {side} {condition.begins_at} of {output}, ± {condition.accuracy}"
            yield _line(table, f"{name}.{output}", here, says)
            says = f"{name} lasts to {condition.ends_at} of {output}, ± {condition.accuracy}"
            yield _line(table, f"{name}.{output}.ends_at", (*path, "ends_at"), says)
    if isinstance(condition, WindCondition):
        says = f"{output} is averaged over {_span(condition.averaged_over)}"
        yield _line(table, f"{name}.{output}.averaged_over", (*path, "averaged_over"), says)


def _precedence_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    model = table.model
    for one, other in combinations(model.overrides, 2):
        if shared(model, one, other):
            rule = "the most closed position counts" if model.ranks is None else _before(table, one, other)
            yield _line(
                table, f"precedence.{one}.{other}", ("precedence",), f"{one} and {other} together: {rule}"
            )


def _before(table: Loaded[OverrideTable], one: str, other: str) -> str:
    first = next(name for rank in table.model.ranks or () for name in rank if name in {one, other})
    return f"{first} decides"


def _supply_lines(table: Loaded[OverrideTable]) -> Iterator[TableRule]:
    supply = table.model.supply
    if supply is None:
        return
    says = {
        "rides_through": f"an interruption of {_span(supply.rides_through)} is not felt",
        "boots_for": f"the unit acts {_span(supply.boots_for)} after its supply is back",
        "restart": "it then runs every vent to its closed end"
        if supply.restart == "reference"
        else "it then goes on from where the vents stand",
    }
    for key, demand in says.items():
        yield _line(table, f"supply.{key}", ("supply", key), demand)


def _span(span_s: float) -> str:
    """Return a span of time as a person writes it."""
    for unit, seconds in (("h", 3600), ("min", 60)):
        if span_s >= _AT_LEAST * seconds and span_s % seconds == 0:
            return f"{span_s / seconds:g} {unit}"
    return f"{1000 * span_s:g} ms" if 0 < span_s < 1 else f"{span_s:g} s"


def table_section(pinned: PinnedText, chapters: Sequence[Chapter], ident: str) -> Section:
    """Return the annex for the override table that runs name in their first line.

    A line counts as proved when every run that says it proves it passed, and there is one.

    Args:
        pinned: the table, as the first line holds it.
        chapters: the runs that name it.
        ident: what links point to.
    """
    title = f"Override table: {pinned.name}"
    facts = (Fact("Table digest", short_code(pinned.sha256)),)
    try:
        table = read_table("override table in the log", pinned.text)
    except FileError as error:
        return Section(ident, title, (f"The table cannot be read: {error}",), facts, ())
    standings: dict[str, list[str]] = {}
    for chapter in chapters:
        standings.setdefault(chapter.profile, []).append(chapter.standing)
    rows = traced(table, [(chapter.profile, chapter.proves) for chapter in chapters])
    lines = ReportedTable(
        "The table's lines, and what proves them",
        ("line", "what it says", "name", "proved by"),
        tuple((f"{row.line.number}", row.line.says, row.line.name, _proofs(row, standings)) for row in rows),
        "A profile says itself which lines it proves.",
    )
    return Section(ident, title, tuple(_sentences(rows, standings)), facts, (lines,))


def _proofs(row: Traced, standings: Mapping[str, Sequence[str]]) -> str:
    proofs = (f"{name}: {', '.join(dict.fromkeys(standings[name]))}" for name in dict.fromkeys(row.profiles))
    return "; ".join(proofs) or "no run in this report"


def _sentences(rows: Sequence[Traced], standings: Mapping[str, Sequence[str]]) -> Iterator[str]:
    without = sum(not row.profiles for row in rows)
    proved = sum(
        bool(row.profiles) and all(word == "pass" for name in row.profiles for word in standings[name])
        for row in rows
    )
    yield f"{proved} of the table's {len(rows)} lines are proved by runs in this report that passed."
    if without:
        yield f"{without} have no run in this report."
    if left := len(rows) - proved - without:
        yield f"{left} have a run that did not pass."
