"""The history as one HTML page that needs nothing beside it: find a unit, open its report, see trends."""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Callable, Iterable, Sequence
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from bench.errors import FileError, Problem
from harness.record.history.chart import trend_chart
from harness.record.history.reports import TITLE, Reports
from harness.record.history.trends import trends_of
from harness.record.outputs.clean import clean
from harness.record.results import trouble
from harness.record.whole import whole_file
from harness.run.text import span_text

if TYPE_CHECKING:
    from harness.record.history.chart import Trend, Version
    from harness.record.history.store import Entry, History
    from harness.record.history.wanted import Wanted

_TEMPLATES: Final = Path(__file__).parent / "templates"
_WORST_FIRST: Final = ("fail", "aborted", "inconclusive", "pass")
_ENDINGS: Final = (".html", ".htm")
"""A page never takes the place of a log or of the history itself."""

_NOT_STATED: Final = "not stated"

Links = Callable[["Entry"], tuple[str, str]]
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
    text = page_of(entries, left=left, links=lambda entry: _beside(path, entry, reports))
    with whole_file(path) as file:
        file.write(text.encode())
    return len(entries)


def page_of(entries: Sequence[Entry], *, left: int, links: Links, served: bool = False) -> str:
    """Return the page.

    Args:
        entries: the runs, the newest first, with their findings.
        left: how many older runs there are beside them.
        links: where the page leads.
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
        units=[_unit(number, name, group, links) for number, (name, group) in enumerate(_by_unit(entries))],
    )


def policy_for(script: str) -> str:
    """Return the content security policy of a page with one script of ours: nothing else runs, nothing is loaded."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'"
    )


def _by_unit(entries: Iterable[Entry]) -> list[tuple[str, list[Entry]]]:
    """Return the runs of each unit; the unit that was tested last comes first."""
    units: dict[str, list[Entry]] = {}
    for entry in entries:
        units.setdefault(entry.record.unit, []).append(entry)
    return list(units.items())


def _unit(number: int, name: str, entries: Sequence[Entry], links: Links) -> dict[str, Any]:
    verdict, extent = _standing(entries)
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


def _standing(entries: Sequence[Entry]) -> tuple[str, str]:
    """Return how a unit stands with the firmware that was run last, and what that is said of."""
    firmware = entries[0].record.firmware
    profiles = {entry.record.profile for entry in entries}
    runs = [entry.record for entry in entries if entry.record.firmware == firmware]
    newest = {record.profile: record for record in reversed(runs)}
    earlier = sum(record.verdict != "pass" and record is not newest[record.profile] for record in runs)
    verdicts = [record.verdict for record in newest.values()]
    worst = min(verdicts, key=_WORST_FIRST.index)
    said = []
    if worst != "pass":
        said.append(f"{verdicts.count(worst)} of {len(newest)} profiles")
    if len(newest) < len(profiles):
        said.append(f"{len(profiles) - len(newest)} not run with this firmware")
    if earlier:
        said.append(f"{earlier} earlier run{'s' * (earlier > 1)} with it did not pass")
    if any(record.clock == "virtual" for record in newest.values()):
        said.append("on the mock, in virtual time")
    return worst, ", ".join(said)


def _row(entry: Entry, links: Links) -> dict[str, Any]:
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


def _beside(page: Path, entry: Entry, reports: Reports) -> tuple[str, str]:
    """Return links from a page on the disk to a report that lies beside a run's log, and to the log."""
    log, report = entry.file, reports.of(entry.record.digest, entry.file)
    return (_link(page, report) if report else "", _link(page, log) if log.exists() else "")


def _link(page: Path, target: Path) -> str:
    return quote(os.path.relpath(target.resolve(), page.resolve().parent).replace(os.sep, "/"))
