"""Bounds from readings, cones (pure).

Three kinds. `Cones`: a declared rate bounds how far the truth moved since and until each reading. `Pairs`:
a flag or state that keeps its values, or a counter that only counts up, has one of two values between
neighbouring readings. `Polyline`: readings of instants, joined by straight lines. All emit the same
pieces, in order and without holes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol, final

from ventproof.envelope.contradictions import flickers, too_fast
from ventproof.envelope.spans import EPS, INF, Block, Corners, Piece, Reading
from ventproof_bench.base.evidence import Sample, SignalTraits

if TYPE_CHECKING:
    from ventproof.envelope.spans import Flags, Floats
    from ventproof_bench.base.errors import EvidenceError


class Envelope(Protocol):
    """Turns readings into pieces."""

    continuous: bool
    """Whether the truth cannot jump: it passes every value between two of its values."""
    narrowed: Sequence[Reading]
    """Readings that the last `observe` made final, where their neighbours leave less than their window for them."""
    lag: int
    """So many readings after one its pieces are final at the latest, while all of them are quiet."""

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Take one reading; return the pieces that no later reading will sharpen.

        Args:
            sample: the reading.
            fresh: something happened since the reading before that only a rate may bridge.

        Raises:
            EvidenceError: the readings contradict what was declared of the signal.
        """
        ...

    def provisional(self, until_s: float) -> list[Piece]:
        """Return the pieces after the last final one, up to `until_s`, as they stand now."""
        ...

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return what `piece` says of the time between `from_s` and its own begin."""
        ...

    @property
    def still(self) -> bool:
        """Whether no reading so far that is open yet says anything of its neighbours."""
        ...

    def quiet(self, block: Block) -> Flags:
        """Return for each reading but the first whether neither it nor the one before says anything of the other.

        While the envelope is still, quiet readings contradict nothing and keep it still.
        """
        ...

    def instants(self, block: Block) -> Floats:
        """Return for each reading of a quiet block where the piece before it ends and the one after it begins."""
        ...

    def preview(self, block: Block) -> Corners:
        """Return the pieces from the last final one to the last reading of a quiet block, which comes next."""
        ...

    def skip(self, block: Block) -> None:
        """Go on as if the block had been observed, and all pieces of its preview been returned."""
        ...


class _Pair(NamedTuple):
    """Two neighbouring readings: from the earliest instant of the first to the latest of the second.

    Attributes:
        a: earliest instant of the first.
        next_a: earliest instant of the second.
        b: latest instant of the second.
        free_s: no change between the two came before; infinite: restarted between them, nothing is known.
        values: what was read.
    """

    a: float
    next_a: float
    b: float
    free_s: float
    values: tuple[float, float]


@final
class Pairs:
    """What neighbouring readings say of the time between them.

    Between two readings whose windows together leave less time for changes than that for which a value is kept there
    was at most one, so the truth was one of the two readings; of a counter, which only counts up, it was between them.
    Otherwise nothing is known. No change comes before the value last seen to be taken has been kept for its time, and
    the value that is seen to be left next was taken, for the last time, so long before. Until such a change is seen, or
    would be too late to matter, what a pair says waits.
    """

    continuous = False
    narrowed: Sequence[Reading] = ()
    lag = 0

    def __init__(self, traits: SignalTraits, *, always_known: bool) -> None:
        self._traits = traits
        # Infinite: however long the time between two readings, it is told by them (a counter, or readings as they
        # stand).
        self._keeps_s = INF if always_known else traits.keeps_for_s or 0.0
        # Each trace checks its readings once, in its own envelope; a watch's envelope sees the same readings again.
        self._check = None if always_known else traits.keeps_for_s
        self._last: tuple[float, float, float] | None = None  # value, a, b
        self._pairs: deque[tuple[float, float, float]] = deque()  # until b, low, high
        self._waiting: deque[_Pair] = deque()  # what they say may depend on the next change
        self._taken_s = -INF  # the present value was taken no earlier, as far as its change was seen
        self._run_from: Sample | None = None  # the reading before the present run of equal values
        self._last_sample: Sample | None = None

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Close the span before the new reading's earliest instant."""
        # The unit may have written the register as long before the request as it takes to refresh it.
        a, b = sample.requested_s - self._traits.refreshed_every_s, sample.replied_s
        self._check_kept(sample, fresh=fresh)
        pieces: list[Piece] = []
        if self._last is not None:
            value, last_a, _ = self._last
            changed = value != sample.value
            if fresh or changed:
                # Before the new pair waits: this change sharpens what came before it, its own pair only a later one.
                # Over a restart nobody saw a value left.
                pieces += self._settle(self._pairs, INF, INF if fresh else b)
            free_s = INF if fresh else max(last_a, self._taken_s + self._keeps_s)
            self._waiting.append(_Pair(last_a, a, b, free_s, (value, sample.value)))
            if fresh:
                self._taken_s = -INF
            elif changed and self._keeps_s < INF:
                self._taken_s = free_s
            pieces += self._settle(self._pairs, a, INF)
        else:
            self._pairs.append((b, -INF, INF))  # before it was read first, nothing is known
        self._last = (sample.value, a, b)
        return pieces

    def _settle(
        self, pairs: deque[tuple[float, float, float]], now_s: float, left_s: float, *, trial: bool = False
    ) -> list[Piece]:
        """Return the pieces of waiting pairs, in order, as far as no change after them can sharpen them.

        Args:
            pairs: the pairs that are open.
            now_s: no change comes before, but one that was seen.
            left_s: by when the value read last was left; infinite: that was not seen.
            trial: leave them waiting.
        """
        pieces: list[Piece] = []
        waiting = deque(self._waiting) if trial else self._waiting
        while waiting:
            a, next_a, b, free_s, (value, then) = waiting[0]
            taken_s = min(b, left_s - self._keeps_s) if left_s < INF else b
            known = free_s < INF and taken_s - free_s < self._keeps_s
            # A change that comes later still leaves `taken_s` at b, and so tells nothing more.
            if not known and free_s < INF and now_s < b + self._keeps_s and self._keeps_s:
                break
            waiting.popleft()
            # Pairs overlap as their windows do: each counts until the latest instant of its second reading.
            open_ = [pair for pair in pairs if pair[0] > a]
            pairs.clear()
            pairs.extend(open_)
            said = (then, then) if known else (-INF, INF)
            if pairs and pairs[-1][1:] == said and pairs[-1][0] <= b:
                pairs.pop()  # the new one says the same, for longer
            pairs.append((b, *said))
            if known and value != then:
                pairs.append((taken_s, min(value, then), max(value, then)))
            pieces += self._pieces(pairs, a, next_a)
        return pieces

    def provisional(self, until_s: float) -> list[Piece]:
        """Return what waiting pairs say as it stands, and that after the last reading nothing is known."""
        pieces = self._settle(deque(self._pairs), INF, INF, trial=True)
        if self._last is not None and until_s > self._last[1]:
            pieces.append(Piece(self._last[1], -INF, INF, until_s, -INF, INF))
        return pieces

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return what is known before a piece: nothing."""
        return Piece(from_s, -INF, INF, piece.t0, -INF, INF)

    @property
    def still(self) -> bool:
        """Whether no pair waits, and all open ones say the same."""
        if self._last is None or self._waiting:
            return False
        low, high = self._bounds()
        return all(pair[1] == low and pair[2] == high for pair in self._pairs)

    def quiet(self, block: Block) -> Flags:
        """Return where the value stays and is known to; without keeping times nothing is ever known."""
        a = self.instants(block)
        later = a[1:] > a[:-1]
        if self._keeps_s == 0:
            return later
        near = block.replied_s[1:] - a[:-1] < self._keeps_s
        kept: Flags = later & (block.values[1:] == block.values[:-1]) & near
        return kept

    def instants(self, block: Block) -> Floats:
        """Return the readings' earliest instants."""
        return block.requested_s - self._traits.refreshed_every_s

    def preview(self, block: Block) -> Corners:
        """Return the one value over all the time, or that nothing is known."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        assert self._last is not None
        low, high = self._bounds()
        t = np.concatenate(((self._last[1],), self.instants(block)))
        return Corners(t, np.full(len(t), low), np.full(len(t), high))

    def skip(self, block: Block) -> None:
        """Keep the last pair: the others say the same and end before it."""
        sample = self._last_sample = block[-1]
        self._last = (sample.value, float(self.instants(block)[-1]), sample.replied_s)
        low, high = self._bounds()
        self._pairs = deque([(sample.replied_s, low, high)])

    def _bounds(self) -> tuple[float, float]:
        assert self._last is not None
        return (self._last[0], self._last[0]) if self._keeps_s else (-INF, INF)

    @staticmethod
    def _pieces(pairs: deque[tuple[float, float, float]], t0: float, t1: float) -> list[Piece]:
        """Return the bounds over [t0, t1]: at t every pair counts whose windows contain t."""
        low, high = min(pair[1] for pair in pairs), max(pair[2] for pair in pairs)
        if t1 <= t0:
            return []
        pieces: list[Piece] = []
        # The common case is that all say the same: then there is nothing to cut.
        if any(pair[1] != low or pair[2] != high for pair in pairs):
            waiting = sorted(pairs)
            # In order of their ends: each end drops one pair, and what the others leave is narrower.
            while waiting and waiting[0][0] < t1:
                low, high = min(pair[1] for pair in waiting), max(pair[2] for pair in waiting)
                end = waiting.pop(0)[0]
                if end > t0:
                    pieces.append(Piece(t0, low, high, end, low, high))
                    t0 = end
            low, high = min(pair[1] for pair in waiting), max(pair[2] for pair in waiting)
        if t1 > t0:
            pieces.append(Piece(t0, low, high, t1, low, high))
        return pieces

    def _check_kept(self, sample: Sample, *, fresh: bool) -> None:
        last, self._last_sample = self._last_sample, sample
        if fresh:
            # A restart may set any value at once: no value is kept across it.
            self._run_from = None
        elif last is not None and last.value != sample.value:
            before, self._run_from = self._run_from, last
            if before is None or self._check is None:
                return
            traits = self._traits
            # The longest that it can have been kept: from the earliest instant of the reading before to the latest of
            # the one after.
            if sample.replied_s - before.requested_s + traits.refreshed_every_s < self._check:
                raise flickers(before, last, sample, traits)


@final
class Polyline:
    """Readings of instants, joined by lines; a gap is not bridged."""

    continuous = True
    narrowed: Sequence[Reading] = ()
    lag = 0

    def __init__(self) -> None:
        self._last: tuple[float, float] | None = None

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Join the new reading to the one before."""
        t1, value = sample.requested_s, sample.value
        last, self._last = self._last, (t1, value)
        if last is None or t1 <= last[0]:
            return []
        if fresh:
            return [Piece(last[0], -INF, INF, t1, -INF, INF)]
        return [Piece(last[0], last[1], last[1], t1, value, value)]

    def provisional(self, until_s: float) -> list[Piece]:
        """Return what is known after the last reading: nothing."""
        if self._last is None or until_s <= self._last[0]:
            return []
        return [Piece(self._last[0], -INF, INF, until_s, -INF, INF)]

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return what is known before the first reading: nothing."""
        return Piece(from_s, -INF, INF, piece.t0, -INF, INF)

    @property
    def still(self) -> bool:
        """Whether there is a reading to go on from."""
        return self._last is not None

    def quiet(self, block: Block) -> Flags:
        """Return where time goes on."""
        return block.requested_s[1:] > block.requested_s[:-1]

    def instants(self, block: Block) -> Floats:
        """Return the instants."""
        return block.requested_s

    def preview(self, block: Block) -> Corners:
        """Join the readings."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        assert self._last is not None
        values = np.concatenate(((self._last[1],), block.values))
        return Corners(np.concatenate(((self._last[0],), block.requested_s)), values, values)

    def skip(self, block: Block) -> None:
        """Go on from the last reading."""
        self._last = (float(block.requested_s[-1]), float(block.values[-1]))


