"""From readings to an envelope: between which bounds the truth was, at every moment (pure).

Three kinds. `Cones`: a declared rate bounds how far the truth moved since and until each reading. `Pairs`:
a flag or state that keeps its values, or a counter that only counts up, has one of two values between
neighbouring readings. `Polyline`: the readings as they stand, joined by straight lines. All emit the same
pieces, in order and without holes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol, final

from bench.errors import EvidenceError
from bench.samples import Sample, SignalTraits
from harness.judge.numbers import number_text
from harness.judge.spans import INF, Piece, Reading
from harness.judge.track import Block, Corners

if TYPE_CHECKING:
    from harness.judge.track import Flags, Floats


class Envelope(Protocol):
    """Turns readings into pieces."""

    continuous: bool
    """Whether the truth cannot jump: it passes every value between two of its values."""
    narrowed: Sequence[Reading]
    """Readings that the last `observe` made final, where their neighbours leave less than their window for them."""

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


def told(sample: Sample, traits: SignalTraits) -> str:
    """Return a reading as messages tell of it."""
    value = number_text(sample.value) + (
        f" {traits.unit}" if traits.unit not in {"flag", "state", "count"} else ""
    )
    return f"{value} (bench clock {sample.requested_s:.3f} to {sample.replied_s:.3f} s)"


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

    def __init__(
        self, traits: SignalTraits, *, always_known: bool, instants: bool, check: bool = True
    ) -> None:
        self._traits = traits
        # Infinite: however long the time between two readings, it is told by them (a counter, or readings as they
        # stand).
        self._keeps_s = INF if always_known else traits.keeps_for_s or 0.0
        # Each trace checks its readings once, in its own envelope; a watch's envelope sees the same readings again.
        self._check = traits.keeps_for_s if check and not (always_known or instants) else None
        self._instants = instants
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
        if self._instants:
            a = b = (sample.requested_s + sample.replied_s) / 2
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
            pairs.append((b, then, then) if known else (b, -INF, INF))
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
        b = a if self._instants else block.replied_s
        kept: Flags = later & (block.values[1:] == block.values[:-1]) & (b[1:] - a[:-1] < self._keeps_s)
        return kept

    def instants(self, block: Block) -> Floats:
        """Return the readings' earliest instants."""
        if self._instants:
            return block.middles_s()
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
        a, b = float(self.instants(block)[-1]), sample.replied_s
        if self._instants:
            b = a
        self._last = (sample.value, a, b)
        low, high = self._bounds()
        self._pairs = deque([(b, low, high)])

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
            most_s = sample.replied_s - before.requested_s + traits.refreshed_every_s
            if most_s < self._check:
                raise EvidenceError(
                    f"{traits.name} read {told(last, traits)} between {told(before, traits)} and "
                    f"{told(sample, traits)}: kept for less than {most_s:.3g} s where keeps_for declares "
                    f"{self._check:.3g} s. The unit may really flicker, or the register be a neighbour's (see "
                    f"`ventproof explain off-by-one`); find out first. Only if it may change that quickly when in "
                    f"order, declare keeps_for of {most_s:.3g} s or less"
                )


@final
class Polyline:
    """Readings as they stand, at the middle of their polls, joined by lines; a gap is not bridged."""

    continuous = True
    narrowed: Sequence[Reading] = ()

    def __init__(self) -> None:
        self._last: tuple[float, float] | None = None

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Join the new reading to the one before."""
        t1, value = (sample.requested_s + sample.replied_s) / 2, sample.value
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
        t = block.middles_s()
        return t[1:] > t[:-1]

    def instants(self, block: Block) -> Floats:
        """Return the middles of the polls."""
        return block.middles_s()

    def preview(self, block: Block) -> Corners:
        """Join the readings."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        assert self._last is not None
        values = np.concatenate(((self._last[1],), block.values))
        return Corners(np.concatenate(((self._last[0],), block.middles_s())), values, values)

    def skip(self, block: Block) -> None:
        """Go on from the last reading."""
        last = block[-1]
        self._last = ((last.requested_s + last.replied_s) / 2, last.value)
