"""The first page: what a set of runs says together (pure)."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from ventproof.log.run import VIRTUAL
from ventproof.papers.waivers import ACCEPTED
from ventproof.rejudge.batch import Lost, worst_of
from ventproof.rejudge.standing import STANDINGS
from ventproof.report.chapter import NO_DATE, NOT_STATED, SIMPLE, UNMEASURED_NOTE
from ventproof.report.model import (
    NO_PAST,
    Chapter,
    Complaint,
    Fact,
    Past,
    ReportedCover,
    ReportedEntry,
)
from ventproof.report.papers import BLANKS, blank_or, differing_papers, paper_of
from ventproof.report.requirements import names_of
from ventproof.report.suite import cause_of, groups_of, hollow_of, matrix_of
from ventproof.runset.completeness import WHOLE, SetCheck
from ventproof.verdict.naming import firmware_order

if TYPE_CHECKING:
    from ventproof.papers.fingerprint import SettingsBefore


_LABELS: Final = {
    "document": "Document number",
    "order": "Order",
    "customer": "Customer",
    "site": "Site",
    "unit": "Unit",
    "hardware": "Hardware revision",
    "firmware": "Firmware",
    "operator": "Operator",
    "witness": "Witness",
    "air": "Ambient conditions",
    "when": "When",
    "bench": "Bench",
    "self-check": "Self-check",
    "waivers": "Waivers",
}
_SAYS: Final = {
    "contradicted": "contradicted by the evidence",
    "broken": "with a broken log",
    "unreadable": "that cannot be read",
    "fail": "failed",
    "aborted": "aborted",
    "unconfirmed": "that could not be judged again",
    "inconclusive": "inconclusive",
    ACCEPTED: "with accepted deviations only",
    "pass": "passed",
}
_FIRST: Final = dt.datetime(1, 1, 1, tzinfo=dt.UTC)
_MOST: Final = 3
"""So many different values are named; more are counted."""


def cover_of(
    chapters: Sequence[Chapter],
    whole: SetCheck = WHOLE,
    lost: Sequence[Lost] = (),
    past: Past = NO_PAST,
    *,
    of_waivers: Sequence[str] = (),
    before: SettingsBefore | None = None,
) -> ReportedCover:
    """Return the first page of a report.

    Args:
        chapters: its runs, one at least.
        whole: whether they are all that was planned, and nothing else.
        lost: files among the logs that are none.
        past: the versions before these runs.
        of_waivers: what is to be said of waivers that are over or that no run needs.
        before: the last run of the unit before these; None where none is known.
    """
    standings = Counter([chapter.standing for chapter in chapters] + ["unreadable"] * len(lost))
    gone = [f"MISSING FROM THIS RECORD: {one.log}: {one.reason}. Its content is unknown." for one in lost]
    groups, hollow, name = groups_of(chapters), hollow_of(chapters), names_of(chapters)
    return ReportedCover(
        title=_title(chapters),
        standing=worst_of(
            (chapter.standing for chapter in chapters if chapter.digest not in whole.superseded), whole, lost
        ),
        of_set=whole.standing,
        says=_before(whole) + count_text(standings),
        cause=cause_of(groups, chapters),
        conditions=tuple(
            dict.fromkeys(
                [*_otherwise(chapters), *whole.remarks, *_of_runs(chapters, VIRTUAL), *_hollow(hollow)]
            )
        ),
        alarms=tuple(dict.fromkeys([*whole.wrong, *whole.missing, *gone, *_alarms(chapters)])),
        notes=tuple(_shared_notes(chapters)),
        facts=tuple(_facts(chapters)),
        groups=groups,
        hollow=hollow,
        matrix=matrix_of(chapters, past),
        paper=paper_of(chapters, of_waivers, before),
        entries=(
            *(ReportedEntry("", one.name, "unreadable", "–", "1", "–") for one in lost),
            *(_entry(name(chapter), chapter) for chapter in chapters),
        ),
    )


def _before(whole: SetCheck) -> str:
    """Say that the set is not whole, before any run is told of."""
    return f"{whole.short[0].upper()}{whole.short[1:]}. " if whole.short else ""


def _values(chapters: Sequence[Chapter], name: str) -> list[str]:
    """Return the different values of what is known of runs, in their order; of firmware the oldest version first."""
    values = list(dict.fromkeys(chapter.identity[name] for chapter in chapters))
    return _by_age(chapters, values) if name == "firmware" and len(values) > 1 else values


def _by_age(chapters: Sequence[Chapter], versions: Sequence[str]) -> list[str]:
    seen: dict[str, dt.datetime] = {}
    for number, chapter in enumerate(chapters):
        since = chapter.identity["since"]
        at = dt.datetime.fromisoformat(since) if since else _FIRST + dt.timedelta(seconds=number)
        version = chapter.identity["firmware"]
        seen[version] = min(at, seen.get(version, at))
    stated = [version for version in versions if version != NOT_STATED]
    return [
        *firmware_order({version: seen[version] for version in stated}),
        *([NOT_STATED] if len(stated) < len(versions) else []),
    ]


def _title(chapters: Sequence[Chapter]) -> str:
    units, firmwares = _values(chapters, "unit"), _values(chapters, "firmware")
    unit = f"Unit {units[0]}" if len(units) == 1 else f"{len(units)} units"
    firmware = f"firmware {firmwares[0]}" if len(firmwares) == 1 else f"{len(firmwares)} firmware versions"
    return f"{unit}, {firmware}"


def count_text(standings: Counter[str]) -> str:
    """Return how many runs stand how, in a sentence."""
    total = standings.total()
    if total == 1:
        return (
            "One run. Its fails are accepted deviations: not a pass." if standings[ACCEPTED] else "One run."
        )
    said = ", ".join(f"{standings[word]} {_SAYS[word]}" for word in STANDINGS if standings[word])
    return f"{total} {'logs' if standings['unreadable'] else 'runs'}: {said}."


def _alarms(chapters: Sequence[Chapter]) -> Iterator[str]:
    yield from differing_papers([chapter.identity for chapter in chapters])
    for name, plural in (("unit", "units"), ("firmware", "firmware versions")):
        values = _values(chapters, name)
        if len(values) > 1:
            yield (
                f"This report holds runs of {len(values)} {plural}: {_listed(values)}. It certifies no single "
                f"one of them."
            )
    if unstated := [
        name for name in ("unit", "firmware", "operator") if NOT_STATED in _values(chapters, name)
    ]:
        yield f"Not stated: {', '.join(unstated)}."
    for late, count in Counter(note for chapter in chapters for note in chapter.overdue).items():
        yield _of(count, chapters, late)
    for chapter in chapters:
        for alarm in chapter.alarms:
            yield f"{chapter.profile} ({chapter.log}): {alarm}"


def _otherwise(chapters: Sequence[Chapter]) -> Iterator[str]:
    """Yield what was otherwise than usual in some runs, with in how many."""
    for note, count in Counter(note for chapter in chapters for note in chapter.conditions).items():
        yield _of(count, chapters, f"{note[0].upper()}{note[1:]}.")


def _of_runs(chapters: Sequence[Chapter], note: str) -> Iterator[str]:
    """Yield a note of runs, with how many of them have it."""
    if count := sum(note in chapter.notes for chapter in chapters):
        yield _of(count, chapters, note)


def _of(count: int, chapters: Sequence[Chapter], note: str) -> str:
    return note if count == len(chapters) else f"{count} of {len(chapters)} runs: {note}"


def _shared_notes(chapters: Sequence[Chapter]) -> Iterator[str]:
    """Yield what weakens the verdict of some of the runs."""
    for note in (SIMPLE, UNMEASURED_NOTE):
        yield from _of_runs(chapters, note)


def _hollow(hollow: Sequence[Complaint]) -> Iterator[str]:
    if hollow:
        passes = "1 pass proves" if len(hollow) == 1 else f"{len(hollow)} passes prove"
        yield f"{passes} nothing: the state already held."


def _facts(chapters: Sequence[Chapter]) -> Iterator[Fact]:
    for name, label in _LABELS.items():
        values = _values(chapters, name)
        if name in BLANKS:
            yield Fact(label, blank_or([chapter.identity for chapter in chapters], name))
            continue
        if name == "waivers" and not any(values):
            continue
        if name == "when":
            by_time = sorted(chapters, key=lambda chapter: chapter.identity["since"])
            dated = [chapter.identity["when"] for chapter in by_time if chapter.identity["since"]]
            undated = [value for value in values if value == NO_DATE]
            dated = list(dict.fromkeys(dated))
            values = [*([f"{dated[0]} to {dated[-1]}"] if len(dated) > 1 else dated), *undated]
        if name == "bench" and len(benches := _values(chapters, "bench digest")) > len(values):
            values = [f"{_listed(values)}, in {len(benches)} states of the file"]
        yield Fact(label, _listed(values))


def _listed(values: Sequence[str]) -> str:
    if len(values) <= _MOST:
        return "; ".join(values)
    return f"{'; '.join(values[:_MOST])} and {len(values) - _MOST} more"


def _entry(name: str, chapter: Chapter) -> ReportedEntry:
    when = "no date" if chapter.identity["when"] == NO_DATE else chapter.identity["when"]
    return ReportedEntry(chapter.ident, name, chapter.standing, when, f"{chapter.repeat}", chapter.code)
