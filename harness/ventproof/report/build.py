"""From log files to a report."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof.figures.repeats_figure import thin_run
from ventproof.log.events import Header, PinnedText, StimulusApplied
from ventproof.log.read import header_of, read_log
from ventproof.log.signing import signature_of, unreadable
from ventproof.papers.waivers import NONE_WAIVED, not_waivable, too_broad, unneeded
from ventproof.rejudge.batch import Lost, Told, counted, each
from ventproof.report.bench_section import bench_section
from ventproof.report.chapter import JudgedLog, Signing, chapter_of, day_of
from ventproof.report.cover import cover_of
from ventproof.report.model import Past, Report, Section, short_code
from ventproof.report.overlays import LaidRun, Overlays
from ventproof.report.pages import Pages, RememberedRuns, RunPage, remembered, write_run
from ventproof.report.papers import Waiving, deviating, waiving_today
from ventproof.runset.present import Choice, checked_set, present_log
from ventproof.verdict.naming import files_apart
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import CAUTIONS

if TYPE_CHECKING:
    from ventproof.log.plan import Plan
    from ventproof.log.read import LogState
    from ventproof.papers.fingerprint import SettingsBefore
    from ventproof.papers.waivers import Waived, WaiverSpec
    from ventproof.report.model import Chapter, ReportedCover
    from ventproof.runset.completeness import PresentLog


@final
@dataclass(frozen=True, slots=True)
class _Part:
    """One log's share of the report.

    Attributes:
        digest: of its last intact line.
        broken_at: the line that breaks its chain.
        header: of a run, what its first line pins; without the profile, which its chapter tells of.
        chapter: of a run.
        here: of a run, what a set of logs is counted by.
        link: of a run, where the first page finds its own page; empty where it has none.
        check: of a self-check, its log with the figures.
        laid: of a run, what it leaves for the picture of repeats; it is not held.
        waived: of a run, what waivers make of it.
    """

    digest: str
    broken_at: int | None
    header: Header = field(default_factory=Header)
    chapter: Chapter | None = None
    here: PresentLog | None = None
    link: str = ""
    check: LogState | None = None
    laid: LaidRun | None = None
    waived: Waived = NONE_WAIVED


@final
@dataclass(frozen=True, slots=True)
class _Job:
    """A log to work on.

    Attributes:
        path: the log.
        name: what it is called among the logs of the report.
        ident: what begins its links.
        complete: whether every response is drawn.
        page: where its own page is; None: it has none.
        waiving: the known fails that are accepted.
    """

    path: Path
    name: str
    ident: str
    complete: bool
    page: RunPage | None
    waiving: Waiving


Annex = Callable[[PinnedText, Sequence["Chapter"], str], Section]
"""Makes the annex for an override table from what the runs' first lines say of it, those runs, and what links need."""


Earlier = Callable[[str, Collection[str], dt.datetime | None], "SettingsBefore | None"]
"""Finds the last run of a unit before some runs of it: its serial number, their digests, when the first began."""


@final
@dataclass(frozen=True, slots=True)
class Beside:
    """What a report holds besides its logs.

    Attributes:
        past: the firmware versions before these runs; a page shows their marks.
        waiving: the known fails that are accepted.
        earlier: finds the last run of a unit before these.
    """

    past: Past = field(default_factory=dict)
    waiving: Waiving = field(default_factory=waiving_today)
    earlier: Earlier = lambda *_: None


FEW: Final = 12
"""So many runs at most stand in one page, and every response of them is drawn without being asked."""


_MAKER: Final = f"ventproof {version('ventproof')}"
_NO_RUN: Final = ("no log of a run was named", "name logs of `ventproof run`")


def report_of(
    paths: Sequence[Path],
    choice: Choice = Choice.NAMED,
    annex: Annex | None = None,
    *,
    complete: bool = False,
    pages: Pages | None = None,
    beside: Beside | None = None,
    told: Told = lambda *_: None,
) -> Report:
    """Return the report of some logs of runs, with the self-checks among them that stand behind the runs.

    A log that is named twice, or is the same to the byte as another, is told of once. A file that is no log is named on
    the first page as missing.

    Args:
        paths: the logs, in the order in which they are to be told of.
        choice: how they came to be looked at together.
        annex: makes the annex for an override table that runs name; None: there is none.
        complete: draw every response of more than a few runs, too, and not only what did not pass.
        pages: where a page is written of each run; then the report remembers what its first page needs, and no more.
        beside: what it holds besides its logs; None: nothing.
        told: is given how far it is.

    Raises:
        FileError: no log is of a run.
        OSError: a page cannot be written.
    """
    complete, beside = complete or len(paths) <= FEW, beside or Beside()
    overlays = Overlays()
    jobs = _jobs(paths, pages, beside.waiving, complete=complete)
    parts_made = counted(each(_part, jobs), len(jobs), told)
    done = list(_laid(_sharing(parts_made, slim=pages is not None), overlays))
    parts = _unique(part for part in done if isinstance(part, _Part))
    runs = [part for part in parts if part.chapter is not None]
    if not runs:
        raise _no_run(paths, done)
    return Report(
        cover=_cover(paths, done, runs, choice, beside),
        overlays=overlays.told(),
        chapters=tuple(part.chapter for part in runs if part.chapter),
        sections=(*_benches(runs, parts), *_annexes(runs, annex)),
        complete=complete,
        cautions=CAUTIONS,
        date=_last_day(runs),
        maker=_MAKER,
        pages={part.chapter.ident: part.link for part in runs if part.chapter},
    )


