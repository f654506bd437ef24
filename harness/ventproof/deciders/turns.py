"""By how much a course may fall and rise within a span, and whether it must (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, final

from ventproof.deciders.base import Readings
from ventproof.envelope.spans import INF, Reading, Span, Track

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats


_FAR: Final = 1e9
"""Where nothing is known, bounds are this far away: what is straight stays straight."""


@final
class Turns:
    """The envelope and the readings of a course, to be asked for turns within spans of instants.

    Args:
        pieces: the envelope, without holes.
        readings: what was read meanwhile, in order.
    """

    def __init__(self, pieces: Track, readings: Sequence[Reading | Readings]) -> None:
        import numpy as np  # noqa: PLC0415 - once a finding

        t0, l0, u0, t1, l1, u1 = pieces.columns()
        self._t = np.append(t0, t1[-1:])
        # Where two pieces meet in a jump the wider bound counts: `interp` takes one value an instant, and too wide is
        # sound.
        low = np.concatenate((l0[:1], np.minimum(l1[:-1], l0[1:]), l1[-1:]))
        high = np.concatenate((u0[:1], np.maximum(u1[:-1], u0[1:]), u1[-1:]))
        self._low, self._high = np.maximum(low, -_FAR), np.minimum(high, _FAR)
        columns = [np.stack([np.atleast_1d(x) for x in one[:4]]) for one in readings]
        self._readings = np.concatenate(columns, axis=1) if columns else np.empty((4, 0))

    def may_turn(self, span: Span, delay_s: float) -> float:
        """Return the most by which some course both falls and rises; either way takes `delay_s` at least."""
        low, high = self._low, self._high
        if span[0] + delay_s > span[1] - delay_s or not len(self._t):
            return 0.0
        most = max(self._dip(low, high, span, delay_s), self._dip(-high, -low, span, delay_s))
        # No signal turns by that much: a bound was not known.
        return most if most < _FAR / 2 else INF

    def must_turn(self, span: Span) -> float:
        """Return the most by which every course both falls and rises."""
        lo, hi, a, b = self._readings
        inside = (a >= span[0]) & (b <= span[1])
        lo, hi, a, b = lo[inside], hi[inside], a[inside], b[inside]
        low, high = self._low, self._high
        return min(self._fall(low, high, lo, hi, a, b, span), self._fall(-high, -low, -hi, -lo, a, b, span))

    def _dip(self, low: Floats, high: Floats, span: Span, delay_s: float) -> float:
        """Return the greatest over m of min(max U until m - delay, max U from m + delay on) - L(m)."""
        import numpy as np  # noqa: PLC0415 - once a finding

        first, last = span[0] + delay_s, span[1] - delay_s
        # What is sought bends only where one of its three curves does.
        m = np.unique(np.concatenate(((first, last), self._t, self._t + delay_s, self._t - delay_s)))
        m = m[(m >= first) & (m <= last)]
        before, after = np.interp(m - delay_s, self._t, high), np.interp(m + delay_s, self._t, high)
        so_far, to_come = np.maximum.accumulate(before), np.maximum.accumulate(after[::-1])[::-1]
        lowest = np.interp(m, self._t, low)
        best = float((np.minimum(so_far, to_come) - lowest).max())
        # Between two neighbours a new maximum rises along a straight line, and one to come falls along one: the least
        # of both may be greatest where they cross each other, or what they do not exceed.
        p, dp, q, dq = before[:-1], np.diff(before), after[:-1], np.diff(after)
        so_far, to_come, low0, dlow = so_far[:-1], to_come[1:], lowest[:-1], np.diff(lowest)
        with np.errstate(invalid="ignore", divide="ignore"):
            crossings = [(so_far - p) / dp, (to_come - p) / dp, (so_far - q) / dq, (to_come - q) / dq]
            crossings.append((q - p) / (dp - dq))
        for crossing in crossings:
            x = np.clip(np.nan_to_num(crossing), 0.0, 1.0)
            top = np.minimum(np.maximum(so_far, p + dp * x), np.maximum(to_come, q + dq * x))
            best = max(best, float((top - low0 - dlow * x).max(initial=-INF)))
        return best

    def _fall(  # noqa: PLR0917 - the columns of the evidence
        self, low: Floats, high: Floats, lo: Floats, hi: Floats, a: Floats, b: Floats, span: Span
    ) -> float:
        """Return the greatest certain value so far, less the least certain value from then on, at its greatest."""
        import numpy as np  # noqa: PLC0415 - once a finding

        t = self._t[(self._t > span[0]) & (self._t < span[1])]
        if span[0] > span[1]:
            return 0.0
        t = np.concatenate((span[:1], t, span[1:]))
        # A reading was up there by the end of its window at the latest, and down there from its begin at the
        # earliest.
        up_s, up = np.append(t, b), np.append(np.interp(t, self._t, low), lo)
        down_s, down = np.append(t, a), np.append(np.interp(t, self._t, high), hi)
        order = up_s.argsort(kind="stable")
        highest = np.maximum.accumulate(up[order])
        so_far = up_s[order].searchsorted(down_s, "right") - 1
        return float((highest[so_far] - down)[so_far >= 0].max())
