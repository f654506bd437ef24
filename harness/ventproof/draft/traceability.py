"""Lines proved; annex."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from ventproof.report.model import Fact, ReportedTable, Section, short_code
from ventproof.table.lines import TableRule, lines
from ventproof.table.load import read_table
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from ventproof.log.events import PinnedText
    from ventproof.profile.model import Profile
    from ventproof.report.model import Chapter
    from ventproof.table.model import OverrideTable
    from ventproof_bench.yamlfile.load import Loaded


@final
@dataclass(frozen=True, slots=True)
class Traced:
    """A line of the table, and the names of the profiles that prove it."""

    line: TableRule
    profiles: tuple[str, ...]


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
