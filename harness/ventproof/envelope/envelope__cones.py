"""The envelope of a signal whose rate is bounded: where the cones of all its readings meet (pure)."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Final, final

from bench.errors import EvidenceError
from bench.samples import Sample, SignalTraits
from harness.judge.envelope import told
from harness.judge.spans import EPS, INF, Piece, Reading
from harness.judge.track import Block, Corners

if TYPE_CHECKING:
    from harness.judge.track import Flags, Floats

_GRID_S: Final = 1e-12
"""Pieces are not cut shorter than this: it is less than the float grid of loop time, s."""
MOST_OPEN_NODES: Final = 8
"""Readings later than this sharpen no node any more: a bound on cost and delay, not on soundness."""


@final
class _Node:
    """One reading's middle instant, the bounds there, which readings gave them; and the reading itself."""

    __slots__ = ("high", "high_of", "low", "low_of", "m", "reading", "sample")

    def __init__(self, m: float, low: float, high: float, sample: Sample, reading: Reading) -> None:
        self.m = m
        self.low = low
        self.high = high
        self.sample = sample
        self.reading = reading
        self.low_of = sample
        self.high_of = sample


@final
class Cones:
    """The intersection of the cones of all readings of a signal whose rate is bounded.

    A reading v that the unit took at an unknown instant of [a, b], refresh age included, says of any moment
    t that the truth is within v ± (error + rate * max(|t - a|, |t - b|)). With m the middle and h half the
    length of [a, b] that is v ± (error + rate * h + rate * |t - m|), so bounds at the middles say
    everything, and all slopes are ± rate.
    """

    continuous = True

    def __init__(self, traits: SignalTraits, rate_per_s: float) -> None:
        self.narrowed: Sequence[Reading] = ()
        self._traits = traits
        self._rate = rate_per_s
        self._open: deque[_Node] = deque()

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:  # noqa: ARG002 - cones bridge everything
        """Intersect with one more cone; a node is final when no later cone can reach it."""
        rate, nodes = self._rate, self._open
        node = self._node(sample)
        if nodes:
            # The last node holds already what all before it say, and all slopes are the same: one step forward is
            # enough.
            self._carry_forward(nodes[-1], node)
        # After that, so that what is carried back is what both sides say.
        self._carry_back(node)
        nodes.append(node)
        pieces: list[Piece] = []
        narrowed: list[Reading] = []
        while len(nodes) > 1:
            oldest, second = nodes[0], nodes[1]
            carried = rate * (node.m - second.m)
            # What sharpens a node later comes through the one after it: the second being final is enough.
            # A later reading can lie no farther off than the newest bounds and the rate allow; carried back to the
            # second node this must cut nothing of it.
            settled = node.high - carried <= second.low and node.low + carried >= second.high
            if not settled and len(nodes) <= MOST_OPEN_NODES:
                break
            self._between(oldest, second, pieces)
            if (reading := self._narrow(oldest, second)) is not None:
                narrowed.append(reading)
            nodes.popleft()
        self.narrowed = narrowed
        return pieces

    def _narrow(self, one: _Node, other: _Node) -> Reading | None:
        """Narrow the windows of two neighbours whose bounds are final; return the first's, which is final then.

        From the bounds at the middle of one a reading of the other is so far away that it was not taken within a
        `gap_s` of that middle: of a window that begins, or ends, inside this gap, that much is cut off.
        """
        rate, mine, its = self._rate, one.reading, other.reading
        if rate <= 0:
            return None
        gap_s = max(one.low - its.hi, its.lo - one.high) / rate
        if -gap_s < its.a - one.m < gap_s:
            other.reading = its._replace(a=min(its.b, one.m + gap_s))
        gap_s = max(other.low - mine.hi, mine.lo - other.high) / rate
        if -gap_s < other.m - mine.b < gap_s:
            mine = one.reading = mine._replace(b=max(mine.a, other.m - gap_s))
        sample = one.sample
        as_read = mine.b == sample.replied_s and mine.a == sample.requested_s - self._traits.refreshed_every_s
        return None if as_read else mine

    def provisional(self, until_s: float) -> list[Piece]:
        """Return the pieces between the open nodes, and the open cone after the last one."""
        pieces: list[Piece] = []
        nodes = list(self._open)
        for left, right in pairwise(nodes):
            self._between(left, right, pieces)
        if nodes and until_s > nodes[-1].m:
            last, grown = nodes[-1], self._rate * (until_s - nodes[-1].m)
            pieces.append(Piece(last.m, last.low, last.high, until_s, last.low - grown, last.high + grown))
        return pieces

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return the open cone back from a piece's begin."""
        t0, l0, u0, *_ = piece
        grown = self._rate * (t0 - from_s)
        return Piece(from_s, l0 - grown, u0 + grown, t0, l0, u0)

    def alone(self, t_s: float) -> Piece | None:
        """Return what the open nodes say of a moment before all of them."""
        if not self._open:
            return None
        node, grown = self._open[0], self._rate * abs(self._open[0].m - t_s)
        return Piece(t_s, node.low - grown, node.high + grown, t_s, node.low - grown, node.high + grown)

    @property
    def still(self) -> bool:
        """Whether every open node has its own reading's bounds."""
        own = (node.low_of is node.sample and node.high_of is node.sample for node in self._open)
        return bool(self._open) and all(own)

    def quiet(self, block: Block) -> Flags:
        """Return where neither of two neighbours' cones cuts the other's bounds."""
        m, low, high = self._cones(block)
        carried = self._rate * (m[1:] - m[:-1])
        return (
            (m[1:] > m[:-1])
            & (low[:-1] - carried <= low[1:])
            & (high[:-1] + carried >= high[1:])
            & (low[1:] - carried <= low[:-1])
            & (high[1:] + carried >= high[:-1])
        )

    def instants(self, block: Block) -> Floats:
        """Return the readings' middle instants."""
        return self._cones(block)[0]

    def preview(self, block: Block) -> Corners:
        """Return what `_between` returns of all pairs of neighbours."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        nodes = [(node.m, node.low, node.high) for node in self._open]
        m, low, high = np.concatenate((np.array(nodes).T, self._cones(block)), axis=1)
        # The lines below are `_between` for all pairs at once. Change both or neither: a whole log must be judged as
        # it was live.
        t0, l0, u0, t1, l1, u1 = m[:-1], low[:-1], high[:-1], m[1:], low[1:], high[1:]
        rate = self._rate
        cut = rate * (t1 - t0) > EPS
        # A rate of 0 makes no kinks; `cut` leaves them out.
        middle, slope = (t0 + t1) / 2, 2 * rate or INF
        dip = np.minimum(t1, np.maximum(t0, middle + (l0 - l1) / slope))
        peak = np.minimum(t1, np.maximum(t0, middle + (u1 - u0) / slope))
        first, second = np.minimum(dip, peak), np.maximum(dip, peak)
        one = cut & (first - t0 > _GRID_S) & (t1 - first > _GRID_S)
        two = cut & (second - np.where(one, first, t0) > _GRID_S) & (t1 - second > _GRID_S)
        t = np.stack((t0, first, second), axis=1)
        lower = np.maximum(l0[:, None] - rate * (t - t0[:, None]), l1[:, None] - rate * (t1[:, None] - t))
        upper = np.minimum(u0[:, None] + rate * (t - t0[:, None]), u1[:, None] + rate * (t1[:, None] - t))
        lower[:, 0], upper[:, 0] = l0, u0
        kept = np.stack((np.ones_like(one), one, two), axis=1)
        return Corners(*(np.append(x[kept], end[-1]) for x, end in ((t, m), (lower, low), (upper, high))))

    def skip(self, block: Block) -> None:
        """Leave the last reading open: it is still."""
        self._open = deque([self._node(block[-1])])

    def _node(self, sample: Sample) -> _Node:
        a, b = sample.requested_s - self._traits.refreshed_every_s, sample.replied_s
        m, reach = (a + b) / 2, self._traits.error + self._rate * (b - a) / 2
        error = self._traits.error
        reading = Reading(sample.value - error, sample.value + error, a, b)
        return _Node(m, sample.value - reach, sample.value + reach, sample, reading)

    def _cones(self, block: Block) -> tuple[Floats, Floats, Floats]:
        """Return what `_node` makes of each reading: its middle instant, and its own bounds there."""
        a, b = block.requested_s - self._traits.refreshed_every_s, block.replied_s
        reach = self._traits.error + self._rate * (b - a) / 2
        return (a + b) / 2, block.values - reach, block.values + reach

    def _carry_forward(self, last: _Node, node: _Node) -> None:
        carried = self._rate * (node.m - last.m)
        if last.low - carried > node.low:
            node.low, node.low_of = last.low - carried, last.low_of
        if last.high + carried < node.high:
            node.high, node.high_of = last.high + carried, last.high_of
        if node.low > node.high + EPS:
            raise self._contradiction(node)

    def _carry_back(self, node: _Node) -> None:
        for old in reversed(self._open):
            carried = self._rate * (node.m - old.m)
            low, high = node.low - carried, node.high + carried
            # Invariant: neighbours differ by no more than the rate allows. What does not cut this node cuts none
            # before it.
            if low <= old.low and high >= old.high:
                break
            if low > old.low:
                old.low, old.low_of = low, node.low_of
            if high < old.high:
                old.high, old.high_of = high, node.high_of

    def _between(self, left: _Node, right: _Node, pieces: list[Piece]) -> None:
        t0, l0, u0, t1, l1, u1 = left.m, left.low, left.high, right.m, right.low, right.high
        if t1 <= t0:
            return
        rate = self._rate
        swing = rate * (t1 - t0)
        if swing <= EPS:
            pieces.append(Piece(t0, l0, u0, t1, l1, u1))
            return
        middle, slope = (t0 + t1) / 2, 2 * rate
        # The lower bound falls from the left and rises to the right, and so has a dip where both meet; the upper has
        # a peak.
        dip = min(t1, max(t0, middle + (l0 - l1) / slope))
        peak = min(t1, max(t0, middle + (u1 - u0) / slope))
        first, second = (dip, peak) if dip <= peak else (peak, dip)
        t, low, high = t0, l0, u0
        for at in (first, second):
            if at - t > _GRID_S and t1 - at > _GRID_S:
                next_low = max(l0 - rate * (at - t0), l1 - rate * (t1 - at))
                next_high = min(u0 + rate * (at - t0), u1 + rate * (t1 - at))
                pieces.append(Piece(t, low, high, at, next_low, next_high))
                t, low, high = at, next_low, next_high
        pieces.append(Piece(t, low, high, t1, l1, u1))

    def _contradiction(self, node: _Node) -> EvidenceError:
        # The bounds that crossed name the readings that contradict each other; they need not be neighbours.
        first, second = sorted((node.low_of, node.high_of), key=lambda sample: sample.replied_s)
        traits = self._traits
        apart = abs(second.value - first.value) - 2 * traits.error
        most_s = second.replied_s - first.requested_s + traits.refreshed_every_s
        needed = apart / most_s if most_s > 0 else INF
        quick = needed < INF and traits.unit == "%"
        travel = f"full_travel of {100 / needed:.3g} s" if quick else f"a rate of at least {needed:.4g}"
        return EvidenceError(
            f"{traits.name} read {told(first, traits)} and then {told(second, traits)}: faster than the "
            f"declared {self._rate:.4g} {traits.unit}/s. No drive should: the register may hold a target, be "
            f"stale, or be a neighbour's (see `ventproof explain off-by-one`); find out first. Only if the drive "
            f"really is that quick, declare {travel}{' or less' if quick else ''}"
        )
