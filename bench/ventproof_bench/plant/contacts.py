"""What a judge needs to know of a position that is reckoned from a drive's contacts, and its readings (pure).

Such a position has no register of its own. What is read of it are the two contacts of the drive, and flags that are on
while the vent is at a known place, all in one request. One number holds them: bit 0 opens, bit 1 closes, bits 2 and up
the flags, in the order in which the bench file names them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, final

from ventproof_bench.base.evidence import SignalTraits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ventproof_bench.plant.reckoned import TravelRange


class ContactsRead(NamedTuple):
    """One reading of a drive's contacts and of the flags of known places."""

    opens: bool
    closes: bool
    known: tuple[bool, ...]


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class ReckonedTraits(SignalTraits):
    """What a bench file declares of a position that follows from contacts.

    `keeps_for_s` and `refreshed_every_s` are those of its contacts and flags, at their worst.

    Attributes:
        travel: what is known of the vent's travel.
        flags: names of what is read, in the bench file: opens, closes, and the flags of known places.
        known_at: those places, 0 to 100 %.
    """

    travel: TravelRange
    flags: tuple[str, ...]
    known_at: tuple[float, ...] = ()

    def packed(self, values: Mapping[str, float]) -> float | None:
        """Return what was read as one number; None where something of it was not read."""
        if any(flag not in values for flag in self.flags):
            return None
        return packed([bool(values[flag]) for flag in self.flags])

    def unpacked(self, value: float) -> ContactsRead:
        """Return a reading as it was packed."""
        opens, closes, *known = (bool(int(value) >> place & 1) for place in range(2 + len(self.known_at)))
        return ContactsRead(opens, closes, tuple(known))


def packed(bits: Sequence[bool]) -> float:
    """Return contacts and flags as one number."""
    return float(sum(1 << place for place, on in enumerate(bits) if on))
