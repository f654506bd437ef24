"""The runs at one glance: what failed in how many profiles, and a matrix of profiles and signals (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from ventproof.papers.waivers import ACCEPTED
from ventproof.rejudge.standing import STANDINGS
from ventproof.report.alike import alike
from ventproof.report.chapter import NOT_STATED
from ventproof.report.model import (
    NO_PAST,
    Chapter,
    Complaint,
    ComplaintGroup,
    Past,
    ReportedMark,
    ReportedMatrix,
    ReportedRow,
    ReportedStep,
)
from ventproof.report.model import ReportedResponse as Response
from ventproof.report.requirements import mark_of, names_of, verdict_of, worst_of_tests
from ventproof.verdict.brief import cause_sentence
from ventproof_bench.base.text import number_of

_MOST_SIGNALS: Final = 7
"""So many signals have a column of their own; the rest share one."""
_MOST_VERSIONS: Final = 6
_REST: Final = "others"


def groups_of(chapters: Sequence[Chapter]) -> tuple[ComplaintGroup, ...]:
    """Return what did not pass of what was run: the worst first, then what most runs have in common."""
    name = names_of(chapters)
    found = [
        _complaint(name(chapter), chapter, step, response)
        for chapter in chapters
        for step in chapter.steps
        for response in step.responses
        if verdict_of(response) not in {"pass", "not run"}
    ]
    return tuple(
        ComplaintGroup(group.verdict, group.brief, group.found, _profiles(group.runs, chapters))
        for group in alike((one.verdict, one.brief, one.by, one.run, one) for one in found)
    )


def hollow_of(chapters: Sequence[Chapter]) -> tuple[Complaint, ...]:
    """Return the passes that show nothing."""
    name = names_of(chapters)
    return tuple(
        _complaint(name(chapter), chapter, step, response)
        for chapter in chapters
        for step in chapter.steps
        for response in step.responses
        if response.hollow and verdict_of(response) == "pass"
    )


def cause_of(groups: Sequence[ComplaintGroup], chapters: Sequence[Chapter]) -> str:
    """Return in one sentence what explains the worst runs: what most of them share, then what most of the rest do."""
    worst = next((group.verdict for group in groups if group.verdict != ACCEPTED), None)
    runs = {group.brief: {one.run for one in group.complaints} for group in groups if group.verdict == worst}
    every = set[str]().union(*runs.values())
    aborted = any(chapter.standing == "aborted" for chapter in chapters if chapter.ident in every)
    which = ("failed or aborted" if aborted else "failed") if worst == "fail" else worst
    return cause_sentence(runs, len(every), f"{which} {_noun(chapters)}")


def _profiles(number: int, chapters: Sequence[Chapter]) -> str:
    return number_of(number, _noun(chapters))


def _noun(chapters: Sequence[Chapter]) -> str:
    """Return what runs are called: profiles where each profile was run once."""
    return "profile" if len({chapter.profile for chapter in chapters}) == len(chapters) else "run"


def _complaint(name: str, chapter: Chapter, step: ReportedStep, response: Response) -> Complaint:
    return Complaint(
        ident=response.ident,
        run=chapter.ident,
        profile=name,
        step=step.name,
        response=f"{response.signal} {response.demand}",
        verdict=verdict_of(response),
        margin=response.margin,
        why=f"the log says {response.verdict}; {response.again}" if response.again else response.why,
        brief=f"log and evidence differ on {response.signal}" if response.again else response.brief,
        by=0.0 if response.again else response.by,
    )


def matrix_of(chapters: Sequence[Chapter], past: Past = NO_PAST) -> ReportedMatrix:
    """Return the profiles with their responses by signal: what did not pass first, both downward and to the right.

    Args:
        chapters: the runs.
        past: the versions before them.
    """
    failed, told = Counter[str](), Counter[str]()
    for response in _responses(chapters):
        told[response.signal] += 1
        failed[response.signal] += verdict_of(response) not in {"pass", "not run"}
    order = sorted(told, key=lambda signal: (-failed[signal], -told[signal]))
    shared = order[_MOST_SIGNALS:] if len(order) > _MOST_SIGNALS + 1 else []
    columns = [signal for signal in order if signal not in shared]
    rows = [
        _row(number, worst, runs, columns, past, shared=bool(shared))
        for number, worst, runs in worst_of_tests(chapters)
    ]
    rows.sort(key=lambda row: (STANDINGS.index(row.standing), -row.failures))
    return ReportedMatrix(
        signals=(*columns, *([_REST] if shared else [])),
        rows=tuple(rows),
        several=any(len(row.runs) > 1 for row in rows),
        past=any(row.past for row in rows),
    )


def _past_marks(runs: Sequence[Chapter], past: Past) -> Iterator[ReportedMark]:
    """Yield the marks of the versions before those of a profile's runs, of a unit that all of them are of."""
    units = {run.identity["unit"] for run in runs}
    here = {run.identity["firmware"] for run in runs}
    if len(units) > 1:
        return
    unit = units.pop()
    for version, verdict in past.get(("" if unit == NOT_STATED else unit, runs[0].profile), ()):
        if (name := version or NOT_STATED) not in here:
            yield ReportedMark("", verdict, f"firmware {name}: {verdict}")


def _responses(chapters: Sequence[Chapter]) -> Iterator[Response]:
    return (response for chapter in chapters for step in chapter.steps for response in step.responses)


def _row(
    number: str, worst: Chapter, runs: Sequence[Chapter], columns: Sequence[str], past: Past, *, shared: bool
) -> ReportedRow:
    """Return the row of a profile: the responses of its worst run, and the marks of all of its runs."""
    names = [*columns, *([_REST] if shared else [])]
    cells: dict[str, list[ReportedMark]] = {name: [] for name in names}
    for step in worst.steps:
        for response in step.responses:
            cells[response.signal if response.signal in columns else _REST].append(_mark(step, response))
    used = max((r.used for r in _responses(runs) if r.used is not None), default=None)
    if any(verdict_of(response) in {"fail", ACCEPTED} for response in _responses(runs)):
        used = None
    return ReportedRow(
        ident=worst.ident,
        test=number,
        profile=worst.profile,
        standing=worst.standing,
        runs=tuple(ReportedMark(run.ident, run.standing, _run_label(run)) for run in runs),
        cells=tuple(tuple(cells[name]) for name in names),
        failures=sum(verdict_of(r) not in {"pass", "not run"} for r in _responses([worst])),
        used=used,
        past=tuple(_past_marks(runs, past))[-_MOST_VERSIONS:],
    )


def _mark(step: ReportedStep, response: Response) -> ReportedMark:
    verdict = mark_of(response)
    said = f"{step.name}: {response.signal} {response.demand}: {response.why}"
    return ReportedMark(response.ident, verdict, "" if verdict in {"pass", "not run"} else said)


def _run_label(run: Chapter) -> str:
    identity = run.identity
    return f"unit {identity['unit']}, firmware {identity['firmware']}, repeat {run.repeat}: {run.standing}"
