"""The mass curve of a hyetograph: depth against time and back, without stepping through time (pure, exact)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from fractions import Fraction
from itertools import accumulate
from typing import TYPE_CHECKING, final

from harness.weather.exact import root
from harness.weather.hyetograph import SECONDS_PER_HOUR, Hyetograph, Piece

if TYPE_CHECKING:
    from collections.abc import Iterable


@final
class MassCurve:
    """How much has fallen by when.

    Attributes:
        depth_mm: all the rain of the hyetograph.
        duration_s: how long the hyetograph lasts.
    """

    __slots__ = ("_depths_mm", "_pieces", "_times_s", "depth_mm", "duration_s")

    def __init__(self, rain: Hyetograph) -> None:
        self._pieces = rain.pieces
        self._times_s = _borders(p.duration_s for p in rain.pieces)
        self._depths_mm = _borders(p.depth_mm for p in rain.pieces)
        self.duration_s = self._times_s[-1]
        self.depth_mm = self._depths_mm[-1]

    def depth_mm_by(self, at_s: Fraction) -> Fraction:
        """Return the depth that has fallen by an instant; nothing falls before 0 s or after the end."""
        if at_s <= 0:
            return Fraction()
        if at_s >= self.duration_s:
            return self.depth_mm
        at = bisect_right(self._times_s, at_s) - 1
        return self._depths_mm[at] + self._pieces[at].depth_mm_by(at_s - self._times_s[at])

    def instant_s_of(self, depth_mm: Fraction) -> Fraction:
        """Return the first instant by which `depth_mm` has fallen.

        The result is exact for constant intensity, and wherever the root is a fraction; otherwise it is right to
        one part in 2^90, far inside the last place of a float.

        Raises:
            ValueError: less than that falls altogether.
        """
        if not 0 <= depth_mm <= self.depth_mm:
            raise ValueError(
                f"depth_mm={float(depth_mm):.6g} must be 0 to the {float(self.depth_mm):.6g} mm that fall"
            )
        if depth_mm == 0:
            return Fraction()
        # The piece that leads up to the depth, which is wet; dry ones of the same depth may follow it.
        at = bisect_left(self._depths_mm, depth_mm) - 1
        return self._times_s[at] + _span_s(self._pieces[at], depth_mm - self._depths_mm[at])


def _borders(spans: Iterable[Fraction]) -> list[Fraction]:
    return list(accumulate(spans, initial=Fraction()))


def _span_s(piece: Piece, depth_mm: Fraction) -> Fraction:
    """Return the time into a wet piece by which `depth_mm` has fallen.

    With intensity i + m t the depth is i t + m t²/2, so t = 2 D / (i + sqrt(i² + 2 m D)): this form of the
    root has no difference in it, and so keeps its precision where m is small or the rain dies away.
    """
    begins = piece.begins_mm_per_h / SECONDS_PER_HOUR
    rise = (piece.ends_mm_per_h - piece.begins_mm_per_h) / (SECONDS_PER_HOUR * piece.duration_s)
    if rise == 0:
        return depth_mm / begins
    now = root(begins * begins + 2 * rise * depth_mm)
    # The root is rounded: the instant must stay in its piece.
    return min(2 * depth_mm / (begins + now), piece.duration_s)
