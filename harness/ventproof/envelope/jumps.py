"""Bounds of a position that a unit reckons, and sets right at its ends (pure).

When such a unit finds its reference, its register jumps there: no drive moved that fast. Where a jump that the bench
file declares may lie between two neighbouring readings, what both sides say is no longer of one course. So the readings
are cut there into segments, each of them with cones of its own. The jump may have come at any instant from the begin of
the earlier reading's window to the end of the later one's, and all that time both segments count.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from copy import copy
from itertools import pairwise
from typing import TYPE_CHECKING, Final, final

from ventproof.envelope.envelope import MOST_OPEN_NODES, Cones
from ventproof.envelope.spans import EPS, INF, Block, Corners, Piece, Reading, clip

if TYPE_CHECKING:
    from ventproof.envelope.spans import Flags, Floats
    from ventproof_bench.base.evidence import Sample, SignalTraits

_AHEAD: Final = MOST_OPEN_NODES
"""After a block come at least so many quiet readings more."""


@final
class _Segment:
    """Readings between which no jump can lie, and the time for which they count."""

    __slots__ = ("_begun", "cones", "known_s", "pieces", "to_s")

    def __init__(self, cones: Cones, from_s: float) -> None:
        self.cones = cones
        self.known_s = from_s  # before it no later reading of the segment sharpens anything
        self.to_s = INF
        self.pieces: list[Piece] = []
        self._begun = False

    def add(self, pieces: Iterable[Piece]) -> None:
        """Take the next pieces of its cones; before the first one its open cone counts."""
        for piece in pieces:
            if not self._begun and piece.t0 > self.known_s > -INF:
                self.pieces.append(self.cones.before(piece, self.known_s))
            self._begun, self.known_s = True, piece.t1
            self.pieces.append(piece)

    def close(self, to_s: float) -> None:
        """Let it end: no reading belongs to it any more."""
        self.add(self.cones.provisional(to_s))
        self.known_s, self.to_s = INF, to_s

    def as_it_stands(self, until_s: float) -> _Segment:
        """Return the segment with all that its readings say by now."""
        segment = copy(self)
        segment.pieces = list(self.pieces)
        if self.to_s == INF:
            segment.add(self.cones.provisional(until_s))
        return segment

    def drop_until(self, t_s: float) -> None:
        """Forget what lies before an instant."""
        self.pieces = [piece for piece in self.pieces if piece.t1 > t_s]


@final
class Jumps:
    """The hull of the segments that count at an instant."""

    continuous = False
    narrowed: Sequence[Reading] = ()
    lag = MOST_OPEN_NODES + 1

    def __init__(self, traits: SignalTraits, rate_per_s: float) -> None:
        self._traits = traits
        self._rate = rate_per_s
        self._segments: deque[_Segment] = deque([_Segment(Cones(traits, rate_per_s), -INF)])
        self._last: Sample | None = None
        self._known_s = -INF  # so far final pieces were returned

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Go on with the segment, or begin another where a jump may lie before this reading."""
        last, self._last = self._last, sample
        if last is None:
            # Before the middle of the first reading nothing is said: no segment is complete there.
            self._known_s = (self._begin_s(sample) + sample.replied_s) / 2
        elif self._may_jump(last, sample):
            self._segments[-1].close(sample.replied_s)
            self._segments.append(_Segment(Cones(self._traits, self._rate), self._begin_s(last)))
        segment = self._segments[-1]
        segment.add(segment.cones.observe(sample, fresh=fresh))
        return self._settled(self._begin_s(sample))

    def _settled(self, before_s: float) -> list[Piece]:
        """Return the next final pieces: another segment may begin from `before_s` on."""
        segments = self._segments
        until_s = min(before_s, *(segment.known_s for segment in segments))
        if len(segments) == 1:
            # Whole pieces, so that they are the same however many are taken together.
            until_s = max((p.t1 for p in segments[0].pieces if p.t1 <= until_s), default=-INF)
        if until_s <= self._known_s:
            return []
        pieces = list(_hull(segments, self._known_s, until_s))
        self._known_s = until_s
        while segments[0].to_s <= until_s:
            segments.popleft()
        for segment in segments:
            segment.drop_until(until_s)
        return pieces

    def provisional(self, until_s: float) -> list[Piece]:
        """Return the hull of what the segments say as it stands; after the last reading a jump may have come."""
        if self._last is None:
            return []
        trial = [segment.as_it_stands(until_s) for segment in self._segments]
        begin_s = self._begin_s(self._last)
        reach = self._rate * (until_s - begin_s)
        if reach > 0:
            for place in self._traits.jumps_to:
                if abs(self._last.value - place) <= self._traits.jumps_by + self._traits.error + reach + EPS:
                    later = _Segment(Cones(self._traits, self._rate), begin_s)
                    later.pieces = [Piece(begin_s, place, place, until_s, place - reach, place + reach)]
                    trial.append(later)
        return list(_hull(trial, self._known_s, until_s))

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return the open cone back from a piece's begin, or what was there before a jump, if that is wider."""
        t0, low, high, *_ = piece
        grown = self._rate * (t0 - from_s)
        first_low, first_high = low - grown, high + grown
        for place in self._traits.jumps_to:
            if low - grown <= place <= high + grown:
                by = self._traits.jumps_by + grown
                first_low, first_high = min(first_low, place - by), max(first_high, place + by)
        # As wide at its end as at its begin: a jump may have come at its very end.
        return Piece(from_s, first_low, first_high, t0, first_low, first_high)

    @property
    def still(self) -> bool:
        """Whether one segment alone counts, and no open reading of it says anything of its neighbours."""
        return len(self._segments) == 1 and self._segments[0].cones.still

    def quiet(self, block: Block) -> Flags:
        """Return where no jump can lie between two readings, and neither says anything of the other."""
        quiet = self._segments[-1].cones.quiet(block)
        begin, instants = block.requested_s - self._traits.refreshed_every_s, self.instants(block)
        if (instants[:-_AHEAD] > begin[_AHEAD:]).any():
            # Readings may be so old that a jump reaches back over what a block has taken.
            return quiet & False
        left, landed = self._distances(block.values[:-1]), self._distances(block.values[1:], jump=False)
        reach = self._rate * (block.replied_s[1:] - begin[:-1])
        return quiet & (left + landed > reach + EPS)

    def instants(self, block: Block) -> Floats:
        """Return the readings' middle instants."""
        return self._segments[-1].cones.instants(block)

    def preview(self, block: Block) -> Corners:
        """Return what the one segment says."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        segment = self._segments[0]
        corners = segment.cones.preview(block)
        waiting = _within(segment, self._known_s, INF)
        if not waiting:
            return corners
        t0, l0, u0, *_ = np.array(waiting).T
        joined = zip((t0, l0, u0), (corners.t, corners.low, corners.high), strict=True)
        return Corners(*(np.concatenate(pair) for pair in joined))

    def skip(self, block: Block) -> None:
        """Go on from the last reading."""
        segment, last = self._segments[0], block[-1]
        segment.cones.skip(block)
        segment.pieces.clear()
        self._last = last
        self._known_s = float(self.instants(block)[-1])

    def _begin_s(self, sample: Sample) -> float:
        return sample.requested_s - self._traits.refreshed_every_s

    def _may_jump(self, last: Sample, sample: Sample) -> bool:
        """Return whether a declared jump may lie between two readings.

        From the first it goes on to within `jumps_by` of a place, jumps there, and goes on to the second.
        """
        by, error = self._traits.jumps_by, self._traits.error
        left = min(abs(last.value - place) for place in self._traits.jumps_to) - by - error
        landed = min(abs(sample.value - place) for place in self._traits.jumps_to) - error
        reach = self._rate * (sample.replied_s - self._begin_s(last))
        return max(0.0, left) + max(0.0, landed) <= reach + EPS

    def _distances(self, values: Floats, *, jump: bool = True) -> Floats:
        """Return, for many readings, what `_may_jump` computes of one."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        off = self._traits.error + (self._traits.jumps_by if jump else 0.0)
        nearest = np.min([np.abs(values - place) for place in self._traits.jumps_to], axis=0)
        distances: Floats = np.maximum(0.0, nearest - off)
        return distances


