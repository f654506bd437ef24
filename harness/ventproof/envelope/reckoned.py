"""Bounds of a position that no register tells: reckoned from the readings of its drive's contacts (pure).

A sample of such a signal is not a position: it holds what the contacts were, packed (`plant.contacts`). All that is
known of the position are the two extreme vents that fit them (`plant.reckoned`), so that only pieces decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, final

from ventproof.envelope.spans import INF, Block, Corners, Piece, Reading
from ventproof_bench.base.evidence import Sample, Window
from ventproof_bench.plant.reckoned import ReckonedVent

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof.envelope.spans import Flags, Floats
    from ventproof_bench.plant.contacts import ReckonedTraits
    from ventproof_bench.plant.reckoned import PositionBounds

_SHUT_PERCENT, _OPEN_PERCENT = 0.0, 100.0


@final
class Reckoned:
    """The interval between the two extreme vents that fit the contacts as they were read."""

    continuous = True
    narrowed: Sequence[Reading] = ()
    lag = 0

    def __init__(self, traits: ReckonedTraits) -> None:
        self._traits = traits
        self._vent = ReckonedVent(
            traits.name,
            traits.travel,
            keeps_for_s=traits.keeps_for_s or 0.0,
            known_at=traits.known_at,
        )
        self._known_s = -INF  # so far final pieces were returned
        self._stood = (_SHUT_PERCENT, _OPEN_PERCENT)  # the bounds there

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Move both vents on to the begin of this reading's window."""
        read = self._traits.unpacked(sample.value)
        begin_s = sample.requested_s - self._traits.refreshed_every_s
        window = Window(begin_s, sample.replied_s)
        bounds = self._vent.observe(
            window, opens=read.opens, closes=read.closes, known=read.known, fresh=fresh
        )
        pieces = list(_pieces(bounds))
        if pieces:
            self._known_s, self._stood = pieces[-1].t1, (pieces[-1].l1, pieces[-1].u1)
        elif self._known_s == -INF:
            self._known_s = begin_s
        return pieces

    def provisional(self, until_s: float) -> list[Piece]:
        """Return the bounds from the last reading on: since then the contacts may have been anything."""
        return list(_pieces(self._vent.provisional(until_s)))

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return from where the vent can have come: from anywhere that its fastest travel leaves."""
        t0, low, high, *_ = piece
        grown = (self._traits.rate_per_s or INF) * (t0 - from_s)
        first_low, first_high = max(_SHUT_PERCENT, low - grown), min(_OPEN_PERCENT, high + grown)
        # As wide at its end as at its begin: in between it may be anything that lies between the two lines.
        return Piece(from_s, first_low, first_high, t0, first_low, first_high)

    @property
    def still(self) -> bool:
        """Whether the vent stays where it is for as long as nothing of what is read changes."""
        return self._vent.rests

    def quiet(self, block: Block) -> Flags:
        """Return where the same is read and no contact can have changed and changed back."""
        begin_s = self.instants(block)
        near = block.replied_s[1:] - begin_s[:-1] < (self._traits.keeps_for_s or 0.0)
        quiet: Flags = near & (block.values[1:] == block.values[:-1]) & (begin_s[1:] > begin_s[:-1])
        return quiet

    def instants(self, block: Block) -> Floats:
        """Return the begins of the readings' windows."""
        return block.requested_s - self._traits.refreshed_every_s

    def preview(self, block: Block) -> Corners:
        """Return that it stays where it is."""
        import numpy as np  # noqa: PLC0415 - only whole logs need it

        t = np.concatenate(((self._known_s,), self.instants(block)))
        low, high = self._stood
        return Corners(t, np.full(len(t), low), np.full(len(t), high))

    def skip(self, block: Block) -> None:
        """Go on from the last reading."""
        last = block[-1]
        begin_s = float(self.instants(block)[-1])
        self._vent.skip(Window(begin_s, last.replied_s))
        self._known_s = begin_s


def _pieces(bounds: Iterable[PositionBounds]) -> Iterable[Piece]:
    return (Piece(*part) for part in bounds)
