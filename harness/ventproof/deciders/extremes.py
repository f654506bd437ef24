"""The four extremes of all possible courses after the stimulus, as functions of its instant (pure).

Courses change no faster than a rate, so the bounds L and U of a tight envelope are courses themselves, and so is what
a course leaves when it is cut at a level (McShane, Extension of range of functions, 1934). Over [s + first, s + last]:

    least_max(s) = max(max L, max over readings of lo - rate * over(s))     most_max(s) = max U
    most_min(s)  = min(min U, min over readings of hi + rate * over(s))     least_min(s) = min L

    over(s) = max(0, (s + first) - a, b - (s + last))

A reading says more than its cone: somewhere in [a, b] x was in [lo, hi], outside the span only if there is time. So
does x(s) of a course that keeps within `by` of it: it met a reading before s, or in the span, or after it. It lies
between

    least_start(s) = max(L(s), max L - by, max over readings of lo - max(rate * (s - a), by + rate * (b - (s + last))))

and its mirror image `most_start`; neither time counts below 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, final

from ventproof.envelope.spans import INF, Reading, Span, Track
from ventproof_bench.base.evidence import Window

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats, Indices


_HALVINGS: Final = 40
"""After so many halvings a cell is narrower than the float grid of loop time."""


@final
class Extremes:
    """The extremes over some spans, in cells of the stimulus window in which all their parts are straight.

    Every function is an array of its parts' values at both ends of each cell: parts x 2 x cells. The greatest of the
    parts of `least_max`, `most_max` and `least_start` counts, and the least of those of the other three.

    Args:
        pieces: the envelope from s1 to the last end of a span, without holes.
        touches: readings whose windows lie neither all before the first span nor all after it.
        stimulus: the window of s.
        spans: all spans that will be asked for, as seconds after s; `touches` belong to the first, from s on.
        rate_per_s: the greatest rate; None where nothing bounds it.
        by: how far courses may be from x(s) that keep to it.
    """

    def __init__(  # noqa: PLR0917 - all that is known
        self,
        pieces: Track,
        touches: Sequence[Reading],
        stimulus: Window,
        spans: Sequence[Span],
        rate_per_s: float | None,
        by: float,
    ) -> None:
        import numpy as np  # noqa: PLC0415 - once a finding

        self._t0, self._l0, self._u0, self._t1, self._l1, self._u1 = pieces.columns()
        self._touches, self._rate, self._by = touches, rate_per_s, by
        self._last = spans[0][1]
        s1, s2 = stimulus.earliest_s, stimulus.latest_s
        turns = [np.array((s1, s2))]
        turns += [self._t0 - after_s for after_s in {0.0, *(end for span in spans for end in span)}]
        by_s = by / rate_per_s if rate_per_s else 0.0
        # A reading's part bends where either time begins to count, and where one loss overtakes the other, with `by`
        # and without.
        for _, _, a, b, *_ in touches:
            half = (a + b - self._last) / 2
            turns.append(np.array((a, a + by_s, b - self._last, half, half + by_s / 2)))
        s = np.unique(np.concatenate(turns))
        s = s[(s >= s1) & (s <= s2)]
        # A stimulus that is known to the instant is one cell without width.
        self._s = np.stack((s[:-1], s[1:])) if len(s) > 1 else np.stack((s, s))
        # Pieces are looked up by the middle of a cell: at its ends rounding might find the neighbour.
        self._middle = self._s.mean(axis=0)

    def low(self) -> Floats:
        """Return L(s)."""
        return self._at(self._l0, self._l1, 0.0)

    def high(self) -> Floats:
        """Return U(s)."""
        return self._at(self._u0, self._u1, 0.0)

    def least_max(self, span: Span) -> Floats:
        """Return the least that the maximum can be."""
        return self._joined(self._greatest(self._l0, self._l1, span), [x.lo for x in self._touches], 0.0)

    def most_min(self, span: Span) -> Floats:
        """Return the most that the minimum can be."""
        return -self._joined(self._greatest(-self._u0, -self._u1, span), [-x.hi for x in self._touches], 0.0)

    def least_start(self, span: Span) -> Floats:
        """Return the least that x(s) can be of a course that keeps to it."""
        return self._start(self._l0, self._l1, span, [x.lo for x in self._touches])

    def most_start(self, span: Span) -> Floats:
        """Return the most that x(s) can be of a course that keeps to it."""
        return -self._start(-self._u0, -self._u1, span, [-x.hi for x in self._touches])

    def most_max(self, span: Span) -> Floats:
        """Return the most that the maximum can be."""
        return self._greatest(self._u0, self._u1, span)

    def least_min(self, span: Span) -> Floats:
        """Return the least that the minimum can be."""
        return -self._greatest(-self._l0, -self._l1, span)

    def _start(self, y0: Floats, y1: Floats, span: Span, levels: Sequence[float]) -> Floats:
        import numpy as np  # noqa: PLC0415 - once a finding

        own = np.concatenate((self._at(y0, y1, 0.0), self._greatest(y0, y1, span) - self._by))
        return self._joined(own, levels, self._by)

    def _joined(self, parts: Floats, levels: Sequence[float], by: float) -> Floats:
        """Return the parts of a bound, and those of readings at some levels that are left by `by` in the span."""
        import numpy as np  # noqa: PLC0415 - once a finding

        # Without a rate what is lost jumps from nothing to infinite at the end of a cell: the middle tells which it
        # is inside.
        s = self._s if self._rate is not None else np.stack((self._middle, self._middle))
        rate = self._rate if self._rate is not None else INF
        touched = []
        for level, (_, _, a, b, *_) in zip(levels, self._touches, strict=True):
            before, after = np.maximum(0.0, s - a), np.maximum(0.0, b - (s + self._last))
            lost = np.maximum(_times(rate, before), by + _times(rate, after))
            touched.append((level - lost)[None])
        return np.concatenate((parts, *touched))

    def _at(self, y0: Floats, y1: Floats, after_s: float) -> Floats:
        """Return a bound at s + after_s."""
        import numpy as np  # noqa: PLC0415 - once a finding

        i = self._index(after_s)
        t0, t1, y0, y1 = self._t0[i], self._t1[i], y0[i], y1[i]
        with np.errstate(invalid="ignore", divide="ignore"):
            y = y0 + (y1 - y0) * (self._s + after_s - t0) / (t1 - t0)
        # Infinite bounds are the same at both ends: interpolated they would be no number.
        return np.where((y0 == y1) | (t1 <= t0), y0, y)[None]

    def _index(self, after_s: float) -> Indices:
        """Return the piece that s + after_s lies in."""
        found: Indices = self._t0.searchsorted(self._middle + after_s, "right") - 1
        return found.clip(0, len(self._t0) - 1)

    def _greatest(self, y0: Floats, y1: Floats, span: Span) -> Floats:
        """Return the parts of a bound's greatest value over a span: its ends, and the greatest corner inside."""
        import numpy as np  # noqa: PLC0415 - once a finding

        # Where the bound jumps, its greater side counts; after the last piece there is no corner.
        corners = np.append(np.maximum(y1[:-1], y0[1:]), -INF)
        i, j = self._index(span[0]), self._index(span[1])
        low, high = int(i.max()), int(j.min())
        if low < high:  # what lies in the span of every s is one corner
            first, shared = int(i.min()), corners[low:high].max()
            corners = np.concatenate((corners[first:low], [shared], corners[high : int(j.max()) + 1]))
            i, j = i - first, j - (high - 1) + low - first
        inside = -_LeastOfRuns(-corners)(i, j)
        return np.concatenate(
            (self._at(y0, y1, span[0]), self._at(y0, y1, span[1]), np.stack((inside, inside))[None])
        )