_GRID_S: Final = 1e-12
"""Pieces are not cut shorter than this: it is less than the float grid of loop time, s."""
MOST_OPEN_NODES: Final = 8
"""Readings later than this sharpen no node any more: a bound on cost and delay, not on soundness."""


@final
class _Node:
    """One reading's middle instant, the bounds there, which readings gave them; and the reading itself.

    Its window [a, b] is as it was read, until `narrowed`.
    """

    __slots__ = ("a", "b", "high", "high_of", "low", "low_of", "m", "narrowed", "sample")

    def __init__(self, sample: Sample, a: float, b: float, reach: float) -> None:
        self.m = (a + b) / 2
        self.low = sample.value - reach
        self.high = sample.value + reach
        self.low_of = self.high_of = self.sample = sample
        self.a, self.b = a, b
        self.narrowed = False


@final
class Cones:
    """The intersection of the cones of all readings of a signal whose rate is bounded.

    A reading v that the unit took at an unknown instant of [a, b], refresh age included, says of any moment
    t that the truth is within v ± (error + rate * max(|t - a|, |t - b|)). With m the middle and h half the
    length of [a, b] that is v ± (error + rate * h + rate * |t - m|), so bounds at the middles say
    everything, and all slopes are ± rate.
    """

    continuous = True
    lag = MOST_OPEN_NODES + 1

    def __init__(self, traits: SignalTraits, rate_per_s: float) -> None:
        self.narrowed: Sequence[Reading] = ()
        self._traits = traits
        self._error, self._age_s = traits.error, traits.refreshed_every_s
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
        error, mine, its = self._error, one.sample.value, other.sample.value
        if self._rate <= 0:
            return None
        if one.low - its > error or its - one.high > error:
            gap_s = (max(one.low - its, its - one.high) - error) / self._rate
            if -gap_s < other.a - one.m < gap_s:
                other.a, other.narrowed = min(other.b, one.m + gap_s), True
        if other.low - mine > error or mine - other.high > error:
            gap_s = (max(other.low - mine, mine - other.high) - error) / self._rate
            if -gap_s < other.m - one.b < gap_s:
                one.b, one.narrowed = max(one.a, other.m - gap_s), True
        return Reading(mine - error, mine + error, one.a, one.b) if one.narrowed else None

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
        dip, peak = middle + (l0 - l1) / slope, middle + (u1 - u0) / slope
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
        a, b = sample.requested_s - self._age_s, sample.replied_s
        return _Node(sample, a, b, self._error + self._rate * (b - a) / 2)

    def _cones(self, block: Block) -> tuple[Floats, Floats, Floats]:
        """Return what `_node` makes of each reading: its middle instant, and its own bounds there."""
        a, b = block.requested_s - self._age_s, block.replied_s
        reach = self._error + self._rate * (b - a) / 2
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
        dip, peak = middle + (l0 - l1) / slope, middle + (u1 - u0) / slope
        t, low, high = t0, l0, u0
        for at in (dip, peak) if dip <= peak else (peak, dip):
            if at - t > _GRID_S and t1 - at > _GRID_S:
                since, until = rate * (at - t0), rate * (t1 - at)
                # max() and min() cost three times as much, on every piece.
                low_at = l0 - since if l0 - since > l1 - until else l1 - until  # noqa: FURB136 - see above
                high_at = u0 + since if u0 + since < u1 + until else u1 + until  # noqa: FURB136 - see above
                pieces.append(Piece(t, low, high, at, low_at, high_at))
                t, low, high = at, low_at, high_at
        pieces.append(Piece(t, low, high, t1, l1, u1))

    def _contradiction(self, node: _Node) -> EvidenceError:
        # The bounds that crossed name the readings that contradict each other; they need not be neighbours.
        first, second = sorted((node.low_of, node.high_of), key=lambda sample: sample.replied_s)
        return too_fast(first, second, self._traits, self._rate)
