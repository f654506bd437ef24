"""How far from its edge a formula holds or fails: quantitative semantics over an envelope (pure).

Robustness as Donzé and Maler defined it (FORMATS 2010): a band gives tolerance - |x - target|, "at all
times" the least, "at some time" the greatest of it. Worst and best are its bounds over everything that the
envelope allows.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from ventproof.envelope.spans import EPS, INF, Piece, Track, at_least, at_most, both
from ventproof.verdict.finding import Bounds, Verdict

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats


_TRIED: Final = 32
"""So many starts of a hold are tried at a time."""
_FAR: Final = 1e9
"""Where nothing is known, bounds are this far away: what is straight stays straight."""
_NONE: Final = 1e-300
"""A time for each unit that is none, and may yet divide."""


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
    import numpy as np  # noqa: PLC0415 - once a finding

    s1, s2 = stimulus
    t, worst, best = _in_band(pieces, target, tolerance)
    if cut_off:  # after its end there is as much time as a hold takes, in which nothing gets worse
        t, worst, best = (
            np.append(t, t[-1:] + hold_s),
            np.append(worst, worst[-1:]),
            np.append(best, best[-1:]),
        )
    # The worst takes starts that serve every s of the stimulus, the best those that serve some s.
    low = _best_hold(t, worst, s2, s1 + within_s, hold_s, tolerance)
    if cut_off and low == -INF and len(t):  # no start serves every instant of a wide stimulus
        low = float(worst.min())
    exact = s1 == s2 and np.array_equal(worst, best)
    high = low if exact else _best_hold(t, best, s1, s2 + within_s, hold_s, tolerance)
    return _bounded(low, high)


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
    t, worst, best = _in_band(pieces, target, tolerance)

    def greatest(y: Floats, first: float, last: float) -> float:
        return _best_hold(t, y, first, last, 0.0, tolerance)

    low = greatest(worst, s2 + not_before_s, s1 + within_s)
    high = greatest(best, s1 + not_before_s, s2 + within_s)
    if not_before_s > 0:
        low = min(low, -greatest(best, s1, s2 + not_before_s))
        if s2 < s1 + not_before_s:
            high = min(high, -greatest(worst, s2, s1 + not_before_s))
    return _bounded(low, high)


def _bounded(low: float, high: float) -> Bounds | None:
    """Return both, or None where the evidence bounds one of them by nothing."""
    return Bounds(min(low, high), high) if low > -_FAR / 2 and abs(high) < _FAR / 2 else None


def first_possible(pieces: Iterable[Piece], low: float, high: float) -> float:
    """Return the first moment at which the truth may be in [low, high], or where the pieces end."""
    end = -INF
    for t0, l0, u0, t1, l1, u1 in pieces:
        maybe = both(at_least(t0, u0, t1, u1, low), at_most(t0, l0, t1, l1, high))
        if maybe is not None:
            return maybe[0]
        end = t1
    return end


def _in_band(pieces: Track, target: float, tolerance: float) -> tuple[Floats, Floats, Floats]:
    """Return instants, and the worst and the best there that the envelope allows of tolerance - |x - target|.

    Both are straight from one instant to the next; where they jump two share an instant. Of the best only what is
    below the tolerance counts: no value is better than the target.
    """
    import numpy as np  # noqa: PLC0415 - once a finding

    t, low, high = pieces.corners()
    points = np.array((t, np.maximum(low, -_FAR), np.minimum(high, _FAR)))
    # Either edge of the band is the nearer one on either side of where the target is midway between the bounds.
    off = points[1] + points[2] - 2 * target
    i = (off[:-1] * off[1:] < 0).nonzero()[0]
    if len(i):
        x = off[i] / (off[i] - off[i + 1])
        # Written so that in a jump, too, it comes at the one instant.
        points = np.insert(points, i + 1, points[:, i] + x * (points[:, i + 1] - points[:, i]), axis=1)
    t, low, high = points
    bottom, top = target - tolerance, target + tolerance
    return t, np.minimum(low - bottom, top - high), np.minimum(high - bottom, top - low)


def _best_hold(  # noqa: PLR0917 - the course, and what is sought in it
    t: Floats, y: Floats, first: float, last: float, hold: float, most: float
) -> float:
    """Return the greatest over starts in [first, last] of the least of y over [start, start + hold], up to `most`.

    Between two neighbouring instants that are no better than a hold that was found (walls) a better one has room for
    all that lies inside, up to the level at which the slopes behind the walls come as close as a hold; or it has to
    leave out the least of it, which is a wall then.

    Returns:
        -inf if there is no start.
    """
    import numpy as np  # noqa: PLC0415 - once a finding

    if not len(t):
        return -INF
    first, last = max(first, float(t[0])), min(last, float(t[-1]) - hold)
    if first > last:
        return -INF
    ends = first, last + hold
    part = slice(t.searchsorted(ends[0]), t.searchsorted(ends[1], "right"))
    begin, end = np.interp(ends, t, y)
    t = np.concatenate((ends[:1], ends[:1], t[part], ends[1:], ends[1:]))
    y = np.concatenate(((-INF, begin), y[part], (end, -INF)))
    if not hold:
        return min(most, float(y.max()))
    best = float(y[1:-1].min())
    while best < most:
        walls = (y <= best).nonzero()[0]
        at = t[walls]
        wide = (at[1:] - at[:-1] > hold) & (walls[1:] - walls[:-1] > 1)
        i, j = walls[:-1][wide], walls[1:][wide]
        if not len(i):
            break
        p, q = i + 1, j - 1
        # How long the rise behind the one wall, and the fall before the other, take for each unit.
        rise, fall = (t[p] - t[i]) / (y[p] - y[i]), (t[j] - t[q]) / (y[q] - y[j])
        level = (t[q] - t[p] - hold + y[p] * rise + y[q] * fall) / (rise + fall + _NONE)
        inside = np.minimum.reduceat(y, np.array((p, j)).T.ravel())[::2]
        best = max(best, float(np.minimum(inside, level).max()))
        more = inside < level
        if not more.any():
            break
        # Some starts are tried, by all points around their holds: long slopes would be climbed point by point.
        i, j = i[more], j[more]
        tries = 1 + _TRIED // len(i)
        starts = t[i] + (np.arange(tries)[:, None] + 0.5) / tries * (t[j] - hold - t[i])
        around = np.array((t.searchsorted(starts, "right") - 1, t.searchsorted(starts + hold) + 1))
        best = max(best, float(np.minimum.reduceat(y, around.reshape(2, -1).T.ravel())[::2].max()))
    return min(most, best)