@final
class _LeastOfRuns:
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


def _times(rate: float, time_s: Floats) -> Floats:
    """Return how far a rate goes in some times; an infinite one goes nowhere in no time."""
    import numpy as np  # noqa: PLC0415 - once a finding

    return np.where(time_s > 0, rate, 0.0) * np.where(time_s > 0, time_s, 1.0)


def meet(lower: Floats, upper: Floats, room: float) -> bool:
    """Return whether at some s the greatest of some straight functions is at most `room` above the least of others.

    By how much it is above is convex in each cell: where its slope is not yet upward it falls on.
    """
    import numpy as np  # noqa: PLC0415 - once a finding

    ends = lower.max(axis=0) - upper.min(axis=0)
    if ends.min() <= room:
        return True
    # Cells that are too far apart even with every part at its most favourable end need no search.
    surely = lower.min(axis=1).max(axis=0) - upper.max(axis=1).min(axis=0)
    lower, upper = lower[:, :, surely <= room], upper[:, :, surely <= room]
    cells = np.arange(lower.shape[2])
    from_x, to_x = np.zeros(len(cells)), np.ones(len(cells))
    for _ in range(_HALVINGS if len(cells) else 0):
        x = (from_x + to_x) / 2
        high, low = _between(lower, x), _between(upper, x)
        i, j = high.argmax(axis=0), low.argmin(axis=0)
        if (high[i, cells] - low[j, cells]).min() <= room:
            return True
        slope = (lower[i, 1, cells] - lower[i, 0, cells]) - (upper[j, 1, cells] - upper[j, 0, cells])
        from_x, to_x = np.where(slope < 0, x, from_x), np.where(slope < 0, to_x, x)
    return False


def _between(parts: Floats, x: Floats) -> Floats:
    """Return straight functions at a part of the way through each cell; infinite ones are so all the way."""
    import numpy as np  # noqa: PLC0415 - once a finding

    y0, y1 = parts[:, 0], parts[:, 1]
    with np.errstate(invalid="ignore"):
        return np.where(y0 == y1, y0, y0 + (y1 - y0) * x)


def somewhere(*parts: Floats) -> bool:
    """Return whether at some s all of these straight functions are at most 0."""
    import numpy as np  # noqa: PLC0415 - once a finding

    y = np.concatenate(parts)
    y0, y1 = y[:, 0], y[:, 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        cross = y0 / (y0 - y1)
    # 2 and -1 stand for nowhere: they leave no part of the cell between them.
    from_x = np.where(y0 > 0, np.where(y1 > 0, 2.0, cross), 0.0).max(axis=0)
    to_x = np.where(y1 > 0, np.where(y0 > 0, -1.0, cross), 1.0).min(axis=0)
    return bool((from_x <= to_x).any())
