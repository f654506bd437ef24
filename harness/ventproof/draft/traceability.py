"""Lines proved; annex."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.oracle.played import as_stated
from ventproof.oracle.proofs import Shown, shown, together
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


Standing = Literal["proved", "shown in part", "claimed, not shown", "not passed", "by no profile"]
"""How a line stands: everything near it was told apart; some of it; nothing of it, whatever profiles claim; a run that
claims it did not pass; nothing claims it."""


@final
@dataclass(frozen=True, slots=True)
class LineClaim:
    """A profile that says it proves a line, and what it shows of it.

    Attributes:
        profile: its name.
        shown: what it shows, checked.
        result: how its run came out; `pass` where there is none and only what it plays was looked at.
    """

    profile: str
    shown: Shown
    result: str = "pass"


@final
@dataclass(frozen=True, slots=True)
class Traced:
    """A line of the table, and the profiles that claim it."""

    line: TableRule
    claims: tuple[LineClaim, ...]

    @property
    def standing(self) -> Standing:
        """How the line stands."""
        if not self.claims:
            return "by no profile"
        if any(claim.result != "pass" for claim in self.claims):
            return "not passed"
        if self.shown.proved:
            return "proved"
        return "shown in part" if self.shown.told else "claimed, not shown"

    @property
    def shown(self) -> Shown:
        """What its profiles show together."""
        return together(claim.shown for claim in self.claims)[self.line.name]


def traced(table: Loaded[OverrideTable], claims: Iterable[LineClaim]) -> list[Traced]:
    """Return every line of a table with the profiles that claim it."""
    by_line: dict[str, list[LineClaim]] = {}
    for claim in claims:
        by_line.setdefault(claim.shown.line, []).append(claim)
    return [Traced(line, tuple(by_line.get(line.name, ()))) for line in lines(table)]


def claims_of(table: OverrideTable, profiles: Iterable[tuple[str, Profile]]) -> Iterator[LineClaim]:
    """Yield what profiles would show of the lines that they claim, as far as that can be known without a run."""
    for name, profile in profiles:
        for its in shown(table, as_stated(profile, table), profile.proves):
            yield LineClaim(name, its)


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

    A line counts as proved when every run that claims it passed, and what they played and decided went to its edge.

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
    claims = [
        LineClaim(chapter.profile, its, chapter.standing) for chapter in chapters for its in chapter.shown
    ]
    rows = traced(table, claims)
    shown_rows = tuple(
        (f"{row.line.number}", row.line.says, row.line.name, row.standing, _runs(row)) for row in rows
    )
    lines = ReportedTable(
        "The table's lines, and what proves them",
        ("line", "what it says", "name", "result", "by"),
        shown_rows,
        "A profile claims lines; a claim counts as far as its run played the line's edge and decided the response.",
    )
    return Section(ident, title, tuple(_sentences(rows)), facts, (lines,))


def _runs(row: Traced) -> str:
    results: dict[str, list[str]] = {}
    for claim in row.claims:
        results.setdefault(claim.profile, []).append(claim.result)
    said = [f"{name}: {', '.join(dict.fromkeys(its))}" for name, its in results.items()]
    if row.claims and row.shown.left:
        said.append(f"would pass too: {', '.join(row.shown.left)}")
    return "; ".join(said) or "no run in this report"


_SENTENCES: Final[dict[Standing, str]] = {
    "shown in part": "{} are shown in part: not on every side of their edge.",
    "claimed, not shown": "{} are claimed, not shown: no run that claims them went to their edge.",
    "by no profile": "{} have no run in this report.",
    "not passed": "{} have a run that did not pass.",
}


def _sentences(rows: Sequence[Traced]) -> Iterator[str]:
    counts = Counter(row.standing for row in rows)
    proved = counts["proved"]
    yield f"{proved} of the table's {len(rows)} lines are proved by runs in this report that passed."
    for standing, sentence in _SENTENCES.items():
        if counts[standing]:
            yield sentence.format(counts[standing])
