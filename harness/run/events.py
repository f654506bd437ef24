"""The log's vocabulary: what the engine says of a run, as plain data with times in seconds since it began (pure)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple, Protocol

from bench.samples import EdgeReport, Gap, Poll, Window

FORMAT: Final = 2
"""Version of the log's vocabulary."""

_GRID: Final = 1e6  # log times are whole microseconds, rounded so that a window never loses its instant


class Event(NamedTuple):
    """One event: its name, its time, and what it says."""

    name: str
    t_s: float
    fields: Mapping[str, Any]


class Teller(Protocol):
    """Writes events down; times are loop times."""

    def __call__(self, name: str, /, **fields: object) -> None:
        """Write an event."""


class Times(Protocol):
    """Turns loop times into the fields of events."""

    def window(self, window: Window) -> dict[str, float]:
        """Return a window as `from` and `to`."""

    def batch(self, reports: Sequence[EdgeReport]) -> dict[str, object]:
        """Return edges with their windows."""

    def late(self, loop_s: float) -> float:
        """Return log time, rounded up."""


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

    def batch(self, reports: Sequence[EdgeReport]) -> dict[str, Any]:
        """Edges that take turns, in few bytes, in whole microseconds; `unpack_batch` is the way back.

        `due_us` counts from the begin of the run, and then from edge to edge; `from_us` counts from there and `to_us`
        from `from_us`, both None for an edge that never left for certain.
        """
        due_us, from_us, to_us = list[int](), list[int | None](), list[int | None]()
        before_us = 0
        for report in reports:
            at_us = round((report.due_s - self._origin_s) * _GRID)
            due_us.append(at_us - before_us)
            before_us = at_us
            if report.window is None:
                from_us.append(None)
                to_us.append(None)
            else:
                early_us, late_us = (round(s * _GRID) for s in self.window(report.window).values())
                from_us.append(early_us - at_us)
                to_us.append(late_us - early_us)
        return {"closed": reports[0].closed, "due_us": due_us, "from_us": from_us, "to_us": to_us}

    def window(self, window: Window) -> dict[str, float]:
        """A window as `from` and `to`."""
        return {"from": self.early(window.earliest_s), "to": self.late(window.latest_s)}


def unpack_batch(fields: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the edges of a `played` event, as `Clockwork.edges` gives them."""
    edges: list[dict[str, Any]] = []
    closed, at_us = bool(fields["closed"]), 0
    for due_us, from_us, to_us in zip(fields["due_us"], fields["from_us"], fields["to_us"], strict=True):
        at_us += due_us
        known = from_us is not None
        edges.append(
            {
                "closed": closed,
                "due": at_us / _GRID,
                "from": (at_us + from_us) / _GRID if known else None,
                "to": (at_us + from_us + to_us) / _GRID if known else None,
            }
        )
        closed = not closed
    return edges
