"""How far from its edge a formula holds or fails: quantitative semantics over an envelope (pure).

Robustness as Donzé and Maler defined it (FORMATS 2010): a band gives tolerance - |x - target|, "at all
times" the least, "at some time" the greatest of it. Worst and best are its bounds over everything that the
envelope allows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.envelope.spans import EPS, INF, NOISE_S, Piece, Track, at_least, at_most, both
from ventproof.verdict.finding import Bounds, Verdict

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats, Indices


_TRIED: Final = 16
"""Of so many starts of a hold the best is found first."""


class _Points(NamedTuple):
    """A piecewise linear function of time; where it jumps, two points share an instant."""

    t: Floats
    y: Floats


class _Line(NamedTuple):
    """For each piece a straight line, by its values at both ends."""

    y0: Floats
    y1: Floats


def agreeing(margin: Bounds | None, verdict: Verdict | None) -> Bounds | None:
    """Tighten a margin by what the verdict knows: a pass is not below 0, a fail is below it."""
    if margin is None:
        return None
    low, high = margin
    if verdict is Verdict.PASS:
        return Bounds(max(low, 0.0), max(high, 0.0))
    if verdict is Verdict.FAIL:
        # Not 0: a margin of 0 is a pass.
        return Bounds(min(low, -EPS), min(high, -EPS))
    return margin


def reaches(
    pieces: Track,
    target: float,
    tolerance: float,
    stimulus: tuple[float, float],
    *,
    within_s: float,
    hold_s: float,
    cut_off: bool = False,
) -> Bounds | None:
    """Return the bounds of the robustness of `Reaches`, over the evidence given.

    Args:
        pieces: the envelope from the stimulus on.
        target: middle of the band.
        tolerance: half width of the band.
        stimulus: earliest and latest instant of the stimulus, s.
        within_s: the hold begins by then.
        hold_s: how long the band is kept.
        cut_off: a fail ended the evidence before the last hold could end. A hold then counts as far as it was
            seen: what comes later can only make it worse. Without this a vent that crept out of its band would
            be told how far off it was a whole hold before, on its way.
    """
    s1, s2 = stimulus
    worst, best = _in_band(pieces, target, tolerance)
    if cut_off:
        worst, best = _held_on(worst, hold_s), _held_on(best, hold_s)
    # The worst takes starts that serve every s of the stimulus, the best those that serve some s.
    low = _best_hold(worst, s2, s1 + within_s, hold_s)
    if cut_off and low == -INF and len(worst.y):  # no start serves every instant of a wide stimulus
        low = float(worst.y.min())
    high = _best_hold(best, s1, s2 + within_s, hold_s)
    return Bounds(min(low, high), high) if low > -INF and abs(high) < INF else None


def returns(
    pieces: Track,
    target: float,
    tolerance: float,
    stimulus: tuple[float, float],
    *,
    not_before_s: float,
    within_s: float,
) -> Bounds | None:
    """Return the bounds of the robustness of `Returns`, over the evidence given."""
    s1, s2 = stimulus
    worst, best = _in_band(pieces, target, tolerance)
    low = _best_hold(worst, s2 + not_before_s, s1 + within_s, 0.0)
    high = _best_hold(best, s1 + not_before_s, s2 + within_s, 0.0)
    if not_before_s > 0:
        low = min(low, -_best_hold(best, s1, s2 + not_before_s, 0.0))
        if s2 < s1 + not_before_s:
            high = min(high, -_best_hold(worst, s2, s1 + not_before_s, 0.0))
    return Bounds(min(low, high), high) if low > -INF and abs(high) < INF else None


def first_possible(pieces: Iterable[Piece], low: float, high: float) -> float:
    """Return the first moment at which the truth may be in [low, high], or where the pieces end."""
    end = -INF
    for t0, l0, u0, t1, l1, u1 in pieces:
        maybe = both(at_least(t0, u0, t1, u1, low), at_most(t0, l0, t1, l1, high))
        if maybe is not None:
            return maybe[0]
        end = t1
    return end


def _in_band(pieces: Track, target: float, tolerance: float) -> tuple[_Points, _Points]:
    """Return the worst and the best that the envelope allows of tolerance - |x - target|."""
    import numpy as np  # noqa: PLC0415 - once a finding

    t0, l0, u0, t1, l1, u1 = pieces.columns()
    low, high = target - tolerance, target + tolerance
    # No value is better than the target: the tolerance caps what the two edges say.
    whole = np.full_like(t0, tolerance)
    worst = (_Line(l0 - low, l1 - low), _Line(high - u0, high - u1))
    best = (_Line(u0 - low, u1 - low), _Line(high - l0, high - l1), _Line(whole, whole))
    return _least(t0, t1, worst), _least(t0, t1, best)


def _least(t0: Floats, t1: Floats, lines: Sequence[_Line]) -> _Points:
    """Return the least of several straight lines over each [t0, t1], with a point at every kink."""
    import numpy as np  # noqa: PLC0415 - once a finding

    y0, y1 = np.array([line.y0 for line in lines]), np.array([line.y1 for line in lines])
    t, y = np.stack((t0, t1), axis=1).ravel(), np.stack((y0.min(axis=0), y1.min(axis=0)), axis=1).ravel()
    with np.errstate(invalid="ignore"):
        kinked = [
            (i, d0[i] / (d0[i] - d1[i]))
            for a, b in combinations(range(len(lines)), 2)
            for d0, d1 in [(y0[a] - y0[b], y1[a] - y1[b])]
            for i in [((d0 * d1 < 0) & np.isfinite(d0) & np.isfinite(d1)).nonzero()[0]]
        ]
    i, x = (np.concatenate(column) for column in zip(*kinked, strict=True))
    if not len(i):
        return _Points(t, y)
    order = np.lexsort((x, i))
    i, x = i[order], x[order]
    with np.errstate(invalid="ignore"):
        kinks = np.where(np.isfinite(y0[:, i] - y1[:, i]), (1 - x) * y0[:, i] + x * y1[:, i], y0[:, i])
    where = 2 * i + 1  # between the two ends of its piece
    return _Points(np.insert(t, where, (1 - x) * t0[i] + x * t1[i]), np.insert(y, where, kinks.min(axis=0)))


def _held_on(points: _Points, hold_s: float) -> _Points:
    """Return the function with as much time after its end as a hold takes, in which nothing is worse."""
    import numpy as np  # noqa: PLC0415 - once a finding

    t, y = points
    if not len(t) or not hold_s:
        return points
    return _Points(np.append(t, (t[-1], t[-1] + hold_s)), np.append(y, (INF, INF)))


def _best_hold(points: _Points, first: float, last: float, hold: float) -> float:
    """Return the greatest over t in [first, last] of the least over [t, t + hold]; -inf if there is no t."""
    import numpy as np  # noqa: PLC0415 - once a finding

    t, y = points
    if not len(t):
        return -INF
    first, last = max(first, float(t[0])), min(last, float(t[-1]) - hold)
    if first > last:
        return -INF
    if not hold:
        inside = y[t.searchsorted(first, "left") : t.searchsorted(last, "right")]
        return float(max(_at(points, np.array((first, last))).max(), inside.max(initial=-INF)))
    # A hold that is better than one of a few has none of its worse moments inside: few starts are left by these.
    tried = np.minimum(first + (last - first) / _TRIED * np.arange(_TRIED + 1), last)
    best = float(_least_held(points, tried, hold).max())
    worse = np.concatenate(((-INF,), t[y < best], (INF,)))
    left = (worse[1:] - worse[:-1] > hold).nonzero()[0]
    starts = np.stack((np.maximum(first, worse[left]), np.minimum(last, worse[left + 1] - hold)), axis=1)
    if len(starts) > _TRIED:
        starts = np.array(((first, last),))
    return max([best, *(_best_start(points, p, q, hold) for p, q in starts.tolist() if p < q)])


def _least_held(points: _Points, starts: Floats, hold: float) -> Floats:
    """Return the least over [t, t + hold] for some starts t, in order."""
    import numpy as np  # noqa: PLC0415 - once a finding

    t, y = points
    borders = np.stack((starts, starts + hold), axis=1)
    # Every other run is that between the end of one hold and the begin of the next.
    inside = np.minimum.reduceat(np.concatenate((y, (INF,))), t.searchsorted(borders).ravel())[::2]
    least: Floats = np.minimum(_at(points, borders).min(axis=1), inside)
    return least


def _best_start(points: _Points, first: float, last: float, hold: float) -> float:
    """Return what `_best_hold` does, by all starts that may be best."""
    import numpy as np  # noqa: PLC0415 - once a finding

    part = slice(
        max(0, int(points.t.searchsorted(first, "left")) - 1),
        int(points.t.searchsorted(last + hold, "right")) + 1,
    )
    points = _Points(points.t[part], points.y[part])
    t, y = points
    # Between two neighbouring starts both ends of the hold move along straight lines.
    starts = np.concatenate(((first, last), t, t - hold))
    starts = np.unique(starts[(starts >= first) & (starts <= last)])
    begin, end = _at(points, np.stack((starts, starts + hold)))
    least = LeastOfRuns(y)
    inside = least(t.searchsorted(starts, "right"), t.searchsorted(starts + hold, "left"))
    best = float(np.minimum(np.minimum(begin, end), inside).max())
    with np.errstate(invalid="ignore", divide="ignore"):
        # While the begin gets better and the end worse, the least of both is greatest where they cross.
        ahead = begin - end
        d0, d1 = ahead[:-1], ahead[1:]
        crossed = (d0 < 0) & (d1 > 0) & np.isfinite(d0) & np.isfinite(d1)
        cross = begin[:-1] + (begin[1:] - begin[:-1]) * d0 / (d0 - d1)
    if crossed.any():
        # A kink on either border lies inside every hold between the two starts.
        between = least(
            t.searchsorted(starts[1:][crossed] - NOISE_S, "left"),
            t.searchsorted(starts[:-1][crossed] + hold + NOISE_S, "right"),
        )
        best = max(best, float(np.minimum(cross[crossed], between).max()))
    return best


def _at(points: _Points, at: Floats) -> Floats:
    """Return the function's values; where it jumps, the one before the jump."""
    import numpy as np  # noqa: PLC0415 - once a finding

    t, y = points
    right = np.minimum(np.maximum(t.searchsorted(at, "left"), 1), len(t) - 1)
    t0, t1, y0, y1 = t[right - 1], t[right], y[right - 1], y[right]
    with np.errstate(invalid="ignore", divide="ignore"):
        value = y0 + (y1 - y0) * (at - t0) / (t1 - t0)
    return np.where((y0 == y1) | (t1 <= t0) | (at <= t0), y0, np.where(at >= t1, y1, value))


class LeastOfRuns:
    """Least of any run of an array's elements, by doubling: one row for runs of 1, 2, 4, ... elements."""

    def __init__(self, y: Floats) -> None:
        import numpy as np  # noqa: PLC0415 - once a finding

        self._rows = np.full((max(1, len(y).bit_length()), len(y)), INF)
        self._rows[0] = y
        for level in range(1, len(self._rows)):
            half = 2 ** (level - 1)
            np.minimum(
                self._rows[level - 1, :-half], self._rows[level - 1, half:], out=self._rows[level, :-half]
            )

    def __call__(self, first: Indices, last: Indices) -> Floats:
        """Return the least of the elements from each `first` up to, not including, `last`; infinite for none."""
        import numpy as np  # noqa: PLC0415 - once a finding

        some = last > first
        first, last = np.where(some, first, 0), np.where(some, last, 1)
        # Of the greatest power of two that is not above the count.
        # `frexp` is exact where a logarithm may round to the wrong side of a power of two.
        level = np.frexp((last - first).astype(float))[1] - 1
        least: Floats = np.minimum(self._rows[level, first], self._rows[level, last - 2**level])
        return np.where(some, least, INF)
