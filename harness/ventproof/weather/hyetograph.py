"""Intensity and mass curve."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.weather.exact import Number, exact, more_than_zero, not_negative, root, shown
from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


Shape = Literal["steps", "linear"]
"""How intensity runs between two points: it keeps the first one's value, or changes evenly to the second's."""

SECONDS_PER_HOUR: Final = 3600


@final
@dataclass(frozen=True, slots=True)
class RainPiece:
    """A span over which intensity changes evenly; equal ends make it constant.

    Attributes:
        duration_s: how long it lasts, more than 0 s.
        begins_mm_per_h: intensity at its beginning, 0 or more.
        ends_mm_per_h: intensity at its end, 0 or more.
    """

    duration_s: Fraction
    begins_mm_per_h: Fraction
    ends_mm_per_h: Fraction

    def __post_init__(self) -> None:
        more_than_zero("duration_s", self.duration_s)
        not_negative("mm_per_h", self.begins_mm_per_h)
        not_negative("mm_per_h", self.ends_mm_per_h)

    @property
    def depth_mm(self) -> Fraction:
        """The rain that falls during the piece."""
        return self.depth_mm_by(self.duration_s)

    def mm_per_h_at(self, after_s: Fraction) -> Fraction:
        """Return the intensity `after_s` seconds into the piece."""
        rise = self.ends_mm_per_h - self.begins_mm_per_h
        return self.begins_mm_per_h + rise * after_s / self.duration_s

    def depth_mm_by(self, after_s: Fraction) -> Fraction:
        """Return the rain of the first `after_s` seconds of the piece: the trapezoid below its intensity."""
        return (self.begins_mm_per_h + self.mm_per_h_at(after_s)) * after_s / (2 * SECONDS_PER_HOUR)


@final
@dataclass(frozen=True, slots=True)
class Hyetograph:
    """Rain from 0 s on, piece after piece; before and after it is dry."""

    pieces: tuple[RainPiece, ...]

    def __post_init__(self) -> None:
        if not self.pieces:
            raise Refusal("a hyetograph needs at least one piece", "for dry weather write 0 mm/h")

    @property
    def duration_s(self) -> Fraction:
        """How long the hyetograph lasts, dry pieces included."""
        return sum((p.duration_s for p in self.pieces), Fraction())

    @property
    def depth_mm(self) -> Fraction:
        """All the rain that falls."""
        return sum((p.depth_mm for p in self.pieces), Fraction())

    def replayed(self, speed: Number) -> Hyetograph:
        """Return the same rain `speed` times as fast, so that exactly as much falls.

        Args:
            speed: more than 0; 60 plays an hour in a minute, 0.5 takes twice the time.

        Raises:
            ValueError: the speed is not more than 0.
        """
        times = more_than_zero("speed", speed)
        return Hyetograph(
            tuple(
                RainPiece(p.duration_s / times, p.begins_mm_per_h * times, p.ends_mm_per_h * times)
                for p in self.pieces
            )
        )


def ramp(from_mm_per_h: Number, to_mm_per_h: Number, *, duration_s: Number) -> Hyetograph:
    """Return rain whose intensity changes evenly.

    Args:
        from_mm_per_h: intensity at the beginning, 0 or more.
        to_mm_per_h: intensity at the end, 0 or more.
        duration_s: how long, more than 0 s.

    Raises:
        ValueError: a number is out of its range.
    """
    return Hyetograph((RainPiece(exact(duration_s), exact(from_mm_per_h), exact(to_mm_per_h)),))


def blocks(spans: Iterable[tuple[Number, Number]]) -> Hyetograph:
    """Return rain in blocks of constant intensity.

    Args:
        spans: for each block its duration in s, more than 0, and its intensity in mm/h, 0 or more.

    Raises:
        ValueError: a number is out of its range, or there is no block.
    """
    return Hyetograph(tuple(RainPiece(exact(span), exact(rate), exact(rate)) for span, rate in spans))


def from_intensities(points: Sequence[tuple[Number, Number]], *, shape: Shape) -> Hyetograph:
    """Return the rain through points of time and intensity.

    Args:
        points: two or more of (s, mm/h), times rising; the first time is where the hyetograph begins.
        shape: `steps` keeps an intensity until the next point, and the last point, which must be 0 mm/h,
            says when the rain ends; `linear` joins the points.

    Raises:
        ValueError: too few points, times that do not rise, a negative intensity, or steps that do not end.
    """
    exactly = _rising(points)
    if shape == "steps" and exactly[-1][1] != 0:
        raise Refusal(
            f"the last intensity, {shown(exactly[-1][1])} mm/h, has no end",
            "add a last point with the time at which it ends and 0 mm/h",
        )
    return Hyetograph(
        tuple(
            RainPiece(end_s - start_s, begins, ends if shape == "linear" else begins)
            for (start_s, begins), (end_s, ends) in pairwise(exactly)
        )
    )


def from_depths(points: Sequence[tuple[Number, Number]]) -> Hyetograph:
    """Return the rain that gave these readings, even between two of them.

    Args:
        points: two or more of (s, mm), times rising; each depth fell since the point before. The first
            only says when the hyetograph begins, so its depth must be 0.

    Raises:
        ValueError: too few points, times that do not rise, a negative depth, or a first depth that is not 0.
    """
    exactly = _rising(points)
    if exactly[0][1] != 0:
        raise Refusal(
            f"the first depth, {shown(exactly[0][1])} mm, has no beginning",
            "put a point before it with the time at which it began to fall and 0 mm",
        )
    return blocks(
        (end_s - start_s, depth * SECONDS_PER_HOUR / (end_s - start_s))
        for (start_s, _), (end_s, depth) in pairwise(exactly)
    )


def from_totals(points: Sequence[tuple[Number, Number]]) -> Hyetograph:
    """Return the rain of a mass curve, even between two points.

    Args:
        points: two or more of (s, mm fallen since the beginning), times rising, totals never falling;
            the first total is what the reading began with.

    Raises:
        ValueError: too few points, times that do not rise, or a total that falls.
    """
    exactly = _rising(points)
    for (_, before), (at_s, after) in pairwise(exactly):
        if after < before:
            raise Refusal(
                f"the total falls from {shown(before)} to {shown(after)} mm at {shown(at_s)} s",
                "it may only grow",
            )
    steps = [(end_s, after - before) for (_, before), (end_s, after) in pairwise(exactly)]
    return from_depths([(exactly[0][0], 0), *steps])


def _rising(points: Sequence[tuple[Number, Number]]) -> list[tuple[Fraction, Fraction]]:
    exactly = [(exact(at_s), exact(value)) for at_s, value in points]
    if len(exactly) < 2:  # noqa: PLR2004 - a span has two ends
        raise Refusal(f"{number_of(len(exactly), 'point')}: no span", "give at least two")
    for (before_s, _), (at_s, _) in pairwise(exactly):
        if at_s <= before_s:
            raise Refusal(f"{shown(at_s)} s does not come after {shown(before_s)} s", "times must rise")
    return exactly


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


def _span_s(piece: RainPiece, depth_mm: Fraction) -> Fraction:
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
