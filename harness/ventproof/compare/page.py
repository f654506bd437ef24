"""A comparison as one HTML file that needs nothing else."""

from __future__ import annotations

import math
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ventproof.compare.causes import cause_of_outcome, flip_groups, shift_groups
from ventproof.compare.comparison import STANDING, closing, counted, side_facts, title_of
from ventproof.compare.words import basis, meaning, measure, response, sentence, size, values
from ventproof.history.dashboard import tally_of
from ventproof.history.markup import board_texts, filled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from ventproof.compare.causes import ShiftGroup
    from ventproof.compare.comparison import Comparison
    from ventproof.compare.flips import Flip
    from ventproof.compare.measures import Compared


TEMPLATES: Final = Path(__file__).parent / "templates"
STYLE: Final = TEMPLATES / "changes.css"
_HALF: Final = 95.0
"""Half of the width of a picture that is drawn in: what lies farthest from no difference ends there."""

_LEAST_P: Final = 1e-4
"""Smaller probabilities are all the same to a reader."""

_OPEN: Final = 3
"""So many groups are open when the page is."""

SHOWN: Final = 3
"""So many changes of a group are shown at once; more are one click away."""


class _Places:
    """Names for the first row of each profile, which the dashboard leads to."""

    def __init__(self) -> None:
        self._names: dict[str, str] = {}

    def first(self, profile: str) -> str:
        """Return a name for a row where the profile has none yet, else nothing."""
        if profile in self._names:
            return ""
        return self._names.setdefault(profile, f"p{len(self._names)}")

    def link(self, profile: str) -> str:
        """Return what leads to the profile's first row; empty where it has none."""
        return f"#{self._names[profile]}" if profile in self._names else ""


def html_of(found: Comparison) -> str:
    """Return a comparison as an HTML page: no script, nothing loaded, for light and dark screens and for paper."""
    places = _Places()
    changed = [one for one in found.shifts if one.meaning != "same"]
    flips = flips_texts(found.flips, places.first)
    lone = [
        {**asdict(one), "response": one.response, "ident": places.first(one.profile)}
        for one in sorted(found.lone, key=lambda one: not one.open)
    ]
    shifts = groups_texts(shift_groups(changed), found.confidence, places.first, opened=not flips)
    return filled(
        TEMPLATES / "compare.html.j2",
        STYLE,
        kind="Two firmware versions compared",
        title=title_of(found),
        outcome=found.outcome,
        standing=STANDING[found.outcome],
        closing=closing(found),
        cause=cause_of_outcome(found),
        alarms=found.notes,
        sides=[
            (role, side_facts(side)) for role, side in (("Base", found.base), ("Candidate", found.candidate))
        ],
        counted=counted(found),
        board=_board(found, places),
        flips=flips,
        lone=lone,
        shifts=shifts,
        shown=SHOWN,
        same=[row_texts(one, found.confidence) for one in found.shifts if one.meaning == "same"],
        version=version("ventproof"),
    )


def flips_texts(flips: Iterable[Flip], first: Callable[[str], str]) -> list[dict[str, Any]]:
    """Return changed verdicts as their template takes them, by their cause; the first few causes are open.

    Args:
        flips: the changes.
        first: gives a row of a profile its name on the page; empty where it needs none.
    """
    return [
        {
            "turn": group.turn,
            "cause": group.cause,
            "count": group.count,
            "open": number < _OPEN and not group.not_run,
            "rows": [_flip_texts(flip) | {"ident": first(flip.profile)} for flip in group.flips],
        }
        for number, group in enumerate(flip_groups(flips))
    ]


def _flip_texts(flip: Flip) -> dict[str, Any]:
    """Return one changed verdict as its template takes it: what was observed on either side."""
    return {
        "profile": flip.profile,
        "response": flip.response or "the whole run",
        "sides": [asdict(side) for side in (flip.base, flip.candidate)],
    }


def _board(found: Comparison, places: _Places) -> Mapping[str, Any] | None:
    """Return the profiles of both sides; nothing where both state the same firmware, and a column would mix them."""
    roles = {
        firmware: role
        for role, side in (("base", found.base), ("candidate", found.candidate))
        for firmware in dict.fromkeys(run.firmware for run in side.runs)
    }
    if set(found.base.told("firmware")) & set(found.candidate.told("firmware")):
        return None
    tally = tally_of([*found.base.runs, *found.candidate.runs])
    return board_texts(
        tally.dashboard().in_columns(list(roles)),
        lambda profile, firmware: places.link(profile) if roles[firmware] == "candidate" else "",
        units=len({*found.base.told("unit"), *found.candidate.told("unit")}) > 1,
        roles=roles,
    )


def groups_texts(
    groups: Iterable[ShiftGroup],
    confidence: float,
    first: Callable[[str], str],
    *,
    opened: bool,
) -> list[dict[str, Any]]:
    """Return groups of differences as their template takes them.

    Args:
        groups: the groups.
        confidence: of every interval.
        first: gives a row of a profile its name on the page; empty where it needs none.
        opened: whether the first few are open when the page is.
    """
    return [
        {
            "meaning": group.meaning,
            "cause": group.headline,
            "count": group.count,
            "open": opened and group.meaning != "open" and number < _OPEN,
            "chart": "",
            "rows": [row_texts(one, confidence) | {"ident": first(one.key.profile)} for one in group.shifts],
        }
        for number, group in enumerate(groups)
    ]


def row_texts(compared: Compared, confidence: float) -> dict[str, Any]:
    """Return one difference as its template takes it: in words, and the ends of its bar."""
    said = compared.shift
    ends = [value for value in (*said.interval, said.limit) if math.isfinite(value)]
    scale = _HALF / (max(map(abs, ends)) or 1.0)
    low, middle, high = (
        round(max(-_HALF, min(_HALF, value * scale)), 1)
        for value in (said.interval.low, said.estimate, said.interval.high)
    )
    return {
        "profile": compared.key.profile,
        "response": response(compared),
        "measure": measure(compared),
        "values": [_tied(value, compared.unit) for value in values(compared)],
        "size": _tied(size(compared), compared.unit),
        "basis": basis(compared, confidence),
        "open": meaning(compared, confidence) if compared.meaning == "open" else "",
        "said": sentence(compared, confidence),
        "limit": round(min(_HALF, said.limit * scale), 1),
        "low": low,
        "middle": middle,
        "high": high,
        "runs": f"{said.runs[0]} | {said.runs[1]}",
        "effect": f"{said.effect:+.2f}",
        "p": _probability(compared.adjusted),
    }


def _tied(value: str, unit: str) -> str:
    """Return a value that is not parted from its unit at the end of a line."""
    return value.replace(f" {unit}", f"\xa0{unit}")


def _probability(p: float | None) -> str:
    if p is None:
        return "–"
    return f"{p:.2g}" if p >= _LEAST_P else f"< {_LEAST_P:g}"
