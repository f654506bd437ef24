"""The log's vocabulary: what the engine says of a run, as plain data with times in seconds since it began (pure)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from bench.samples import EdgeReport, Gap, Poll, Window

FORMAT: Final = 2
"""Version of the log's vocabulary."""

_GRID: Final = 1e6  # log times are whole microseconds, rounded so that a window never loses its instant


class Event(NamedTuple):
    """One event: its name, its time, and what it says."""

    name: str
    t_s: float
    fields: Mapping[str, Any]


class Clockwork:
    """Turns loop time into log time: seconds since the run began, windows rounded outward to 1 µs."""

    def __init__(self, origin_s: float) -> None:
        self._origin_s = origin_s

    def early(self, loop_s: float) -> float:
        """Return log time, rounded down."""
        return math.floor((loop_s - self._origin_s) * _GRID + 1e-3) / _GRID

    def late(self, loop_s: float) -> float:
        """Return log time, rounded up."""
        return math.ceil((loop_s - self._origin_s) * _GRID - 1e-3) / _GRID

    def loop_s(self, t_s: float) -> float:
        """Return the loop time of a log time."""
        return t_s + self._origin_s

    def poll(self, poll: Poll) -> Event:
        """One answered read."""
        replied = self.late(poll.replied_s)
        return Event(
            "poll",
            replied,
            {
                "bus": poll.bus,
                "from": self.early(poll.requested_s),
                "to": replied,
                "values": poll.values,
                "table": poll.table,
                "address": poll.address,
                "words": poll.words,
                **({"unread": poll.unread} if poll.unread else {}),
            },
        )

    def gap(self, gap: Gap) -> Event:
        """A span without evidence."""
        ended = self.late(gap.to_s)
        return Event(
            "gap",
            ended,
            {
                "bus": gap.bus,
                "from": self.early(gap.from_s),
                "to": ended,
                "reason": gap.reason,
                "detail": gap.detail,
            },
        )

    def edges(self, reports: Sequence[EdgeReport]) -> list[dict[str, Any]]:
        """Edges of a contact: state, when due, and the window that holds the electrical edge (none: it never left)."""
        return [
            {
                "closed": report.closed,
                "due": round(report.due_s - self._origin_s, 6),
                "from": self.early(report.window.earliest_s) if report.window else None,
                "to": self.late(report.window.latest_s) if report.window else None,
            }
            for report in reports
        ]

    def window(self, window: Window) -> dict[str, float]:
        """A window as `from` and `to`."""
        return {"from": self.early(window.earliest_s), "to": self.late(window.latest_s)}
