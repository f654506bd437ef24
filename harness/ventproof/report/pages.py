"""One page a run, in a folder beside the first page: written as soon as its run is judged, and then forgotten."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, final
from urllib.parse import quote

from ventproof.log.names import plain_path
from ventproof.report.model import Figure, plain
from ventproof.report.typeset import TEMPLATES, page, style

if TYPE_CHECKING:
    from ventproof.report.model import Chapter, ReportedResponse

_ENDING: Final = ".html"
_LONGEST_NAME: Final = 60
_NO_FIGURE: Final = Figure("", "")


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
        taken: set[str] = set()
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
