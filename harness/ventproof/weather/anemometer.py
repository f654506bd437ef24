"""Cup anemometers: from wind speed to the pulses that the controller's terminals see."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import floor, isfinite, sqrt
from typing import TYPE_CHECKING, Final, final

from ventproof.weather.exact import exact
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.weather.course import Trace


_ROUNDING: Final = 1e-9  # relative: 10 Hz computed from a speed may come out a hair above a limit of 10 Hz


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class CupAnemometer:
    """A cup anemometer's transfer function, v = slope * f + offset, with f the turns a second.

    The line is the one that calibration certificates state: a linear regression (IEC 61400-12-1, since 2022
    IEC 61400-50-1). A certificate that gives the line for pulses rather than turns is entered with
    `pulses_per_turn=1`.

    Attributes:
        slope_m: metres of wind run a turn, that is (m/s)/Hz; more than 0.
        offset_m_per_s: speed at which the line reaches 0 Hz, m/s.
        pulses_per_turn: contact closures a turn, 1 or more.
        starts_at_m_per_s: below this speed nothing turns; at least the offset, and above 0 when the offset
            is negative, since cups do not turn in a calm.
        duty: share of the way from one pulse to the next during which the contact is closed, 0 to 1 exclusive.
        fastest_hz: the pulse rate that the sensor, or the output that plays it, can do; a faster wind is refused.
    """

    slope_m: float
    offset_m_per_s: float = 0.0
    pulses_per_turn: int = 1
    starts_at_m_per_s: float = 0.0
    duty: float = 0.5
    fastest_hz: float

    def __post_init__(self) -> None:
        if not self.slope_m > 0 or not isfinite(self.slope_m):
            raise ValueError(f"slope_m={self.slope_m!r} must be more than 0 m a turn")
        if not isfinite(self.offset_m_per_s):
            raise ValueError(f"offset_m_per_s={self.offset_m_per_s!r} must be a finite speed")
        if self.pulses_per_turn < 1 or self.pulses_per_turn != int(self.pulses_per_turn):
            raise ValueError(f"pulses_per_turn={self.pulses_per_turn!r} must be a whole number from 1 up")
        least = max(0.0, self.offset_m_per_s)
        stands_in_calm = self.starts_at_m_per_s > 0 or self.offset_m_per_s >= 0
        if not least <= self.starts_at_m_per_s or not isfinite(self.starts_at_m_per_s) or not stands_in_calm:
            rule = f"at least {least!r} m/s" if self.offset_m_per_s >= 0 else "more than 0 m/s"
            raise ValueError(
                f"starts_at_m_per_s={self.starts_at_m_per_s!r} must be {rule} with "
                f"offset_m_per_s={self.offset_m_per_s!r}"
            )
        if not 0 < self.duty < 1:
            raise ValueError(f"duty={self.duty!r} must lie between 0 and 1")
        if not self.fastest_hz > 0 or not isfinite(self.fastest_hz):
            raise ValueError(f"fastest_hz={self.fastest_hz!r} must be more than 0 Hz")

    def frequency_hz(self, speed_m_per_s: float) -> float:
        """Return the pulse frequency at a speed, Hz; 0 below the starting threshold.

        Raises:
            ValueError: the speed is negative, or the pulses would be faster than `fastest_hz`.
        """
        if not speed_m_per_s >= 0:
            raise Refusal(f"a wind speed of {speed_m_per_s!r} m/s is impossible", "give 0 m/s or more")
        hz = self._line_hz(speed_m_per_s)
        if hz > self.fastest_hz * (1 + _ROUNDING):
            limit = self.speed_m_per_s(self.fastest_hz)
            raise Refusal(
                (
                    f"{speed_m_per_s:.6g} m/s makes {hz:.6g} pulses a second, faster than the limit "
                    f"of {self.fastest_hz:.6g} Hz"
                ),
                f"stay below {limit:.6g} m/s or declare a faster output",
            )
        return hz

    def speed_m_per_s(self, frequency_hz: float) -> float:
        """Return the speed at which the cups make pulses at a frequency, m/s."""
        return frequency_hz / self.pulses_per_turn * self.slope_m + self.offset_m_per_s

    def _line_hz(self, speed_m_per_s: float) -> float:
        if speed_m_per_s < self.starts_at_m_per_s:
            return 0.0
        return (speed_m_per_s - self.offset_m_per_s) / self.slope_m * self.pulses_per_turn


def turned(cups: CupAnemometer, wind: Trace) -> Fraction:
    """Return how many pulse distances a wind turns the cups, exactly.

    Speeds, instants, slope and offset count as the decimal numbers that they are written as, and the sum is done in
    fractions, so that a train of any length ends on the right pulse.

    Raises:
        ValueError: a wind that cannot blow or is too fast.
    """
    pieces = _pieces(cups, wind, Fraction())
    return pieces[-1].turned_after if pieces else Fraction()


def turned_instants(cups: CupAnemometer, wind: Trace, phase: Fraction, first: Fraction) -> Iterator[float]:
    """Yield when `first`, `first` + 1, … pulse distances have been turned, `phase` of them at the wind's start.

    Each falls where the integral of the speed says: there is no time step. One that falls on the last instant counts.

    Args:
        cups: the anemometer.
        wind: speed in m/s, never negative.
        phase: how far the cups stand past the last pulse at the start, as a share of the way to the next.
        first: the first that is wanted.

    Raises:
        ValueError: a wind that cannot blow or is too fast, or a phase outside 0 to 1.
    """
    return _instants(_pieces(cups, wind, phase), first)


@final
@dataclass(frozen=True, slots=True)
class _Piece:
    """A span of steady acceleration while the cups turn; `turned` counts pulse distances since pulse 0."""

    from_s: float
    to_s: float
    from_hz: float
    to_hz: float
    turned_before: Fraction
    turned_after: Fraction


def _pieces(cups: CupAnemometer, wind: Trace, phase: Fraction) -> list[_Piece]:
    if not 0 <= phase < 1:
        raise ValueError(f"phase={float(phase)!r} must be from 0 to less than 1")
    # The extremes are enough: between its points the wind is straight, and the rate grows with the speed.
    cups.frequency_hz(wind.smallest())
    cups.frequency_hz(wind.largest())
    per_metre = cups.pulses_per_turn / exact(cups.slope_m)
    offset = exact(cups.offset_m_per_s)
    turned = phase
    pieces = []
    for (a_s, u), (b_s, v) in _turning(wind, cups.starts_at_m_per_s):
        # The area under a straight line, in fractions: the count comes from these sums alone, never from a root.
        more = per_metre * (exact(b_s) - exact(a_s)) * (exact(u) + exact(v) - 2 * offset) / 2
        pieces.append(_Piece(a_s, b_s, cups._line_hz(u), cups._line_hz(v), turned, turned + more))  # noqa: SLF001 - same module
        turned += more
    return pieces


def _turning(wind: Trace, threshold: float) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    """Yield the lines of the wind, cut where they pass the threshold, that lie at or above it."""
    for (a_s, u), (b_s, v) in pairwise(zip(wind.times_s, wind.values, strict=True)):
        if a_s == b_s or max(u, v) < threshold:
            continue
        if min(u, v) >= threshold:
            yield (a_s, u), (b_s, v)
            continue
        cut_s = min(max(a_s + (b_s - a_s) * ((threshold - u) / (v - u)), a_s), b_s)
        line = ((a_s, u), (cut_s, threshold)) if u > v else ((cut_s, threshold), (b_s, v))
        if line[0][0] < line[1][0]:
            yield line


def _instants(pieces: list[_Piece], first: Fraction) -> Iterator[float]:
    """Yield when `first`, `first` + 1, `first` + 2, … pulse distances have been turned."""
    wanted = first
    for piece in pieces:
        # Each piece is solved from its own start, so that nothing adds up along the train.
        ahead = float(wanted - piece.turned_before)
        span_s = piece.to_s - piece.from_s
        gains = (piece.to_hz - piece.from_hz) / span_s
        # How many fall into a piece the fractions say; the floats below only say when.
        count = max(0, floor(piece.turned_after - wanted) + 1)
        for k in range(count):
            # from_hz * t + gains * t^2 / 2 = ahead + k, in the form that keeps its digits as gains goes to 0
            root = sqrt(max(0.0, piece.from_hz**2 + 2 * gains * (ahead + k)))
            yield min(piece.from_s + 2 * (ahead + k) / (piece.from_hz + root), piece.to_s)
        wanted += count