def _hull(segments: Sequence[_Segment], from_s: float, until_s: float) -> Iterator[Piece]:
    """Yield what holds whichever of some segments counts, from an instant to another.

    Between two corners of any of them the greatest of straight lines lies below the line through its ends.
    """
    parts = [_within(segment, from_s, until_s) for segment in segments]
    corners = sorted({t for lines in parts for piece in lines for t in (piece.t0, piece.t1)})
    for t0, t1 in pairwise(corners):
        alive = [inside for lines in parts for piece in lines if (inside := _lasting(piece, t0, t1))]
        low0, low1 = min(p.l0 for p in alive), min(p.l1 for p in alive)
        high0, high1 = max(p.u0 for p in alive), max(p.u1 for p in alive)
        yield Piece(t0, low0, high0, t1, low1, high1)


def _lasting(piece: Piece, from_s: float, until_s: float) -> Piece | None:
    """Return the part of a piece between two instants, if it is more than an instant."""
    part = clip(piece, from_s, until_s)
    return part if part is not None and part.t1 > part.t0 else None


def _within(segment: _Segment, from_s: float, until_s: float) -> list[Piece]:
    """Return what a segment says of the time between two instants for which it counts."""
    until_s = min(until_s, segment.to_s)
    return [part for piece in segment.pieces if (part := _lasting(piece, from_s, until_s)) is not None]
