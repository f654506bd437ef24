"""How each response of a unit went from run to run and from firmware to firmware (pure)."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, final

from harness.record.history.firmware import firmware_order
from harness.run.text import NOT_RUN

if TYPE_CHECKING:
    from bench.samples import Window
    from harness.judge.verdict import Bounds, Verdict
    from harness.record.history.store import Entry
    from harness.record.results import FindingRecord

_NO_MARGIN: Final = frozenset({"flag", "state", "count"})
"""Units of signals whose distance from a verdict's edge says nothing."""


@final
@dataclass(frozen=True, slots=True)
class Point:
    """One response in one run.

    Attributes:
        firmware: the unit's firmware then.
        at: when it was run.
        verdict: of the response.
        response_s: the window that holds the response time; None when it did not surely respond.
        limit_s: the latest response time that would have passed; None where no time was bounded, or no run tells it.
        margin: worst and best margin in the signal's unit; None where it has none.
    """

    firmware: str
    at: dt.datetime
    verdict: Verdict
    response_s: Window | None
    limit_s: float | None
    margin: Bounds | None


@final
@dataclass(frozen=True, slots=True)
class Version:
    """All runs of one response with one firmware.

    Attributes:
        firmware: the version.
        counts: how often each verdict was found.
        response_s: between which bounds all response times lay; None when there was none.
        margin: worst and best margin of all; None when there was none.
    """

    firmware: str
    counts: Mapping[str, int]
    response_s: tuple[float, float] | None
    margin: tuple[float, float] | None


@final
@dataclass(frozen=True, slots=True)
class Trend:
    """One response over the runs.

    Attributes:
        profile: its profile's name.
        step: its step's name.
        response: the signal and what is demanded of it, as last demanded.
        unit: the signal's unit; empty where it has none.
        points: in the order of firmware, then of time.
    """

    profile: str
    step: str
    response: str
    unit: str
    points: tuple[Point, ...]

    @property
    def versions(self) -> list[Version]:
        """What was found with each firmware, the oldest first."""
        groups = groupby(self.points, key=lambda point: point.firmware)
        return [_version(firmware, list(points)) for firmware, points in groups]


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
    found: dict[tuple[Any, ...], list[tuple[Entry, FindingRecord]]] = {}
    for entry in entries:
        for finding in entry.record.findings:
            if not finding.why.startswith(NOT_RUN):
                place = entry.record.profile, finding.step is None, finding.step or 0, finding.number
                found.setdefault((*place, finding.identity), []).append((entry, finding))
    return [_trend(key[0], pairs) for key, pairs in sorted(found.items(), key=_place) if len(pairs) > 1]


def _place(item: tuple[tuple[Any, ...], object]) -> tuple[Any, ...]:
    return item[0]


def _trend(profile: str, found: list[tuple[Entry, FindingRecord]]) -> Trend:
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


def _point(entry: Entry, finding: FindingRecord, limit_s: float | None) -> Point:
    margin = None if finding.unit in _NO_MARGIN else finding.margin
    return Point(entry.record.firmware, entry.at, finding.verdict, finding.response_s, limit_s, margin)


def _version(firmware: str, points: list[Point]) -> Version:
    times = [point.response_s for point in points if point.response_s is not None]
    margins = [point.margin for point in points if point.margin is not None]
    return Version(
        firmware,
        Counter(str(point.verdict) for point in points),
        (min(t.earliest_s for t in times), max(t.latest_s for t in times)) if times else None,
        (min(m.low for m in margins), max(m.high for m in margins)) if margins else None,
    )
