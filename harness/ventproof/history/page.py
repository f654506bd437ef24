"""Page, reports."""

from __future__ import annotations

import base64
import hashlib
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, final
from urllib.parse import quote

from ventproof.history.changes import changes_texts
from ventproof.history.dashboard import RunTally
from ventproof.history.faults import fault_lines_by_version, faults_text
from ventproof.history.markup import NOT_STATED, TEMPLATES, board_texts, filled
from ventproof.history.trends import changed, in_order, trends_of
from ventproof.history.unit import RunGroup, groups_of_runs, standing_of_unit
from ventproof.log.run import trouble
from ventproof_bench.base.clock import local_text
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import whole_file
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.history.store import History, HistoryEntry, Wanted


TITLE: Final = "History of override tests"
"""Title of a history's own page, which names runs as well but is no report."""

_DIGEST: Final = re.compile(r"\b[0-9a-f]{64}\b")


@final
class Reports:
    """Reports by the digests that stand in them; each folder is looked through once."""

    def __init__(self) -> None:
        self._folders: dict[Path, dict[str, Path]] = {}

    def of(self, digest: str, log: Path) -> Path | None:
        """Return the newest report in a log's folder that tells of it; None when there is none."""
        folder = log.parent
        if folder not in self._folders:
            self._folders[folder] = _told_in(folder)
        return self._folders[folder].get(digest)


def _told_in(folder: Path) -> dict[str, Path]:
    """Return the digests in a folder's pages; a page that cannot be read is none."""
    pages: list[tuple[float, Path, str]] = []
    for path in folder.glob("*.html"):
        try:
            pages.append((path.stat().st_mtime, path, path.read_text(encoding="utf-8", errors="replace")))
        except OSError:
            continue
    told: dict[str, Path] = {}
    for _, path, text in sorted(pages):
        if f"<title>{TITLE}</title>" not in text:
            told.update(dict.fromkeys(_DIGEST.findall(text), path))
    return told


_ENDINGS: Final = (".html", ".htm")
"""A page never takes the place of a log or of the history itself."""

Links = Callable[["HistoryEntry"], tuple[str, str]]
"""Gives where a run's report and its log are found from the page; empty where there is none."""


def write_page(path: Path, history: History, wanted: Wanted) -> int:
    """Write the page of some runs and return how many; a file of that name is replaced.

    Raises:
        FileError: the name does not end in .html, the history cannot be read, or the page cannot be written.
    """
    if path.suffix.lower() not in _ENDINGS:
        reason = f"no page is written as {path.suffix or 'a file without an ending'}"
        raise FileError([Problem(str(path), None, None, reason, "end its name in .html")])
    reports = Reports()
    text, number = _page(history, wanted, lambda entry: _beside(path, entry, reports))
    with whole_file(path) as file:
        file.write(text.encode())
    return number


def _page(history: History, wanted: Wanted, links: Links, *, served: bool = False) -> tuple[str, int]:
    """Return the page and how many runs are named on it: the newest; the dashboards count all that are wanted."""
    tally = RunTally()
    for entry in history.entries(replace(wanted, limit=None, forgotten=True), findings=False):
        tally.add(entry.record, entry.at)
    entries = list(history.entries(wanted))
    gaps = history.gaps(entry.record for entry in entries)
    left = history.count(wanted) - len(entries)
    text = page_of(entries, left=left, gaps=gaps, links=links, served=served, tally=tally)
    return text, len(entries)


def page_of(
    entries: Sequence[HistoryEntry],
    *,
    left: int,
    links: Links,
    gaps: Mapping[str, str] | None = None,
    served: bool = False,
    tally: RunTally | None = None,
) -> str:
    """Return the page.

    Args:
        entries: the runs that it names, the newest first, with their findings.
        left: how many older runs there are.
        links: where the page leads.
        gaps: what is not here of their plans, by the plan's digest; None: nothing.
        served: whether reports are made on demand.
        tally: all runs, counted; None: those that it names.
    """
    script = (TEMPLATES / "history.js").read_text(encoding="utf-8")
    counted = tally or _counted(entries)
    units = [
        _unit(number, group, links, gaps or {}, counted) for number, group in enumerate(_by_unit(entries))
    ]
    return filled(
        TEMPLATES / "history.html.j2",
        TEMPLATES / "history.css",
        script=script,
        policy=policy_for(script),
        title=TITLE,
        maker=f"ventproof {version('ventproof')}",
        counted=_counted_text(entries),
        left=left,
        served=served,
        units=sorted(units, key=lambda unit: _UNITS_FIRST.index(unit["verdict"])),
    )


