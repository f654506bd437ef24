"""How densely a signal was read: what a finding's sentence says of the polling (pure)."""

from __future__ import annotations

from typing import final

from bench.samples import Gap, Sample
from harness.judge.spans import INF
from harness.judge.track import Block


@final
class Seen:
    """How densely the signal was read since the stimulus, and before the verdict."""

    __slots__ = ("_first", "_from_s", "_last", "count", "longest_gap", "trip_s", "widest_s")

    def __init__(self, from_s: float) -> None:
        self._from_s = from_s
        self._first: Sample | None = None
        self._last: Sample | None = None
        self.count = 0
        self.widest_s = 0.0
        self.trip_s = 0.0
        self.longest_gap: Gap | None = None

    @property
    def spacing_s(self) -> float:
        """Mean time from one reading to the next; 0 until there were two."""
        if self._first is None or self._last is None or self.count < 2:  # noqa: PLR2004 - a spacing has two ends
            return 0.0
        return (self._last.replied_s - self._first.replied_s) / (self.count - 1)

    @property
    def last_s(self) -> float:
        """When the last reading was replied to, s; -inf without one."""
        return self._last.replied_s if self._last is not None else -INF

    def reading(self, sample: Sample, gap: Gap | None) -> None:
        """Note one reading and the gap before it."""
        last, self._last = self._last, sample
        if sample.replied_s < self._from_s:
            return
        self.count += 1
        self._first = self._first or sample
        self.trip_s = max(self.trip_s, sample.replied_s - sample.requested_s)
        if last is not None:
            self.widest_s = max(self.widest_s, sample.requested_s - last.requested_s)
        if gap is not None:
            self.gap(gap)

    def block(self, block: Block) -> None:
        """Note readings after the stimulus, with no gap before or between them."""
        last, self._last = self._last, block[-1]
        self.count += len(block)
        self._first = self._first or block[0]
        self.trip_s = max(self.trip_s, float((block.replied_s - block.requested_s).max()))
        if last is not None:
            self.widest_s = max(self.widest_s, block[0].requested_s - last.requested_s)
        if len(block) > 1:
            self.widest_s = max(self.widest_s, float((block.requested_s[1:] - block.requested_s[:-1]).max()))

    def gap(self, gap: Gap) -> None:
        """Note a gap."""
        longest = self.longest_gap
        if gap.to_s >= self._from_s and (
            longest is None or gap.to_s - gap.from_s > longest.to_s - longest.from_s
        ):
            self.longest_gap = gap

    def last_recent_s(self, now_s: float) -> float:
        """Return when the last reading was requested, or `now_s` if readings have failed to come since."""
        last = self._last
        usual_s = 3 * self.spacing_s + 2 * self.trip_s
        return last.requested_s if last is not None and now_s - last.replied_s <= usual_s else now_s
