"""One response that a profile expects, and how far it has come (pure)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import final

from ventproof.case.demand import Anchor
from ventproof.judge.flags import AnyWatch
from ventproof.verdict.finding import NotRun, Ruling, Verdict, undecided
from ventproof_bench.base.evidence import Gap, Window

START = 0
"""Number of the start state among the steps; the profile's own steps count from 1."""


@final
@dataclass(slots=True)
class Item:
    """One response that the profile expects, and how far it has come."""

    step: int
    step_name: str
    number: int
    signals: tuple[str, ...]
    unit: str
    kind: str
    wording: str
    purpose: str
    anchor: Anchor
    open_watch: Callable[[Window], AnyWatch]
    watch: AnyWatch | None = None
    settled: Ruling | None = None
    not_run: NotRun | None = None
    awaits_s: float = 0.0  # log time of the end of the stimulus that it counts from, while that goes on

    @property
    def signal(self) -> str:
        """The signal that must respond; the first, where it is demanded of two."""
        return self.signals[0]

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The signals whose readings decide it."""
        return self.signals

    @property
    def ruling(self) -> Ruling | None:
        """What was found; None while undecided."""
        return self.settled or (self.watch.ruling if self.watch else None)

    def begin(self, window: Window) -> None:
        """Open the watch: the stimulus that it counts from happened within `window`."""
        self.watch = self.open_watch(window)

    def withdraw(self, gap: Gap, why: str) -> None:
        """Leave it open if it is watching, or was decided by readings that the gap takes back."""
        if self.watch is None:
            return
        ruling = self.ruling
        if ruling is None or (
            ruling.verdict is not Verdict.INCONCLUSIVE and self.watch.seen.rests_on(gap.from_s)
        ):
            self.settled = undecided(why)

    def give_up(self, now_s: float, not_run: NotRun) -> None:
        """Close the watch with the evidence there is, or say why there never was one."""
        if self.ruling is not None:
            return
        if self.watch is not None:
            self.settled = self.watch.close(now_s)
        else:
            self.not_run = not_run
            self.settled = undecided(not_run.text)
