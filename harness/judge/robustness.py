"""How far from its edge a formula holds or fails: quantitative semantics over an envelope (pure).

Robustness as Donzé and Maler defined it (FORMATS 2010): a band gives tolerance - |x - target|, "at all
times" the least, "at some time" the greatest of it. Worst and best are its bounds over everything that the
envelope allows.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

from harness.judge.spans import EPS, INF, Piece, at_least, at_most, both
from harness.judge.verdict import Bounds, Verdict

_Points = list[tuple[float, float]]  # a piecewise linear function of time
_Line = tuple[float, float]  # a straight line by its values at both ends


def agreeing(margin: Bounds | None, verdict: Verdict | None) -> Bounds | None:
    """Tighten a margin by what the verdict knows: a pass is not below 0, a fail is below it."""
    if margin is None:
        return None
    low, high = margin
    if verdict is Verdict.PASS:
        return Bounds(max(low, 0.0), max(high, 0.0))
    if verdict is Verdict.FAIL:
        return Bounds(min(low, -EPS), min(high, -EPS))
    return margin


def reaches(
    pieces: Sequence[Piece],
    target: float,
    tolerance: float,
    stimulus: tuple[float, float],
    *,
    within_s: float,
    hold_s: float,
) -> Bounds | None:
    """Return the bounds of the robustness of `Reaches`, over the evidence given."""
    s1, s2 = stimulus
    low = _best_hold(_worst_in(pieces, target, tolerance), s2, s1 + within_s, hold_s)
    high = _best_hold(_best_in(pieces, target, tolerance), s1, s2 + within_s, hold_s)
    return Bounds(min(low, high), high) if low > -INF and abs(high) < INF else None


def returns(
    pieces: Sequence[Piece],
    target: float,
    tolerance: float,
    stimulus: tuple[float, float],
    *,
    not_before_s: float,
    within_s: float,
) -> Bounds | None:
    """Return the bounds of the robustness of `Returns`, over the evidence given."""
    s1, s2 = stimulus
    worst, best = _worst_in(pieces, target, tolerance), _best_in(pieces, target, tolerance)
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


def _worst_in(pieces: Iterable[Piece], target: float, tolerance: float) -> _Points:
    low, high = target - tolerance, target + tolerance
    points: _Points = []
    for t0, l0, u0, t1, l1, u1 in pieces:
        points += _least(t0, t1, ((l0 - low, l1 - low), (high - u0, high - u1)))
    return points


def _best_in(pieces: Iterable[Piece], target: float, tolerance: float) -> _Points:
    low, high = target - tolerance, target + tolerance
    points: _Points = []
    for t0, l0, u0, t1, l1, u1 in pieces:
        points += _least(t0, t1, ((u0 - low, u1 - low), (high - l0, high - l1), (tolerance, tolerance)))
    return points


def _least(t0: float, t1: float, lines: Sequence[_Line]) -> _Points:
    """Return the least of several straight lines over [t0, t1] as points, kinks included."""
    at = {0.0, 1.0}
    for index, (a0, a1) in enumerate(lines):
        for b0, b1 in lines[index + 1 :]:
            d0, d1 = a0 - b0, a1 - b1
            if d0 * d1 < 0 and abs(d0) < INF and abs(d1) < INF:
                at.add(d0 / (d0 - d1))
    points: _Points = []
    for x in sorted(at):
        value = min(a0 if a0 == a1 else a0 + (a1 - a0) * x for a0, a1 in lines)
        points.append((t0 + (t1 - t0) * x, value))
    return points


class _Line1:
    """Reads a piecewise linear function at moments that only move forward."""

    def __init__(self, points: _Points) -> None:
        self._points = points
        self._at = 0

    def __call__(self, t: float) -> float:
        points = self._points
        while self._at + 1 < len(points) and points[self._at + 1][0] < t:
            self._at += 1
        t0, a0 = points[self._at]
        if self._at + 1 == len(points) or t <= t0:
            return a0
        t1, a1 = points[self._at + 1]
        return a0 if a0 == a1 or t1 <= t0 else a0 + (a1 - a0) * (t - t0) / (t1 - t0)


def _best_hold(points: _Points, first: float, last: float, hold: float) -> float:
    """Return the greatest over t in [first, last] of the least over [t, t + hold]; -inf if there is no t."""
    if not points:
        return -INF
    first, last = max(first, points[0][0]), min(last, points[-1][0] - hold)
    if first > last:
        return -INF
    starts = {first, last}
    starts.update(t for t, _ in points if first < t < last)
    if hold:
        starts.update(t - hold for t, _ in points if first < t - hold < last)
    begin, end = _Line1(points), _Line1(points)
    inside: deque[tuple[float, float]] = deque()  # increasing in time and value: least inside (t, t + hold)
    fed, best = 0, -INF
    before: tuple[float, float, float] | None = None
    for t in sorted(starts):
        at_begin, at_end = begin(t), end(t + hold)
        while fed < len(points) and points[fed][0] < t + hold:
            while inside and inside[-1][1] >= points[fed][1]:
                inside.pop()
            inside.append(points[fed])
            fed += 1
        while inside and inside[0][0] <= t:
            inside.popleft()
        least = inside[0][1] if inside else INF
        if before is not None and hold:
            # Between two starts both ends move along straight lines: the best lies where these cross.
            d0, d1 = before[1] - before[2], at_begin - at_end
            if d0 * d1 < 0 and abs(d0) < INF and abs(d1) < INF:
                cross = before[1] + (at_begin - before[1]) * d0 / (d0 - d1)
                best = max(best, min(cross, least))
        best = max(best, min(at_begin, at_end, least))
        before = (t, at_begin, at_end)
    return best
