"""Gust shapes: what a steady wind does for a few seconds, to be added to any wind."""

from __future__ import annotations

from math import cos, pi

from bench.errors import Refusal
from harness.weather.trace import Trace

_COSINE_LINES = 100  # lines a gust: the largest error of a chord is rise * pi**2 / 4 / 100**2, under 0.03 %


def cosine_gust(base: float, rise: float, *, at_s: float, lasts_s: float, for_s: float) -> Trace:
    """Return a wind with one 1-cosine gust: base + rise / 2 * (1 - cos(2 pi (t - at) / lasts)).

    The discrete gust of the trade: it leaves and meets the base wind without a kink, peaks at `base + rise`
    half-way, and has the mean `base + rise / 2`. It is drawn with 100 lines, exact at their ends, which
    touches the peak and keeps the mean.

    Args:
        base: steady wind, m/s, 0 or more.
        rise: how far the peak stands above it, m/s; negative for a lull that stays at or above 0 m/s.
        at_s: when the gust begins, s, 0 or more.
        lasts_s: how long it lasts, s, more than 0.
        for_s: length of the whole trace, s; the gust must end inside.

    Raises:
        ValueError: a number is out of its range.
    """
    _check(base, rise, at_s, lasts_s, for_s)
    gust = [
        (at_s + lasts_s * (k / _COSINE_LINES), base + rise * (1 - cos(2 * pi * k / _COSINE_LINES)) / 2)
        for k in range(_COSINE_LINES)
    ]
    return _framed(base, [*gust, (at_s + lasts_s, base)], for_s)


def rectangular_gust(base: float, rise: float, *, at_s: float, lasts_s: float, for_s: float) -> Trace:
    """Return a wind that jumps by `rise` for `lasts_s` seconds and falls back at once.

    No real wind does this; it is the hardest case for a gust filter and the easiest to compute by hand.

    Args:
        base: steady wind, m/s, 0 or more.
        rise: height of the gust above it, m/s; negative for a lull that stays at or above 0 m/s.
        at_s: when the gust begins, s, 0 or more.
        lasts_s: how long it lasts, s, more than 0.
        for_s: length of the whole trace, s; the gust must end inside.

    Raises:
        ValueError: a number is out of its range.
    """
    _check(base, rise, at_s, lasts_s, for_s)
    to_s = at_s + lasts_s
    return _framed(base, [(at_s, base), (at_s, base + rise), (to_s, base + rise), (to_s, base)], for_s)


def _framed(base: float, gust: list[tuple[float, float]], for_s: float) -> Trace:
    before = [(0.0, base)] if gust[0][0] > 0 else []
    after = [(for_s, base)] if gust[-1][0] < for_s else []
    return Trace.through([*before, *gust, *after])


def _check(base: float, rise: float, at_s: float, lasts_s: float, for_s: float) -> None:
    if not base >= 0:
        raise ValueError(f"base={base!r} m/s must not be negative")
    if not base + rise >= 0:
        raise Refusal(f"rise={rise!r} m/s takes the wind of {base!r} m/s below 0", f"give {-base!r} or more")
    if not at_s >= 0:
        raise ValueError(f"at_s={at_s!r} s must not be negative")
    if not lasts_s > 0:
        raise ValueError(f"lasts_s={lasts_s!r} s must be more than 0 s")
    if not at_s + lasts_s <= for_s:
        raise Refusal(
            f"a gust from {at_s!r} s to {at_s + lasts_s!r} s does not fit in for_s={for_s!r} s",
            "make that longer",
        )