def _cover(
    paths: Sequence[Path],
    done: Sequence[_Part | tuple[Problem, ...]],
    runs: Sequence[_Part],
    choice: Choice,
    beside: Beside,
) -> ReportedCover:
    """Return the first page: of all that was worked on, and of the runs without those that are told of twice."""
    return cover_of(
        [part.chapter for part in runs if part.chapter],
        checked_set([part.here for part in done if isinstance(part, _Part) and part.here], choice),
        [Lost.of(path, one) for path, one in zip(paths, done, strict=True) if isinstance(one, tuple)],
        beside.past,
        of_waivers=[*_of_waivers(runs, beside.waiving)],
        before=_before(runs, beside.earlier),
    )


def _before(runs: Sequence[_Part], earlier: Earlier) -> SettingsBefore | None:
    """Return the last run before these, where all are of one unit."""
    units = {part.header.unit for part in runs}
    if len(units) > 1 or "" in units:
        return None
    began = [dt.datetime.fromisoformat(part.header.started) for part in runs if part.header.started]
    first = min(began) if len(began) == len(runs) else None
    return earlier(units.pop(), {part.digest for part in runs}, first)


def _no_run(paths: Sequence[Path], done: Sequence[_Part | tuple[Problem, ...]]) -> FileError:
    problems = [problem for part in done if isinstance(part, tuple) for problem in part]
    return FileError(problems or [Problem(str(paths[0]), None, None, *_NO_RUN)])


def _last_day(runs: Sequence[_Part]) -> str:
    started = (part.header.started for part in runs if part.header.started)
    return max(started, key=dt.datetime.fromisoformat, default="")[:10]


def _jobs(paths: Sequence[Path], pages: Pages | None, waiving: Waiving, *, complete: bool) -> list[_Job]:
    own = [None] * len(paths) if pages is None else pages.of(paths, _MAKER)
    named = zip(paths, files_apart(list(map(str, paths))), own, strict=True)
    return [
        _Job(path, name, f"run-{number}", complete, page, waiving)
        for number, (path, name, page) in enumerate(named, start=1)
    ]


def _unique(parts: Iterable[_Part]) -> list[_Part]:
    """Leave out repeated parts; a log that goes on, broken, after another's last line, is another log."""
    found: dict[tuple[object, ...], _Part] = {}
    for part in parts:
        found.setdefault(_told(part), part)
    return list(found.values())


def _told(part: _Part) -> tuple[object, ...]:
    return (
        part.digest,
        part.broken_at,
        part.chapter and (part.chapter.standing, part.chapter.alarms),
    )


def _part(job: _Job) -> _Part | tuple[Problem, ...]:
    """Work on one log; returns what is wrong with it, because a `FileError` does not pass between processes."""
    path = job.path
    try:
        state = read_log(path)
        if state.is_check:
            figures = tuple(e for e in state.rare if not isinstance(e, StimulusApplied))
            return _Part(state.digest, state.broken_at, check=replace(state, events=figures))
        log = JudgedLog.of(state)
        chapter = chapter_of(log, job.name, job.ident, _signing(path), complete=job.complete)
    except FileError as error:
        return tuple(
            replace(p, file=str(path)) if p.file in {"the log", job.name} else p for p in error.problems
        )
    header = header_of(state)
    findings = log.findings
    required = log.run.case.profile.required if log.run else {}
    named = {place: one.requirements for place, one in required.items()}
    waived = job.waiving.made(header, findings, named)
    chapter = deviating(chapter, findings, waived, job.waiving.file(header), header.waivers)
    if job.page is not None:
        write_run(chapter, job.page, complete=job.complete)
        chapter = remembered(chapter)
    laid = LaidRun(header.profile.sha256, thin_run(log.run) if log.run else None)
    header = replace(header, profile=PinnedText(), place=None)
    link = job.page.link if job.page else ""
    here = present_log(path, state)
    return _Part(state.digest, state.broken_at, header, chapter, here, link, None, laid, waived)


