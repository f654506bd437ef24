"""Outlines with no more corners than can be seen (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.judge.spans import INF

OFF_PX: Final = 0.2
"""How far a dropped corner may stand off the line that is drawn instead of it; less than anybody sees.

Whoever draws bounds moves them outward by as much, so that they still hold what they held.
"""


def outline(corners: Sequence[tuple[float, float]], off_px: float = OFF_PX) -> list[tuple[float, float]]:
    """Return the corners that a line needs which passes every one of them within `off_px`, measured upright.

    From the last corner kept, a line may go on as long as some slope passes all corners since; the last of these is
    kept next. Ends and jumps are kept. Takes time in proportion to the corners.

    Args:
        corners: from left to right; two of the same x make a jump.
        off_px: how far off is allowed.
    """
    if not corners:
        return []
    kept = [corners[0]]
    x0, y0 = corners[0]
    last = corners[0]
    least, most = -INF, INF
    for corner in corners[1:]:
        x, y = corner
        along = x - x0
        if along > 0:
            slope, room = (y - y0) / along, off_px / along
            if least <= slope <= most:
                least, most, last = max(least, slope - room), min(most, slope + room), corner
                continue
        if last is not kept[-1]:
            kept.append(last)
        x0, y0 = last
        along = x - x0
        if along > 0:
            slope, room = (y - y0) / along, off_px / along
            least, most = slope - room, slope + room
        else:
            kept.append(corner)
            x0, y0 = corner
            least, most = -INF, INF
        last = corner
    if last is not kept[-1]:
        kept.append(last)
    return kept
