"""How each response of a unit went from run to run and from firmware to firmware (pure)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from harness.record.history.chart import Point, Trend
from harness.record.history.firmware import firmware_order

if TYPE_CHECKING:
    from harness.judge.verdict import Finding
    from harness.record.history.store import Entry

_NO_MARGIN: Final = frozenset({"flag", "state", "count"})
"""Units of signals whose distance from a verdict's edge says nothing."""


def trends_of(entries: Iterable[Entry]) -> list[Trend]:
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
    found: dict[tuple[Any, ...], list[tuple[Entry, Finding]]] = {}
    for entry in entries:
        for finding in entry.record.findings:
            if not finding.skipped:
                place = entry.record.profile, finding.step is None, finding.step or 0, finding.number
                found.setdefault((*place, finding.identity), []).append((entry, finding))
    return [_trend(key[0], pairs) for key, pairs in sorted(found.items(), key=_place) if len(pairs) > 1]


def _place(item: tuple[tuple[Any, ...], object]) -> tuple[Any, ...]:
    return item[0]


def _trend(profile: str, found: list[tuple[Entry, Finding]]) -> Trend:
    _, finding = found[-1]
    limits_s = {
        f.demand: f.response_s.latest_s + f.slack_s.low for _, f in found if f.response_s and f.slack_s
    }
    points = [_point(entry, f, limits_s.get(f.demand)) for entry, f in found]
    unit = (
        ""
        if finding.unit in _NO_MARGIN
        else f"{finding.unit}/s"
        if finding.kind == "moves_at"
        else finding.unit
    )
    return Trend(profile, finding.step_name, f"{finding.signal} {finding.demand}", unit, tuple(points))


def _point(entry: Entry, finding: Finding, limit_s: float | None) -> Point:
    margin = None if finding.unit in _NO_MARGIN else finding.margin
    return Point(entry.record.firmware, entry.at, finding.verdict, finding.response_s, limit_s, margin)