def _counted_text(entries: Sequence[HistoryEntry]) -> str:
    """Return how many runs of how many units there are; runs whose unit is not stated are told apart."""
    units = {entry.record.unit for entry in entries} - {""}
    unstated = sum(not entry.record.unit for entry in entries)
    apart = f"unit not stated in {number_of(unstated, 'run')}" if unstated else ""
    stated = f"{number_of(len(entries) - unstated, 'run')} of {number_of(len(units), 'unit')}"
    return ", ".join(filter(None, [stated if units or not apart else "", apart]))


def _counted(entries: Iterable[HistoryEntry]) -> RunTally:
    tally = RunTally()
    for entry in entries:
        tally.add(entry.record, entry.at)
    return tally


_UNITS_FIRST: Final = ("fail", "aborted", "incomplete", "flaky", "inconclusive", "pass")
"""How units can stand, the worst first; of those that stand the same, the one that was tested last comes first."""


def policy_for(script: str) -> str:
    """Return the content security policy of a page with one script of ours: nothing else runs, nothing is loaded."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'"
    )


def _by_unit(entries: Iterable[HistoryEntry]) -> list[list[HistoryEntry]]:
    """Return the runs of each unit; the unit that was tested last comes first."""
    units: dict[str, list[HistoryEntry]] = {}
    for entry in entries:
        units.setdefault(entry.record.unit, []).append(entry)
    return list(units.values())


def _unit(
    number: int,
    entries: Sequence[HistoryEntry],
    links: Links,
    gaps: Mapping[str, str],
    tally: RunTally,
) -> dict[str, Any]:
    name = entries[0].record.unit
    board = tally.dashboard(name)
    standing = standing_of_unit(entries, gaps, board.flaky)
    places: dict[tuple[str, str], str] = {}
    groups = [_group(group, links, f"u{number}", places) for group in groups_of_runs(entries)]
    texts = board_texts(board, lambda *place: f"#{places[place]}" if place in places else "")
    return {
        "ident": f"unit-{number}",
        "name": name,
        "last": local_text(entries[0].at),
        "faults": fault_lines_by_version(entry.record for entry in entries),
        "firmware": entries[0].record.firmware or NOT_STATED,
        "verdict": standing.verdict,
        "extent": standing.extent,
        "cause": standing.cause,
        "board": texts,
        "groups": groups,
        "runs": len(entries),
        "changes": changes_texts(
            filter(changed, trends_of(in_order((entry.at, entry.record) for entry in entries))), f"u{number}"
        ),
    }


def _group(group: RunGroup, links: Links, prefix: str, places: dict[tuple[str, str], str]) -> dict[str, Any]:
    """Return a group of runs; the first run of each profile with each firmware gets a name that a link finds."""
    rows = []
    for entry in group.entries:
        place = entry.record.profile, entry.record.firmware
        ident = "" if place in places else places.setdefault(place, f"{prefix}-r{len(places)}")
        rows.append(_row(entry, links) | {"ident": ident})
    return {"verdict": group.verdict, "cause": group.cause, "rows": rows}


def _row(entry: HistoryEntry, links: Links) -> dict[str, Any]:
    record = entry.record
    report, log = links(entry)
    row = {
        "when": local_text(entry.at),
        "firmware": record.firmware or NOT_STATED,
        "profile": record.profile,
        "verdict": record.verdict,
    }
    faults = faults_text(record)
    words = " ".join([record.unit or NOT_STATED, *row.values(), faults, record.operator, record.digest])
    told = {"faults": faults, "trouble": trouble(record, 1)}
    return row | told | {"words": words.lower(), "report": report, "log": log}


def _beside(page: Path, entry: HistoryEntry, reports: Reports) -> tuple[str, str]:
    """Return links from a page on the disk to a report that lies beside a run's log, and to the log."""
    log, report = entry.file, reports.of(entry.record.digest, entry.file)
    return (_link(page, report) if report else "", _link(page, log) if log.exists() else "")


def _link(page: Path, target: Path) -> str:
    return quote(os.path.relpath(target.resolve(), page.resolve().parent).replace(os.sep, "/"))


def served_page(history: History, wanted: Wanted) -> str:
    """Return the page as a server gives it, with links to logs and to reports made on demand.

    Raises:
        FileError: the history cannot be read.
    """
    text, _ = _page(history, wanted, _here, served=True)
    return text


def _here(entry: HistoryEntry) -> tuple[str, str]:
    if not entry.file.exists():
        return "", ""
    return f"/report/{entry.record.digest}", f"/log/{entry.record.digest}"
