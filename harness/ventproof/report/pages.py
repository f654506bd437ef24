"""One page a run, in a folder beside the first page: written as soon as its run is judged, and then forgotten.

Where the runs are too many for the first page, pages that list them lie there, too.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, final
from urllib.parse import quote

from ventproof.log.names import plain_path
from ventproof.report.cover import count_text
from ventproof.report.model import Figure, ReportedIndex, ReportedStep, plain
from ventproof.report.typeset import TEMPLATES, page, style

if TYPE_CHECKING:
    from ventproof.report.model import Chapter, Report, ReportedResponse


_What = TypeVar("_What")

_ENDING: Final = ".html"
_LONGEST_NAME: Final = 60
_NO_FIGURE: Final = Figure("", "")

LISTED: Final = 500
"""So many runs at most are listed on a page."""

_INDEX: Final = "all-runs"


def folder_beside(out: Path) -> Path:
    """Return the folder that holds the pages of runs of which a file is the first page."""
    return out.with_name(f"{out.stem}-runs")


@final
@dataclass(frozen=True, slots=True)
class RunPage:
    """Where the page of a run is written.

    Attributes:
        file: the page.
        link: where the first page finds it.
        home: where it finds the first page.
        maker: the program that makes it.
    """

    file: Path
    link: str
    home: str
    maker: str


@final
@dataclass(frozen=True, slots=True)
class Pages:
    """The folder of pages of a report.

    Attributes:
        out: the first page.
        folder: where the pages are written; it may get its name later.
    """

    out: Path
    folder: Path

    def of(self, logs: Sequence[Path], maker: str) -> Iterator[RunPage]:
        """Yield a page for each log, called as the log is; no two have one name, whatever reads it."""
        taken = {f"{_INDEX}-{number}" for number in range(1, len(logs) // LISTED + 2)}
        beside = quote(folder_beside(self.out).name)
        for log in logs:
            stem = (
                re.sub(r"[^\w.-]+", "-", plain_path(log).stem, flags=re.ASCII).strip(".-")[:_LONGEST_NAME]
                or "run"
            )
            name, number = stem, 1
            while name.casefold() in taken:
                number += 1
                name = f"{stem}-{number}"
            taken.add(name.casefold())
            file = self.folder / f"{name}{_ENDING}"
            yield RunPage(file, f"{beside}/{file.name}", f"../{quote(self.out.name)}", maker)


def write_run(chapter: Chapter, its: RunPage, *, complete: bool) -> None:
    """Write the page of a run.

    Args:
        chapter: what it says.
        its: where.
        complete: whether every response is drawn, and not only what did not pass.

    Raises:
        OSError: it cannot be written.
    """
    texts = {"chapter": plain(chapter), "home": its.home, "maker": its.maker, "complete": complete}
    its.file.write_text(
        page(TEMPLATES / "run.html.j2", texts, style(TEMPLATES / "report.css")), encoding="utf-8"
    )


def remembered(chapter: Chapter) -> Chapter:
    """Return what the first page needs of a run whose own page is written: no drawings, no words on how it was run."""
    steps = tuple(
        replace(step, done=(), responses=tuple(_remembered(response) for response in step.responses))
        for step in chapter.steps
    )
    return replace(chapter, about="", facts=(), steps=steps, tables=(), overview=None, qr=_NO_FIGURE)


def _remembered(response: ReportedResponse) -> ReportedResponse:
    return replace(response, proves="", took="", seen="", chance="", figure=None)


@final
class RememberedRuns:
    """What the first page needs of runs with pages of their own: what many of them say is held once."""

    def __init__(self) -> None:
        self._held: dict[Hashable, Any] = {}
        self._passed: set[str] = set()

    def once(self, value: _What) -> _What:
        """Return the value that is held of those that are alike."""
        known: _What = self._held.setdefault((type(value), repr(value)), value)
        return known

    def of(self, chapter: Chapter) -> Chapter:
        """Return a run; of a test the first that passed stands for the others, but for what proves nothing.

        Nothing on the first page needs a response that passed of these: a test is shown by its worst run, the first of
        several.
        """
        steps = chapter.steps
        if chapter.standing == "pass":
            if chapter.profile in self._passed:
                steps = tuple(_left_of(chapter))
            self._passed.add(chapter.profile)
        return replace(
            chapter,
            steps=steps,
            identity={name: self.once(value) for name, value in chapter.identity.items()},
            notes=self.once(chapter.notes),
            conditions=self.once(chapter.conditions),
            proves=self.once(chapter.proves),
            shown=self.once(chapter.shown),
            used=self.once(chapter.used),
            settings=self.once(chapter.settings),
        )


def _left_of(chapter: Chapter) -> Iterator[ReportedStep]:
    """Yield of a run that passed the passes that show nothing, and the one that used most of its limit."""
    told = [response for step in chapter.steps for response in step.responses]
    most = max(told, key=lambda response: response.used or (0.0, ""), default=None)
    for step in chapter.steps:
        kept = tuple(response for response in step.responses if response.hollow or response is most)
        if kept:
            yield ReportedStep(step.name, (), kept)


def write_indexes(report: Report, pages: Pages) -> tuple[ReportedIndex, ...]:
    """Write the pages that list all runs, where these are too many for the first page; return what it says of them.

    Raises:
        OSError: one cannot be written.
    """
    entries = report.cover.entries
    if len(entries) <= LISTED:
        return ()
    found: list[ReportedIndex] = []
    for first in range(0, len(entries), LISTED):
        part = entries[first : first + LISTED]
        name = f"runs {first + 1} to {first + len(part)}"
        says = count_text(Counter(entry.standing for entry in part))
        texts = {
            "name": name,
            "says": says,
            "entries": [plain(entry) for entry in part],
            "pages": {
                entry.ident: report.pages[entry.ident].rpartition("/")[2] for entry in part if entry.ident
            },
            "home": f"../{quote(pages.out.name)}",
            "maker": report.maker,
        }
        text = page(TEMPLATES / "index.html.j2", texts, style(TEMPLATES / "report.css")).encode()
        file = pages.folder / f"{_INDEX}-{len(found) + 1}{_ENDING}"
        file.write_bytes(text)
        link = f"{quote(folder_beside(pages.out).name)}/{file.name}"
        found.append(ReportedIndex(name, link, says, hashlib.sha256(text).hexdigest()))
    return tuple(found)
