"""Everything that a self-check has seen of its bench so far, by bus and by signal."""

from __future__ import annotations

import asyncio
from bisect import bisect_left
from collections import defaultdict
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.evidence import TAKEN_BACK, Gap, Poll, Sample

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ventproof_bench.benchfile.model import BenchFile


_GLANCE_S: Final = 0.05  # from one look at what was read to the next


@final
class BenchReadings:
    """Everything that was seen on a bench so far.

    Args:
        file: the bench.

    Attributes:
        polls: what was read, by bus.
        gaps: spans without evidence, by bus.
    """

    def __init__(self, file: BenchFile) -> None:
        self.polls: dict[str, list[Poll]] = defaultdict(list)
        self.gaps: dict[str, list[Gap]] = defaultdict(list)
        self._file = file

    def add(self, evidence: Poll | Gap) -> None:
        """Take a poll or a gap."""
        if isinstance(evidence, Poll):
            self.polls[evidence.bus].append(evidence)
        else:
            self.gaps[evidence.bus].append(evidence)
            if evidence.reason in TAKEN_BACK:
                polls = self.polls[evidence.bus]
                polls[:] = (poll for poll in polls if poll.requested_s < evidence.from_s)

    def samples(self, signal: str, since_s: float) -> tuple[Sample, ...]:
        """Return a signal's readings that were asked for at `since_s` or later."""
        return tuple(
            Sample(p.values[signal], p.requested_s, p.replied_s)
            for p in self.since(self._file.registers[signal].bus, since_s)
            if signal in p.values
        )

    def latest(self, signal: str) -> float | None:
        """Return a signal's last reading, or None when nothing was read since its bus last fell silent."""
        bus = self._file.registers[signal].bus
        silent_s = self.gaps[bus][-1].to_s if self.gaps[bus] else 0.0
        for seen in reversed(self.polls[bus]):
            if seen.requested_s < silent_s:
                return None
            if signal in seen.values:
                return seen.values[signal]
        return None

    def since(self, bus: str, since_s: float) -> Sequence[Poll]:
        """Return the polls of a bus that were asked for at `since_s` or later."""
        polls = self.polls[bus]
        return polls[bisect_left(polls, since_s, key=lambda poll: poll.requested_s) :]

    async def until(self, met: Callable[[], bool], *, within_s: float) -> None:
        """Wait until `met`, at most `within_s`."""
        give_up_s = now_s() + within_s
        while not met():
            if now_s() >= give_up_s:
                return
            await asyncio.sleep(_GLANCE_S)
