"""How often the buses of a run brought no evidence, and why (pure)."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.log.events import GapSeen, PollSeen

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ventproof.log.events import Event


_NAMES: Final = {
    "timeout": ("time-out", "time-outs"),
    "exception": ("exception", "exceptions"),
    "disconnected": ("disconnection", "disconnections"),
    "mismatch": ("wrong reply", "wrong replies"),
    "restart": ("reconnection", "reconnections"),
    "withdrawn": ("withdrawal", "withdrawals"),
    "void": ("void span", "void spans"),
    "unread": ("unread value", "unread values"),
}
"""What brought no evidence, one of them and several; idle time is asked for, and is none of them."""


@final
@dataclass(frozen=True, slots=True)
class BusGaps:
    """One bus of a run, and how often it brought no evidence, by the reason; what never happened is left out."""

    bus: str
    counts: Mapping[str, int]

    def __str__(self) -> str:
        """Return it as people read it."""
        said = (f"{n} {_NAMES[reason][n != 1]}" for reason, n in self.counts.items())
        return f"bus {self.bus}: {', '.join(said)}"


@final
class GapCounter:
    """Counts gaps while the events of a run come."""

    def __init__(self) -> None:
        self._counts: Counter[tuple[str, str]] = Counter()

    def feed(self, event: Event) -> None:
        """Take the next event."""
        if isinstance(event, GapSeen) and event.gap.reason in _NAMES:
            self._counts[event.gap.bus, event.gap.reason] += 1
        elif isinstance(event, PollSeen) and event.poll.unread:
            self._counts[event.poll.bus, "unread"] += len(event.poll.unread)

    @property
    def found(self) -> tuple[BusGaps, ...]:
        """What was found so far, of the buses that failed to bring something."""
        return _by_bus(self._counts)


def _by_bus(counts: Mapping[tuple[str, str], int]) -> tuple[BusGaps, ...]:
    buses = dict.fromkeys(bus for bus, _ in counts)
    return tuple(BusGaps(bus, {r: counts[bus, r] for r in _NAMES if (bus, r) in counts}) for bus in buses)


def together(runs: Iterable[Iterable[BusGaps]]) -> tuple[BusGaps, ...]:
    """Return the sums over several runs."""
    counts: Counter[tuple[str, str]] = Counter()
    for run in runs:
        for one in run:
            counts.update({(one.bus, reason): n for reason, n in one.counts.items()})
    return _by_bus(counts)


def gaps_text(gaps: Iterable[BusGaps]) -> str:
    """Return what is said of them in a line; empty when every reading came."""
    return "; ".join(map(str, gaps))
