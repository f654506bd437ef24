"""A trend over firmware versions as one HTML file that needs nothing else."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Final

from ventproof.compare.comparison import STANDING
from ventproof.compare.page import SHOWN, STYLE, TEMPLATES, flips_texts, groups_texts
from ventproof.compare.side import complete, responses
from ventproof.compare.trend import (
    by_version,
    cause_of_newest,
    conclusion,
    counted_changes,
    newest_two,
    span_of,
    standing_of_newest,
    verdicts_heading,
)
from ventproof.figures.trend_chart import trend_chart
from ventproof.history.changes import changes_texts
from ventproof.history.dashboard import tally_of
from ventproof.history.markup import NOT_STATED, board_texts, filled
from ventproof.history.trends import trend_of, trends_of, verdict_changed

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from ventproof.compare.causes import ShiftGroup
    from ventproof.compare.side import Key
    from ventproof.compare.trend import FirmwareTrend


_CHARTS: Final = 3
"""So many groups of a version have a chart, each of its greatest difference."""


def html_of_trend(found: FirmwareTrend) -> str:
    """Return a trend as an HTML page: no script, nothing loaded, for light and dark screens and for paper."""
    runs = [run for those in found.versions.values() for run in those]
    places: dict[tuple[str, str], str] = {}
    flips = flips_texts(found.flips, _first_of(found.newest or NOT_STATED, places))
    changes = by_version(found, inconclusive=True)
    versions = [
        {
            "ident": f"v{number}",
            "firmware": firmware,
            "groups": _groups(found, f"v{number}", firmware, groups, places),
        }
        for number, (firmware, groups) in enumerate(changes)
    ]
    board = tally_of(runs).dashboard()
    heading = verdicts_heading(found) if found.flips else ""
    stands = standing_of_newest(found)
    return filled(
        TEMPLATES / "trend.html.j2",
        STYLE,
        kind="Firmware versions in their order",
        title=span_of(list(found.versions)),
        outcome=stands,
        standing=STANDING[stands],
        closing=conclusion(found),
        cause=cause_of_newest(found),
        alarms=found.notes,
        flips=flips,
        heading=f"{heading[:1].upper()}{heading[1:]}",
        sides=[f"Firmware {name}" for name in newest_two(found)] if found.flips else (),
        shown=SHOWN,
        board=board_texts(
            board,
            lambda profile, firmware: _link(places, profile, firmware),
            units=len({run.unit for run in runs}) > 1,
        ),
        verdicts=changes_texts(filter(verdict_changed, trends_of(runs)), "verdicts"),
        versions=versions,
        counted=counted_changes(found),
        version=version("ventproof"),
    )


def _link(places: Mapping[tuple[str, str], str], profile: str, firmware: str) -> str:
    place = profile, firmware or NOT_STATED
    return f"#{places[place]}" if place in places else ""


def _first_of(firmware: str, places: dict[tuple[str, str], str]) -> Callable[[str], str]:
    """Return what gives the first row of a profile with a version its name on the page."""

    def first(profile: str) -> str:
        place = profile, firmware
        return "" if place in places else places.setdefault(place, f"c{len(places)}")

    return first


def _groups(
    found: FirmwareTrend,
    prefix: str,
    firmware: str,
    groups: Sequence[ShiftGroup],
    places: dict[tuple[str, str], str],
) -> list[dict[str, Any]]:
    """Return the groups of one version as their template takes them, the first few with a chart of their greatest."""
    texts = groups_texts(groups, found.confidence, _first_of(firmware, places), opened=True)
    known = [(group, made) for group, made in zip(groups, texts, strict=True) if group.meaning != "open"]
    for place, (group, made) in enumerate(known[:_CHARTS]):
        made["chart"] = _chart(found, group.shifts[0].key, f"{prefix}-{place}")
    return texts


def _chart(found: FirmwareTrend, key: Key, ident: str) -> str:
    """Return one response over all runs."""
    course = [
        (name, finding)
        for name, runs in found.versions.items()
        for finding in responses(run for run in complete(runs) if run.profile == key.profile).get(key, ())
        if not finding.skipped
    ]
    return trend_chart(trend_of(key.profile, course), ident)
