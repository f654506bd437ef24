"""One response that a profile expects, and how far it has come (pure)."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Final, final

from ventproof.case.demand import Anchor
from ventproof.drives.holding import Turning
from ventproof.envelope.spans import INF
from ventproof.judge.flags import AnyWatch
from ventproof.verdict.finding import NotRun, Ruling, Verdict, undecided
from ventproof_bench.base.evidence import Gap, Sample, Window

START = 0
"""Number of the start state among the steps; the profile's own steps count from 1."""


_SETTLES_S: Final = 5.0
"""So much later than the longest time of what ends with another signal that is known, polled as slowly as may be."""


@final
@dataclass(frozen=True, slots=True)
class Until:
    """What ends the time of a response.

    Attributes:
        name: the signal that ends it.
        turning: follows that.
        for_s: the longest time.
    """

    name: str
    turning: Turning
    for_s: float


@final
@dataclass(slots=True)
class Item:
    """One response that the profile expects, and how far it has come.

    Attributes:
        until: what ends its time, if something does. It is watched once that is known: its end must be.
    """

    step: int
    step_name: str
    number: int
    signals: tuple[str, ...]
    unit: str
    kind: str
    wording: str
    purpose: str
    anchor: Anchor
    open_watch: Callable[[Window, Window | None], AnyWatch]
    until: Until | None = None
    watch: AnyWatch | None = None
    settled: Ruling | None = None
    not_run: NotRun | None = None
    awaits_s: float = 0.0  # log time of the end of the stimulus that it counts from, while that goes on
    _since: Window | None = None

    @property
    def signal(self) -> str:
        """The signal that must respond; the first, where it is demanded of two."""
        return self.signals[0]

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The signals whose readings decide it."""
        return self.signals if self.until is None else (*self.signals, self.until.name)

    @property
    def while_name(self) -> str:
        """The signal that ends its time; empty where none does."""
        return "" if self.until is None else self.until.name

    @property
    def needs_from_s(self) -> float:
        """No reading from before its step is judged."""
        return INF

    @property
    def ruling(self) -> Ruling | None:
        """What was found; None while undecided."""
        return self.settled or (self.watch.ruling if self.watch else None)

    def begin(self, window: Window) -> None:
        """Open the watch: the stimulus that it counts from happened within `window`."""
        if self.until is None:
            self.watch = self.open_watch(window, None)
            return
        self._since, self.awaits_s = window, window.latest_s + self.until.for_s + _SETTLES_S

    def turns(self, sample: Sample) -> bool:
        """Return whether a reading of the signal that ends its time may tell the end."""
        until, since = self.until, self._since
        if until is None or self.watch is not None:
            return False
        late = since is not None and sample.requested_s >= since.latest_s + until.for_s
        return late or until.turning.turns(sample.value)

    def condition_read(self, sample: Sample) -> None:
        """Take a reading of the signal that ends its time."""
        if self.until is not None:
            self.until.turning.observe(sample.value, sample.requested_s, sample.replied_s)
            self._watch_if_over(surely=True)

    def condition_gap(self, gap: Gap, names: Collection[str]) -> None:
        """Note a span without readings of some signals, before the first reading after it."""
        if self.until is not None and self.until.name in names:
            self.until.turning.gap(gap)

    def _watch_if_over(self, *, surely: bool) -> None:
        """Open the watch up to where its time ends; not `surely`: as far as that is known."""
        if self.until is None or self._since is None or self.watch is not None:
            return
        first, last = self._since.earliest_s + self.until.for_s, self._since.latest_s + self.until.for_s
        turned = self.until.turning.since(self._since)
        if turned.latest_s < INF or turned.earliest_s >= last or not surely:
            ended = Window(min(turned.earliest_s, first), min(turned.latest_s, last))
            self.watch = self.open_watch(self._since, ended)

    def withdraw(self, gap: Gap, why: str) -> None:
        """Leave it open if it is watching, or was decided by readings that the gap takes back."""
        if self.until is not None:
            self.until.turning.forget()
        if self.watch is None:
            self.settled = self.settled if self._since is None else undecided(why)
            return
        ruling = self.ruling
        rests = self.watch.seen.rests_on(gap.from_s)
        rests = rests or (self.until is not None and self.watch.judged_to_s >= gap.from_s)
        if ruling is None or (ruling.verdict is not Verdict.INCONCLUSIVE and rests):
            self.settled = undecided(why)

    def give_up(self, now_s: float, not_run: NotRun) -> None:
        """Close the watch with the evidence there is, or say why there never was one."""
        if self.ruling is not None:
            return
        self._watch_if_over(surely=False)
        if self.watch is not None:
            self.settled = self.watch.close(now_s)
        else:
            self.not_run = not_run
            self.settled = undecided(not_run.text)
