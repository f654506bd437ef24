"""The override table as an annex of a report: every line with the runs that prove it, and the lines that none does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from bench.errors import FileError
from bench.overridetable.load import read_table
from harness.prove.trace import traced
from harness.record.report.code import short_code
from harness.record.report.model import Fact, Section, Table

if TYPE_CHECKING:
    from harness.prove.trace import Traced
    from harness.record.report.model import Chapter
    from harness.run.header import PinnedText


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
    lines = Table(
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
