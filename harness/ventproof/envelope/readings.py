"""What was read; how densely (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple, final

from ventproof.envelope.spans import INF, Block, Corners, Piece, Reading, band_around
from ventproof_bench.base.evidence import Gap, Sample

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats


_TAIL: Final = 64
"""Readings kept when nothing has to be remembered: enough to bound the value at a stimulus just past."""


def is_withdrawn(sample: Sample, from_s: float) -> bool:
    """Return whether a reading is taken back by a gap that begins at an instant: not all of it came before."""
    return sample.requested_s >= from_s or sample.replied_s > from_s


def as_read(sample: Sample) -> Sample:
    """Return a reading as it stands: at the middle of its poll."""
    middle_s = (sample.requested_s + sample.replied_s) / 2
    return Sample(sample.value, middle_s, middle_s)


class Arrived(NamedTuple):
    """A reading as the trace took it: counted on where it is a counter, and what lay before it."""

    sample: Sample
    reading: Reading
    fresh: bool
    gap: Gap | None


class _Single(NamedTuple):
    arrived: Arrived
    pieces: Iterable[Piece]
    narrowed: Iterable[Reading]

    def begins_s(self) -> float:
        return self.arrived.sample.replied_s

    def last(self) -> Sample:
        return self.arrived.sample


class _Fold(NamedTuple):
    block: Block
    corners: Corners
    error: float
    age_s: float

    def begins_s(self) -> float:
        return float(self.block.replied_s[0])

    def last(self) -> Sample:
        return self.block[-1]

    def is_tail(self, from_s: float) -> bool:
        return len(self.block) >= _TAIL and bool(self.block.replied_s[_TAIL - 1] < from_s)

    def arrived(self, from_s: float, to_s: float) -> Iterator[Arrived]:
        for sample in self.block.part(*_around(self.block.replied_s, from_s, to_s)):
            low, high = sample.value - self.error, sample.value + self.error
            reading = Reading(low, high, sample.requested_s - self.age_s, sample.replied_s)
            yield Arrived(sample, reading, fresh=False, gap=None)

    def pieces(self, from_s: float, to_s: float) -> Iterator[Piece]:
        t, low, high = self.corners.t, self.corners.low, self.corners.high
        part = slice(*_around(t, from_s, to_s))
        return iter(Corners(t[part], low[part], high[part]))


def _thinned(singles: Sequence[_Single]) -> Sequence[_Single]:
    """Return the lowest and the highest of some readings, with one piece that contains theirs.

    All of them are returned where something happened that this piece would hide.
    """
    pieces = [piece for one in singles for piece in one.pieces]
    around = band_around(pieces)
    if around is None or any(one.arrived.fresh or one.arrived.gap for one in singles):
        return singles
    order = sorted(range(len(singles)), key=lambda at: singles[at].arrived.sample.value)
    first, *others = sorted({order[0], order[-1]})
    kept = _Single(singles[first].arrived, (around,), ())
    return [kept, *(_Single(singles[other].arrived, (), ()) for other in others)]


def _around(instants_s: Floats, from_s: float, to_s: float) -> tuple[int, int]:
    """Return the index of the first and after the last that lie between two instants, a tail on either side."""
    first, last = int(instants_s.searchsorted(from_s)), int(instants_s.searchsorted(to_s))
    return max(0, first - _TAIL), last + _TAIL


@final
class ReadingHistory:
    """Readings and pieces in the order in which they came; what lies long before `from_s` is forgotten.

    Args:
        error: the error of a reading, in the signal's unit.
        age_s: how much older than its request a reading may be, s.
        each: of so many readings in which nothing happens, no more than the extremes are kept.
    """

    def __init__(self, error: float, age_s: float, each: int = 1) -> None:
        self._error = error
        self._age_s = age_s
        self._each = each
        self._items: deque[_Single | _Fold] = deque()
        self._singly: list[_Single] = []

    def add(
        self, arrived: Arrived, pieces: Iterable[Piece], narrowed: Iterable[Reading], from_s: float
    ) -> None:
        """Remember one reading, and what it made final."""
        items, single = self._items, _Single(arrived, pieces, narrowed)
        items.append(single)
        while len(items) > _TAIL and (from_s == INF or items[_TAIL].begins_s() < from_s):
            items.popleft()
        if self._each > 1:
            self._thin(single)

    def _thin(self, last: _Single) -> None:
        """Keep the extremes of the last readings, once so many came singly."""
        self._singly.append(last)
        if len(self._singly) == self._each:
            for _ in self._singly:
                self._items.pop()
            self._items.extend(_thinned(self._singly))
            self._singly.clear()

    def fold(self, block: Block, corners: Corners, from_s: float) -> None:
        """Remember a block of readings without gaps."""
        self._singly.clear()
        if self._each > 1:
            block, corners = block.thinned(self._each), corners.thinned(self._each)
        fold = _Fold(block, corners, self._error, self._age_s)
        if fold.is_tail(from_s):
            self._items.clear()
        self._items.append(fold)

    def forget(self, from_s: float) -> None:
        """Forget what lies before `from_s`, but for the tail before it: that bounds the value at this instant."""
        kept: deque[_Single | _Fold] = deque()
        tail = 0
        while self._items and tail < _TAIL:
            item = self._items.pop()
            kept.appendleft(item)
            if item.begins_s() < from_s:
                tail += _TAIL if isinstance(item, _Fold) and item.is_tail(from_s) else 1
        self._items = kept

    def withdraw(self, from_s: float) -> None:
        """Forget what was read from `from_s` on, and what is folded with it."""
        self._singly.clear()
        while self._items and is_withdrawn(self._items[-1].last(), from_s):
            self._items.pop()

    def arrived(self, from_s: float, to_s: float = INF) -> list[Arrived]:
        """Return the readings from `from_s` to `to_s`, and at least a tail on either side as far as remembered."""
        found: list[Arrived] = []
        for item in self._within(from_s, to_s):
            found.extend([item.arrived] if isinstance(item, _Single) else item.arrived(from_s, to_s))
        return found

    def pieces(self, from_s: float, to_s: float = INF) -> list[Piece]:
        """Return the final pieces that the readings of `arrived` made final."""
        found: list[Piece] = []
        for item in self._within(from_s, to_s):
            found.extend(item.pieces if isinstance(item, _Single) else item.pieces(from_s, to_s))
        return found

    def narrowed(self, from_s: float, to_s: float = INF) -> list[Reading]:
        """Return the readings that the readings of `arrived` narrowed; in a block none does."""
        singles = (item for item in self._within(from_s, to_s) if isinstance(item, _Single))
        return [reading for item in singles for reading in item.narrowed]

    def _within(self, from_s: float, to_s: float) -> list[_Single | _Fold]:
        items = list(self._items)
        first, last = (bisect_right(items, t, key=lambda item: item.begins_s()) for t in (from_s, to_s))
        return items[max(0, first - _TAIL) : last + _TAIL]


@final
class ReadingStats:
    """How densely the signal was read since the stimulus, and before the verdict."""

    __slots__ = ("_first", "_from_s", "_last", "count", "longest_gap", "trip_s", "widest_s")

    def __init__(self, from_s: float) -> None:
        self._from_s = from_s
        self._first: Sample | None = None
        self._last: Sample | None = None
        self.count = 0
        self.widest_s = 0.0
        self.trip_s = 0.0
        self.longest_gap: Gap | None = None

    @property
    def spacing_s(self) -> float:
        """Mean time from one reading to the next; 0 until there were two."""
        if self._first is None or self._last is None or self.count < 2:  # noqa: PLR2004 - a spacing has two ends
            return 0.0
        return (self._last.replied_s - self._first.replied_s) / (self.count - 1)

    @property
    def last_s(self) -> float:
        """When the last reading was replied to, s; -inf without one."""
        return self._last.replied_s if self._last is not None else -INF

    def reading(self, sample: Sample, gap: Gap | None) -> None:
        """Note one reading and the gap before it."""
        last, self._last = self._last, sample
        if sample.replied_s < self._from_s:
            return
        self.count += 1
        self._first = self._first or sample
        # max() costs three times as much, on every reading of every watch.
        if (trip_s := sample.replied_s - sample.requested_s) > self.trip_s:
            self.trip_s = trip_s
        if last is not None and (wide_s := sample.requested_s - last.requested_s) > self.widest_s:
            self.widest_s = wide_s
        if gap is not None:
            self.gap(gap)

    def block(self, block: Block) -> None:
        """Note readings after the stimulus, with no gap before or between them."""
        last, self._last = self._last, block[-1]
        self.count += len(block)
        self._first = self._first or block[0]
        self.trip_s = max(self.trip_s, float((block.replied_s - block.requested_s).max()))
        if last is not None:
            self.widest_s = max(self.widest_s, block[0].requested_s - last.requested_s)
        if len(block) > 1:
            self.widest_s = max(self.widest_s, float((block.requested_s[1:] - block.requested_s[:-1]).max()))

    def gap(self, gap: Gap) -> None:
        """Note a gap."""
        longest = self.longest_gap
        if gap.to_s >= self._from_s and (
            longest is None or gap.to_s - gap.from_s > longest.to_s - longest.from_s
        ):
            self.longest_gap = gap

    def rests_on(self, from_s: float) -> bool:
        """Return whether a gap that begins at an instant takes back one of the readings."""
        return self._last is not None and is_withdrawn(self._last, from_s)

    def last_recent_s(self, now_s: float) -> float:
        """Return when the last reading was requested, or `now_s` if readings have failed to come since."""
        last = self._last
        usual_s = 3 * self.spacing_s + 2 * self.trip_s
        return last.requested_s if last is not None and now_s - last.replied_s <= usual_s else now_s
