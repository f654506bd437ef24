"""Page, reports."""

from __future__ import annotations

import base64
import hashlib
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, final
from urllib.parse import quote

from ventproof.figures.trend_chart import trend_chart
from ventproof.history.trends import trends_of
from ventproof.log.run import trouble
from ventproof.verdict.text import span_text
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import whole_file
from ventproof_bench.base.text import clean

if TYPE_CHECKING:
    from ventproof.figures.trend_chart import Trend, Version
    from ventproof.history.store import History, HistoryEntry, Wanted
    from ventproof.log.run import RunRecord


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


_TEMPLATES: Final = Path(__file__).parent / "templates"
_WORST_FIRST: Final = ("fail", "aborted", "inconclusive", "pass")
_ENDINGS: Final = (".html", ".htm")
"""A page never takes the place of a log or of the history itself."""

_NOT_STATED: Final = "not stated"

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
    entries = list(history.entries(wanted))
    left, reports = history.count(wanted) - len(entries), Reports()
    gaps = history.gaps(entry.record for entry in entries)
    text = page_of(entries, left=left, gaps=gaps, links=lambda entry: _beside(path, entry, reports))
    with whole_file(path) as file:
        file.write(text.encode())
    return len(entries)


def page_of(
    entries: Sequence[HistoryEntry],
    *,
    left: int,
    links: Links,
    gaps: Mapping[str, str] | None = None,
    served: bool = False,
) -> str:
    """Return the page.

    Args:
        entries: the runs, the newest first, with their findings.
        left: how many older runs there are beside them.
        links: where the page leads.
        gaps: what is not here of their plans, by the plan's digest; None: nothing.
        served: whether reports are made on demand.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 - only pages need it

    pages = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda value: clean(value) if type(value) is str else value,
    )
    script = (_TEMPLATES / "history.js").read_text(encoding="utf-8")
    return pages.get_template("history.html.j2").render(
        css=(_TEMPLATES / "history.css").read_text(encoding="utf-8"),
        script=script,
        policy=policy_for(script),
        title=TITLE,
        maker=f"ventproof {version('ventproof')}",
        runs=len(entries),
        left=left,
        served=served,
        units=[
            _unit(number, name, group, links, gaps or {})
            for number, (name, group) in enumerate(_by_unit(entries))
        ],
    )


def policy_for(script: str) -> str:
    """Return the content security policy of a page with one script of ours: nothing else runs, nothing is loaded."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'"
    )


def _by_unit(entries: Iterable[HistoryEntry]) -> list[tuple[str, list[HistoryEntry]]]:
    """Return the runs of each unit; the unit that was tested last comes first."""
    units: dict[str, list[HistoryEntry]] = {}
    for entry in entries:
        units.setdefault(entry.record.unit, []).append(entry)
    return list(units.items())


def _unit(
    number: int, name: str, entries: Sequence[HistoryEntry], links: Links, gaps: Mapping[str, str]
) -> dict[str, Any]:
    verdict, extent = _standing(entries, gaps)
    trends = enumerate(trends_of(entries))
    return {
        "ident": f"unit-{number}",
        "name": name or _NOT_STATED,
        "firmware": entries[0].record.firmware or _NOT_STATED,
        "verdict": verdict,
        "extent": extent,
        "rows": [_row(entry, links) for entry in entries],
        "profiles": [
            {"name": profile, "trends": [_trend(trend, f"u{number}-t{place}") for place, trend in group]}
            for profile, group in groupby(trends, key=lambda item: item[1].profile)
        ],
    }


def _together(one: RunRecord, other: RunRecord) -> bool:
    """Return whether two runs are the same, or of one set."""
    if one.place is None or other.place is None:
        return one is other
    return one.place.plan.sha256 == other.place.plan.sha256


def _standing(entries: Sequence[HistoryEntry], gaps: Mapping[str, str]) -> tuple[str, str]:
    """Return how a unit stands with the firmware that was run last, and what that is said of.

    Where planned runs are not here that is said first, and it is no pass.
    """
    firmware = entries[0].record.firmware
    profiles = {entry.record.profile for entry in entries}
    runs = [entry.record for entry in entries if entry.record.firmware == firmware]
    newest = {record.profile: record for record in reversed(runs)}
    # Repeats of one command stand together: the last of them alone says less than all.
    latest = [record for record in runs if _together(record, newest[record.profile])]
    earlier = sum(record.verdict != "pass" for record in runs) - sum(r.verdict != "pass" for r in latest)
    verdicts = [record.verdict for record in latest]
    worst = min(verdicts, key=_WORST_FIRST.index)
    plans = dict.fromkeys(record.place.plan.sha256 for record in newest.values() if record.place)
    said = [gaps[sha256] for sha256 in plans if sha256 in gaps]
    whole = not said
    if worst != "pass":
        said.append(f"{verdicts.count(worst)} of {len(latest)} runs")
    if len(newest) < len(profiles):
        said.append(f"{len(profiles) - len(newest)} not run with this firmware")
    if earlier:
        said.append(f"{earlier} earlier run{'s' * (earlier > 1)} with it did not pass")
    if any(record.clock == "virtual" for record in newest.values()):
        said.append("on the mock, in virtual time")
    return worst if whole or worst != "pass" else "incomplete", ", ".join(said)


def _row(entry: HistoryEntry, links: Links) -> dict[str, Any]:
    record = entry.record
    report, log = links(entry)
    row = {
        "when": f"{entry.at:%Y-%m-%d %H:%M}",
        "firmware": record.firmware or _NOT_STATED,
        "profile": record.profile,
        "verdict": record.verdict,
    }
    words = " ".join([record.unit or _NOT_STATED, *row.values(), record.operator, record.digest])
    return row | {"words": words.lower(), "report": report, "log": log, "trouble": trouble(record)}


def _trend(trend: Trend, ident: str) -> dict[str, Any]:
    return {
        "step": trend.step,
        "response": trend.response,
        "unit": trend.unit,
        "svg": trend_chart(trend, ident),
        "versions": [_version(version) for version in trend.versions],
    }


def _version(found: Version) -> dict[str, str]:
    return {
        "firmware": found.firmware or _NOT_STATED,
        "verdicts": ", ".join(f"{number} {verdict}" for verdict, number in found.counts.items()),
        "response": span_text(found.response_s, "", decimals=2),
        "margin": span_text(found.margin, "", decimals=2),
    }


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
    entries = list(history.entries(wanted))
    gaps = history.gaps(entry.record for entry in entries)
    return page_of(entries, left=history.count(wanted) - len(entries), links=_here, gaps=gaps, served=True)


def _here(entry: HistoryEntry) -> tuple[str, str]:
    if not entry.file.exists():
        return "", ""
    return f"/report/{entry.record.digest}", f"/log/{entry.record.digest}"
