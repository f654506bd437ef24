"""What all deciders have in common: they take pieces and readings in order, until the verdict must be so."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.envelope.spans import EPS_S, INF, Corners, Piece, Reading, Track, clip
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats


BEYOND_S: Final = 2 * EPS_S
"""Evidence is taken so far beyond the last judged instant that rounding leaves no instant of it uncovered, s."""


class Measures(NamedTuple):
    """The numbers of a ruling; see `Ruling`."""

    margin: Bounds | None = None
    slack: Bounds | None = None
    response_s: Bounds | None = None


class Readings(NamedTuple):
    """What `Reading` holds, of many readings in order and without gaps."""

    lo: Floats
    hi: Floats
    a: Floats
    b: Floats

    def hull(self) -> Reading:
        """Return one in the place of all: the greatest `lo`, the least `hi`, from the first `a` to the last `b`.

        It is above or below a limit for certain exactly where all are.
        """
        return Reading(float(self.lo.max()), float(self.hi.min()), float(self.a[0]), float(self.b[-1]))


class Decider(ABC):
    """Decides one formula; pass or fail is true of every trajectory that later evidence may leave.

    Attributes:
        s1: earliest instant of the stimulus, s.
        s2: latest instant of the stimulus, s.
        end_s: last instant that the formula speaks of.
        verdict: None while undecided.
        pieces: the envelope in [s1, end_s] so far.
        seen_low: lowest value that the evidence allows in the judged span.
        seen_high: highest value that the evidence allows in the judged span.
    """

    __slots__ = ("end_s", "pieces", "s1", "s2", "seen_high", "seen_low", "verdict")

    by_readings = False
    """Whether the readings alone decide, and end it."""

    def __init__(self, stimulus: Window, longest_s: float) -> None:
        self.s1 = stimulus.earliest_s
        self.s2 = stimulus.latest_s
        self.end_s = self.s2 + longest_s
        self.verdict: Verdict | None = None
        self.pieces = Track()
        self.seen_low = INF
        self.seen_high = -INF

    def piece(self, piece: Piece) -> None:
        """Take the next piece of the envelope; pieces come in order and without holes from s1 on."""
        if self.verdict is not None:
            return
        part = piece
        if piece.t0 < self.s1 or piece.t1 > self.end_s:
            inside = clip(piece, self.s1, self.end_s + BEYOND_S)
            if inside is None:
                return
            part = inside
        self.pieces.append(part)
        self.note_seen(part)
        self.take(part)

    def note_seen(self, part: Piece) -> None:
        """Widen what was seen."""
        _, l0, u0, _, l1, u1 = part
        # min() and max() cost three times as much, on every piece.
        if l0 < self.seen_low or l1 < self.seen_low:
            self.seen_low = min(l0, l1)
        if u0 > self.seen_high or u1 > self.seen_high:
            self.seen_high = max(u0, u1)

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - most kinds look
        """Return until when `stretch` is certain to do what `piece` and `reading` do, and to bring no verdict.

        Args:
            corners: the next pieces, all after the stimulus and before the end.
            readings: the next readings; their whole windows lie there too.
        """
        return -INF

    def stretch(self, corners: Corners, readings: Readings) -> None:
        """Take pieces and readings that are calm."""
        hull = corners.hull()
        self.pieces.extend(corners)
        self.note_seen(hull)
        self.reading(readings.hull())
        self.take(hull)

    def fill_in(self, piece: Piece) -> Piece | None:
        """Take a piece for the numbers of the ruling only, and return what was new of it.

        Readings decide ahead of the pieces.
        """
        since = max(self.s1, self.pieces.last_s)
        part = clip(piece, since, self.end_s)
        if part is None or part.t1 <= since:
            return None
        self.pieces.append(part)
        self.note_seen(part)
        return part

    @abstractmethod
    def take(self, part: Piece) -> None:
        """Draw conclusions from a piece inside the judged span."""

    @abstractmethod
    def reading(self, reading: Reading) -> None:
        """Draw conclusions from one reading; readings come in order, ahead of the pieces."""

    @abstractmethod
    def finish(self) -> None:
        """No further evidence matters: settle the verdict."""

    @abstractmethod
    def measures(self) -> Measures:
        """Return margin, slack and response time; called after the verdict."""

    def settle(self, *, passed: bool) -> None:
        """Pass, or leave it inconclusive."""
        if self.verdict is None:
            self.verdict = Verdict.PASS if passed else Verdict.INCONCLUSIVE


def bounds_if_finite(low: float, high: float) -> Bounds | None:
    """Return both, or None when nothing bounds them."""
    return Bounds(low, high) if abs(low) < INF and abs(high) < INF else None
