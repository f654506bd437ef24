"""Responses that changed, by their cause, as templates take them: each with its versions, a few drawn (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from ventproof.figures.trend_chart import trend_chart
from ventproof.history.markup import NOT_STATED
from ventproof.verdict.text import span_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof.figures.trend_chart import Trend, Version


_CHARTS: Final = 3
"""So many responses that changed for the same cause are drawn; the others are named."""

_OTHER_CAUSE: Final = "Passed, with other response times or margins"


def changes_texts(trends: Iterable[Trend], prefix: str) -> list[dict[str, Any]]:
    """Return responses by their cause: what the newest version fails most often first, then the most frequent.

    Args:
        trends: the responses.
        prefix: begins every id on the page.
    """
    groups: dict[str, list[Trend]] = {}
    for trend in trends:
        groups.setdefault(trend.cause or _OTHER_CAUSE, []).append(trend)
    for those in groups.values():
        those.sort(key=_failing, reverse=True)
    ordered = sorted(groups.items(), key=lambda item: (-_failing(item[1][0]), -len(item[1])))
    return [
        {
            "cause": cause,
            "profiles": len({trend.profile for trend in those}),
            "trends": [
                _trend_texts(trend, f"{prefix}-c{number}-{place}")
                for place, trend in enumerate(those[:_CHARTS])
            ],
            "others": [f"{trend.profile}: {trend.step}: {trend.response}" for trend in those[_CHARTS:]],
        }
        for number, (cause, those) in enumerate(ordered)
    ]


def _failing(trend: Trend) -> float:
    """Return which share of its runs with the newest version did not pass."""
    newest = trend.versions[-1].counts
    return 1 - newest.get("pass", 0) / sum(newest.values())


def _trend_texts(trend: Trend, ident: str) -> dict[str, Any]:
    return {
        "profile": trend.profile,
        "step": trend.step,
        "response": trend.response,
        "unit": trend.unit if any(point.margin for point in trend.points) else "",
        "timed": any(point.response_s for point in trend.points),
        "svg": trend_chart(trend, ident),
        "versions": [_version_texts(version) for version in trend.versions],
    }


def _version_texts(found: Version) -> dict[str, str]:
    return {
        "firmware": found.firmware or NOT_STATED,
        "verdicts": ", ".join(f"{number} {verdict}" for verdict, number in found.counts.items()),
        "response": span_text(found.response_s, "", decimals=2),
        "margin": span_text(found.margin, "", decimals=2),
    }