def _sharing(
    done: Iterable[_Part | tuple[Problem, ...]], *, slim: bool
) -> Iterator[_Part | tuple[Problem, ...]]:
    """Yield the parts as they come; texts that many of them pin, and what runs with pages say alike, are held once.

    Args:
        done: the parts.
        slim: whether each run has a page of its own.
    """
    held: dict[tuple[str, str], PinnedText] = {}
    plans: dict[str, Plan] = {}
    shared = RememberedRuns()

    def once(pinned: PinnedText) -> PinnedText:
        return held.setdefault((pinned.name, pinned.text), pinned)

    for part in done:
        if isinstance(part, _Part):
            header = part.header
            header = replace(
                header,
                bench=once(header.bench),
                table=header.table and once(header.table),
                acceptance=header.acceptance and once(header.acceptance),
                waivers=header.waivers and once(header.waivers),
            )
            here = part.here
            if here is not None and here.place is not None:
                plan = here.place.plan
                here = replace(here, place=replace(here.place, plan=plans.setdefault(plan.sha256, plan)))
            chapter = shared.of(part.chapter) if slim and part.chapter else part.chapter
            yield replace(part, header=header, here=here, chapter=chapter)
        else:
            yield part


def _laid(
    done: Iterable[_Part | tuple[Problem, ...]], overlays: Overlays
) -> Iterator[_Part | tuple[Problem, ...]]:
    """Yield the parts without what they leave for the picture of repeats, which takes each run once."""
    known: set[tuple[object, ...]] = set()
    for part in done:
        if isinstance(part, _Part) and part.chapter and part.laid:
            if _told(part) not in known:
                known.add(_told(part))
                overlays.take(part.chapter, part.laid)
            yield replace(part, laid=None)
        else:
            yield part


def _of_waivers(runs: Sequence[_Part], waiving: Waiving) -> Iterator[str]:
    """Yield why waivers do not accept what they cover, and which no run needs or cover none; of each file of them."""
    refused = (told for part in runs for told in part.waived.refused.values())
    for said in dict.fromkeys(
        f"Waiver {one.id} {why}: what it covers counts as a fail." for one, why in refused
    ):
        yield said
    by_file: dict[tuple[WaiverSpec, ...], list[Waived]] = {}
    for part in runs:
        by_file.setdefault(waiving.of(part.header), []).append(part.waived)
    for waivers, made in by_file.items():
        for said in (*not_waivable(made), *too_broad(made), *unneeded(waivers, made)):
            yield f"{said[0].upper()}{said[1:]}."


def _signing(path: Path) -> Signing:
    """Return what is known of the signature beside a log."""
    try:
        signed = signature_of(path)
    except FileError as error:
        return Signing("cannot be read", unreadable(error))
    if signed is None:
        return Signing("not signed")
    said = f"by {signed.signer or 'an unnamed signer'}, as stated, with the key {signed.fingerprint}"
    if wrong := signed.wrong(path):
        return Signing(said, wrong)
    return Signing(f"{said}; whose key that is, only its owner can tell")


def _benches(runs: Sequence[_Part], parts: Sequence[_Part]) -> Iterator[Section]:
    """Yield a section for each bench, with the self-checks among the parts that its runs name."""
    checks = {part.digest: part.check for part in parts if part.check is not None}
    by_bench: dict[str, list[_Part]] = {}
    for part in runs:
        by_bench.setdefault(part.header.bench.text, []).append(part)
    for number, its in enumerate(by_bench.values(), start=1):
        headers = [part.header for part in its]
        used = {name for part in its if part.chapter for name in part.chapter.used}
        named = dict.fromkeys(header.selfcheck.sha256 for header in headers if header.selfcheck)
        behind = [checks[digest] for digest in named if digest in checks]
        last = max((day_of(header.started) for header in headers if header.started), default=None)
        section = bench_section(headers[0].bench, used, behind, f"bench-{number}", last)
        several = f" ({short_code(headers[0].bench.sha256)})" if len(by_bench) > 1 else ""
        yield replace(section, title=f"{section.title}{several}")


def _annexes(runs: Sequence[_Part], annex: Annex | None) -> Iterator[Section]:
    """Yield an annex for each override table that runs name."""
    by_table: dict[str, list[tuple[PinnedText, _Part]]] = {}
    for part in runs:
        if table := part.header.table:
            by_table.setdefault(table.text, []).append((table, part))
    if annex is not None:
        for number, parts in enumerate(by_table.values(), start=1):
            chapters = [part.chapter for _, part in parts if part.chapter is not None]
            yield annex(parts[0][0], chapters, f"table-{number}")
