"""The order of firmware versions: by their numbers where all have some, else by when each was first seen (pure)."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Final

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
