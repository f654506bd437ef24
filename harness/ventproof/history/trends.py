"""Over versions (pure)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from statistics import median
from typing import TYPE_CHECKING, Any, Final

from ventproof.figures.trend_chart import Point, Trend
from ventproof.log.run import ABORTED
from ventproof.rejudge.standing import STANDINGS
from ventproof.verdict.brief import brief
from ventproof.verdict.finding import Verdict
from ventproof.verdict.naming import firmware_order
from ventproof.verdict.text import titled
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from ventproof.history.store import HistoryEntry
    from ventproof.log.run import RunRecord
    from ventproof.verdict.finding import Finding


_LEAST_S: Final = 0.1
_LEAST_MARGIN: Final = 0.01
"""Closer than this times and margins are the same, as `ventproof.compare.measures` takes them."""


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


def trends_of(runs: Iterable[RunRecord]) -> list[Trend]:
    """Return how each response went that was decided in at least two runs; profiles by name, steps in their order.

    Args:
        runs: of one unit, with their findings, in the order of firmware, then of time.
    """
    found: dict[tuple[Any, ...], list[tuple[str, Finding]]] = {}
    for run in runs:
        for finding in run.findings:
            # The end of an aborted run decides nothing of what was still open, and says nothing of the unit.
            open_still = run.verdict == ABORTED and finding.verdict is Verdict.INCONCLUSIVE
            if not finding.skipped and not open_still:
                place = run.profile, finding.step is None, finding.step or 0, finding.number
                found.setdefault((*place, finding.identity), []).append((run.firmware, finding))
    return [trend_of(key[0], pairs) for key, pairs in sorted(found.items(), key=_place) if len(pairs) > 1]


def in_order(dated: Iterable[tuple[dt.datetime, RunRecord]]) -> list[RunRecord]:
    """Return runs in the order of their firmware, then of time."""
    by_time = sorted(dated, key=lambda pair: pair[0])
    first_seen: dict[str, dt.datetime] = {}
    for at, run in by_time:
        first_seen.setdefault(run.firmware, at)
    rank = {name: place for place, name in enumerate(firmware_order(first_seen))}
    return sorted((run for _, run in by_time), key=lambda run: rank[run.firmware])


def changed(trend: Trend) -> bool:
    """Return whether a response changed: its verdict, or its times or margins with two versions lie apart.

    Apart means further than one reading's window, and than the jitter of polling. It is the evidence alone, and no
    statement about chance: `ventproof.compare.trend` makes one.
    """
    if verdict_changed(trend):
        return True
    times = [(p.response_s.earliest_s, p.response_s.latest_s) for p in trend.points if p.response_s]
    margins = [(p.margin.low, p.margin.high) for p in trend.points if p.margin]
    return _apart(times, [v.response_s for v in trend.versions], _LEAST_S) or _apart(
        margins, [v.margin for v in trend.versions], _LEAST_MARGIN
    )


def verdict_changed(trend: Trend) -> bool:
    """Return whether a response did not always end the same."""
    return len({point.verdict for point in trend.points}) > 1


def _apart(
    windows: Sequence[tuple[float, float]], spans: Sequence[tuple[float, float] | None], least: float
) -> bool:
    known = [span for span in spans if span is not None]
    if len(known) < 2:  # noqa: PLR2004 - with one version there is nothing to lie apart from
        return False
    usual = median(high - low for low, high in windows)
    return max(low for low, _ in known) - min(high for _, high in known) > max(usual, least)


def _place(item: tuple[tuple[Any, ...], object]) -> tuple[Any, ...]:
    return item[0]


def trend_of(profile: str, found: Sequence[tuple[str, Finding]]) -> Trend:
    """Return how one response of a profile went, from what each run found of it, with the run's firmware."""
    _, finding = found[-1]
    limits_s = {
        f.demand: f.response_s.latest_s + f.slack_s.low for _, f in found if f.response_s and f.slack_s
    }
    points = [_point(firmware, f, limits_s.get(f.demand)) for firmware, f in found]
    unit = (
        ""
        if is_discrete(finding.unit)
        else f"{finding.unit}/s"
        if finding.kind == "moves_at"
        else finding.unit
    )
    cause = next((brief(f) for _, f in reversed(found) if f.explained), "")
    return Trend(profile, finding.step_name, f"{finding.signal} {finding.demand}", unit, tuple(points), cause)


def _point(firmware: str, finding: Finding, limit_s: float | None) -> Point:
    margin = None if is_discrete(finding.unit) else finding.margin
    return Point(firmware, finding.verdict, finding.response_s, limit_s, margin)
