"""Stretches of an envelope as arrays: what whole logs are judged by, piece for piece the same (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, final

from bench.samples import Sample
from harness.judge.spans import INF, Piece

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.intp]


@final
@dataclass(frozen=True, slots=True)
class Block:
    """Readings of one signal with no gap between them, as arrays of the same length; instants in seconds."""

    values: Floats
    requested_s: Floats
    replied_s: Floats

    @classmethod
    def of(cls, values: Iterable[float], requested_s: Iterable[float], replied_s: Iterable[float]) -> Block:
        """Return the block of some readings."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        return cls(*(np.fromiter(column, float) for column in (values, requested_s, replied_s)))

    def __len__(self) -> int:
        return len(self.values)

    def part(self, first: int, last: int) -> Block:
        """Return the readings from `first` up to, not including, `last`."""
        return Block(self.values[first:last], self.requested_s[first:last], self.replied_s[first:last])

    def with_values(self, values: Floats) -> Block:
        """Return other values read at the same instants."""
        return Block(values, self.requested_s, self.replied_s)

    def middles_s(self) -> Floats:
        """Return the middle of each poll."""
        return (self.requested_s + self.replied_s) / 2

    def __getitem__(self, index: int) -> Sample:
        return Sample(float(self.values[index]), float(self.requested_s[index]), float(self.replied_s[index]))

    def __iter__(self) -> Iterator[Sample]:
        return map(Sample, self.values.tolist(), self.requested_s.tolist(), self.replied_s.tolist())


@final
@dataclass(frozen=True, slots=True)
class Corners:
    """Consecutive pieces without jumps: the bounds at each instant where one ends and the next begins."""

    t: Floats
    low: Floats
    high: Floats

    def until(self, t_s: float) -> Corners:
        """Return the corners up to the one at exactly `t_s`."""
        count = int(self.t.searchsorted(t_s)) + 1
        return Corners(self.t[:count], self.low[:count], self.high[:count])

    def lead_s(self, flags: Flags) -> float:
        """Return the instant of the last corner before the first without its flag; -inf if that is the first."""
        if not flags[0]:
            return -INF
        # `argmin` is 0 where every flag is set, too: then the one it points at is set.
        first = int(flags.argmin())
        return float(self.t[-1 if flags[first] else first - 1])

    def hull(self) -> Piece:
        """Return one piece in the place of all: its four corners are the extremes of either bound.

        The lesser ends come first. It is above, below or inside a limit exactly where all pieces are.
        """
        return Piece(
            float(self.t[0]),
            float(self.low.min()),
            float(self.high.min()),
            float(self.t[-1]),
            float(self.low.max()),
            float(self.high.max()),
        )

    def __iter__(self) -> Iterator[Piece]:
        points = zip(self.t.tolist(), self.low.tolist(), self.high.tolist(), strict=True)
        return (Piece(*one, *other) for one, other in pairwise(points))


@final
class Track:
    """The pieces that a decider has taken, in order: single ones, and stretches as arrays."""

    __slots__ = ("_parts", "last_s")

    def __init__(self, pieces: Iterable[Piece] = ()) -> None:
        self._parts: list[list[Piece] | Corners] = []
        self.last_s = -INF
        for piece in pieces:
            self.append(piece)

    def append(self, piece: Piece) -> None:
        """Add one piece."""
        if not self._parts or isinstance(self._parts[-1], Corners):
            self._parts.append([])
        part = self._parts[-1]
        assert isinstance(part, list)
        part.append(piece)
        self.last_s = piece.t1

    def extend(self, corners: Corners) -> None:
        """Add a stretch."""
        self._parts.append(corners)
        self.last_s = float(corners.t[-1])

    def clear(self) -> None:
        """Forget all pieces."""
        self._parts.clear()

    def __iter__(self) -> Iterator[Piece]:
        for part in self._parts:
            yield from part

    def __reversed__(self) -> Iterator[Piece]:
        for part in reversed(self._parts):
            yield from reversed(list(part))

    def columns(self) -> tuple[Floats, ...]:
        """Return t0, l0, u0, t1, l1 and u1 of all pieces as arrays."""
        import numpy as np  # noqa: PLC0415 - once a finding

        parts = []
        for part in self._parts:
            if isinstance(part, Corners):
                points = np.stack((part.t, part.low, part.high))
                parts.append(np.concatenate((points[:, :-1], points[:, 1:])))
            else:
                flat = np.fromiter((x for piece in part for x in piece), float, 6 * len(part))
                parts.append(flat.reshape(-1, 6).T)
        return tuple(np.concatenate(parts, axis=1)) if parts else tuple(np.empty((6, 0)))


def side(corners: Corners, low: float, high: float) -> tuple[int, float]:
    """Return where the first pieces are for certain, and until when: 1 above, -1 below, 0 inside [low, high].

    Where the first corner leaves it open, the instant is -inf.
    """
    # The edges belong to the band, as in `surely_in`: outside is strict.
    if corners.high[0] < low:
        return -1, corners.lead_s(corners.high < low)
    if corners.low[0] > high:
        return 1, corners.lead_s(corners.low > high)
    return 0, corners.lead_s((corners.low >= low) & (corners.high <= high))
