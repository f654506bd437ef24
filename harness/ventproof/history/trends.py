"""Over versions (pure)."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

from ventproof.figures.trend_chart import Point, Trend
from ventproof.rejudge.standing import STANDINGS
from ventproof.verdict.text import titled
from ventproof_bench.base.evidence import is_discrete

if TYPE_CHECKING:
    from ventproof.history.store import HistoryEntry
    from ventproof.verdict.finding import Finding


_VERSION: Final = re.compile(
    r"[vV]?(?P<numbers>\d+(?:\.\d+)*)(?:-(?P<before>[0-9A-Za-z.-]+))?(?:\+[0-9A-Za-z.-]+)?"
)

_Key = tuple[list[int], int, list[tuple[int, int, str]]]


def firmware_order(first_seen: Mapping[str, dt.datetime]) -> list[str]:
    """Return firmware versions, the oldest first.

    Numbers between points count as numbers, and what stands behind a hyphen comes before the version that it leads up
    to (Semantic Versioning 2.0.0, item 11): 2.4, 2.10-rc.1, 2.10. Where a single version is written otherwise, no
    order can be read from any, and the day counts on which each was first seen. Runs without a version come first.

    Args:
        first_seen: when each was seen first.
    """
    stated = {name: _key(name) for name in first_seen if name}
    keys = {name: key for name, key in stated.items() if key is not None}
    if len(keys) == len(stated):
        ordered = sorted(keys, key=lambda name: (keys[name], first_seen[name], name))
    else:
        ordered = sorted(stated, key=lambda name: (first_seen[name], name))
    return [name for name in first_seen if not name] + ordered


def _key(name: str) -> _Key | None:
    match = _VERSION.fullmatch(name.strip())
    if match is None:
        return None
    numbers = [int(number) for number in match["numbers"].split(".")]
    while len(numbers) > 1 and numbers[-1] == 0:
        numbers.pop()
    if match["before"] is None:
        return numbers, 1, []
    parts = match["before"].split(".")
    return numbers, 0, [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts]


def verdicts_by_version(entries: Iterable[HistoryEntry]) -> dict[tuple[str, str], list[tuple[str, str]]]:
    """Return by unit and profile the worst verdict of every firmware version that ran it, the oldest version first.

    Args:
        entries: runs; their findings are not looked at.
    """
    first_seen: dict[str, dt.datetime] = {}
    worst: dict[tuple[str, str], dict[str, str]] = {}
    for entry in sorted(entries, key=lambda entry: entry.at):
        record = entry.record
        first_seen.setdefault(record.firmware, entry.at)
        its = worst.setdefault((record.unit, titled(record.profile, record.decision)), {})
        its[record.firmware] = min(
            its.get(record.firmware, record.verdict), record.verdict, key=STANDINGS.index
        )
    order = firmware_order(first_seen)
    return {
        place: [(version, its[version]) for version in order if version in its]
        for place, its in worst.items()
    }


def trends_of(entries: Iterable[HistoryEntry]) -> list[Trend]:
    """Return how each response went that was decided in at least two runs; profiles by name, steps in their order.

    Args:
        entries: runs of one unit, with their findings.
    """
    entries = sorted(entries, key=lambda entry: entry.at)
    first_seen: dict[str, dt.datetime] = {}
    for entry in entries:
        first_seen.setdefault(entry.record.firmware, entry.at)
    rank = {name: place for place, name in enumerate(firmware_order(first_seen))}
    entries.sort(key=lambda entry: rank[entry.record.firmware])
    found: dict[tuple[Any, ...], list[tuple[HistoryEntry, Finding]]] = {}
    for entry in entries:
        for finding in entry.record.findings:
            if not finding.skipped:
                place = entry.record.profile, finding.step is None, finding.step or 0, finding.number
                found.setdefault((*place, finding.identity), []).append((entry, finding))
    return [_trend(key[0], pairs) for key, pairs in sorted(found.items(), key=_place) if len(pairs) > 1]


def _place(item: tuple[tuple[Any, ...], object]) -> tuple[Any, ...]:
    return item[0]


def _trend(profile: str, found: list[tuple[HistoryEntry, Finding]]) -> Trend:
    _, finding = found[-1]
    limits_s = {
        f.demand: f.response_s.latest_s + f.slack_s.low for _, f in found if f.response_s and f.slack_s
    }
    points = [_point(entry, f, limits_s.get(f.demand)) for entry, f in found]
    unit = (
        ""
        if is_discrete(finding.unit)
        else f"{finding.unit}/s"
        if finding.kind == "moves_at"
        else finding.unit
    )
    return Trend(profile, finding.step_name, f"{finding.signal} {finding.demand}", unit, tuple(points))


def _point(entry: HistoryEntry, finding: Finding, limit_s: float | None) -> Point:
    margin = None if is_discrete(finding.unit) else finding.margin
    return Point(entry.record.firmware, entry.at, finding.verdict, finding.response_s, limit_s, margin)
