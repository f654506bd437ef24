"""From loop time to log time: seconds since a run began, windows rounded outward to a microsecond (pure)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Concatenate, ParamSpec, Protocol, final

from ventproof.log.events import (
    GRID,
    EdgesPlayed,
    Event,
    GapSeen,
    OutputDriven,
    OutputUndriven,
    PollSeen,
    SettingFound,
    StimulusId,
)
from ventproof_bench.base.evidence import DrivenOutput, EdgeReport, FoundSetting, Gap, Poll, Window

_P = ParamSpec("_P")


class Teller(Protocol):
    """Writes events down, with the time at which it is told of them."""

    def __call__(
        self, kind: Callable[Concatenate[float, _P], Event], /, *args: _P.args, **fields: _P.kwargs
    ) -> None:
        """Write the event that `kind` makes of the log time and of what else is given."""


@final
class Clockwork:
    """Turns loop times into log times; a window's earliest instant is rounded down, its latest up."""

    def __init__(self, origin_s: float) -> None:
        self._origin_s = origin_s

    def early(self, loop_s: float) -> float:
        """Return log time, rounded down."""
        return math.floor((loop_s - self._origin_s) * GRID + 1e-3) / GRID

    def late(self, loop_s: float) -> float:
        """Return log time, rounded up."""
        return math.ceil((loop_s - self._origin_s) * GRID - 1e-3) / GRID

    def loop_s(self, t_s: float) -> float:
        """Return the loop time of a log time."""
        return t_s + self._origin_s

    def window(self, window: Window) -> Window:
        """Return a window in log time."""
        return Window(self.early(window.earliest_s), self.late(window.latest_s))

    def instant(self, loop_s: float) -> Window:
        """Return the window that holds one instant."""
        return Window(self.early(loop_s), self.late(loop_s))

    def poll(self, poll: Poll) -> PollSeen:
        """Return the event of an answered read."""
        replied_s = self.late(poll.replied_s)
        return PollSeen(
            replied_s,
            Poll(
                poll.bus,
                self.early(poll.requested_s),
                replied_s,
                poll.values,
                poll.table,
                poll.address,
                poll.words,
                poll.unread,
                poll.shown,
            ),
        )

    def gap(self, gap: Gap) -> GapSeen:
        """Return the event of a span without evidence."""
        to_s = self.late(gap.to_s)
        return GapSeen(to_s, replace(gap, from_s=self.early(gap.from_s), to_s=to_s))

    def done(
        self, loop_s: float, done: FoundSetting | DrivenOutput
    ) -> SettingFound | OutputDriven | OutputUndriven:
        """Return what is told at a loop time: a setting was found, or the bench drove an output of its own accord."""
        t_s, window = self.late(loop_s), self.window(done.window)
        if isinstance(done, FoundSetting):
            return SettingFound(t_s, replace(done, window=window))
        event = OutputUndriven if done.trouble else OutputDriven
        return event(t_s, replace(done, window=window))

    def edges(self, reports: Sequence[EdgeReport]) -> tuple[EdgeReport, ...]:
        """Return edges of a contact: state, when due, and the window that holds the electrical edge, if it left."""
        return tuple(
            EdgeReport(
                report.closed,
                round(report.due_s - self._origin_s, 6),
                report.window and replace(self.window(report.window), again=report.window.again),
            )
            for report in reports
        )

    def batch(self, t_s: float, of: StimulusId, output: str, reports: Sequence[EdgeReport]) -> EdgesPlayed:
        """Return the event of edges that take turns, packed; `EdgesPlayed.edges` is the way back.

        Args:
            t_s: log time of the event.
            of: the stimulus that makes them.
            output: the contact.
            reports: what became of them, at least one.
        """
        due_us, from_us, to_us = list[int](), list[int | None](), list[int | None]()
        before_us = 0
        for report in reports:
            at_us = round((report.due_s - self._origin_s) * GRID)
            due_us.append(at_us - before_us)
            before_us = at_us
            if report.window is None:
                from_us.append(None)
                to_us.append(None)
            else:
                window = self.window(report.window)
                early_us, late_us = round(window.earliest_s * GRID), round(window.latest_s * GRID)
                from_us.append(early_us - at_us)
                to_us.append(late_us - early_us)
        return EdgesPlayed(t_s, of, output, reports[0].closed, due_us, from_us, to_us)
