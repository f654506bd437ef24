"""A campaign in lines: what is to be made and how long it takes, how far it is, and how it ended."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final, final

from ventproof.campaign.carry_out import NO_LOG
from ventproof.log.run import ABORTED
from ventproof.papers.waivers import ACCEPTED
from ventproof.profile.duration import longest_s
from ventproof.runset.manifest import NOT_RUN
from ventproof.verdict.text import about
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.campaign.carry_out import CampaignRuns
    from ventproof.campaign.planned import CampaignJob


_ORDER: Final = ("pass", "fail", ACCEPTED, "inconclusive", ABORTED, NO_LOG, NOT_RUN)
_SHOWN: Final = 10


def plan_lines(runs: CampaignRuns) -> Iterator[str]:
    """Yield what a campaign is going to do, and how long it takes at most, before its first run."""
    stands = f"; {runs.standing} stand, {len(runs.jobs)} to be made" if runs.standing else ""
    yield f"{number_of(runs.runs, 'run')} in {number_of(len(runs.groups), 'plan')}{stands}"
    virtual = [job for job in runs.jobs if not job.real_bench]
    if virtual:
        span_s = sum(longest_s(job.profile.model) for job in virtual)
        yield f"in virtual time: {number_of(len(virtual), 'run')}, {about(span_s)} of bench time at most"
    for bench, span_s in runs.real_s.items():
        count = sum(job.real_bench == bench for job in runs.jobs)
        yield f"bench {bench}: {number_of(count, 'run')}, {about(span_s)} at most"


@final
class CampaignProgress:
    """How far a campaign is.

    Args:
        runs: the campaign.
        tell: takes a line that says how far it is.
    """

    def __init__(self, runs: CampaignRuns, tell: Callable[[str], None]) -> None:
        self._runs, self._tell = runs, tell
        self._watch = Stopwatch()
        self._real_s = defaultdict(float, runs.real_s)
        self._virtual = sum(not job.real_bench for job in runs.jobs)
        self._virtual_done = 0
        self._ended: Counter[str] = Counter()
        self._line = ""

    def told(self, job: CampaignJob, done: int) -> None:
        """Take a job that ended, and how many did."""
        if job.real_bench:
            self._real_s[job.real_bench] -= longest_s(job.profile.model)
        else:
            self._virtual_done += 1
        self._ended[self._runs.outcome((job.group, job.place.run)) or NO_LOG] += 1
        self._line = f"{done} of {len(self._runs.jobs)} runs; {counted(self._ended)}{self._left()}"
        self._tell(self._line)

    def remark(self, line: str) -> None:
        """Take what whoever waits should know beside it."""
        self._tell(f"{self._line}; {line}" if self._line else line)

    def _left(self) -> str:
        """Return how long it still takes: at the rate until now in virtual time, as declared on benches."""
        real_s = max(self._real_s.values(), default=0.0)
        done, gone_s = self._virtual_done, self._watch.gone_s()
        virtual_s = (self._virtual - done) * gone_s / done if done else 0.0
        return "".join(
            (
                f"; virtual time: about {about(round(virtual_s))} left" if virtual_s >= 1 else "",
                f"; benches: {about(round(real_s))} left at most" if real_s >= 1 else "",
            )
        )


def counted(ended: Counter[str]) -> str:
    """Return how many runs ended how: `80 pass, 2 fail, 1 aborted`."""
    return ", ".join(f"{ended[word]} {word}" for word in _ORDER if ended[word])


def end_lines(runs: CampaignRuns, broken_off: str) -> Iterator[str]:
    """Yield how a campaign ended: what is missing first, then what did not pass, then all verdicts."""
    if broken_off:
        yield f"broken off: {broken_off}"
    if runs.unclosed:
        yield f"MANIFEST OR SIGNATURE NOT WRITTEN: {runs.unclosed}"
    for (number, planned), why in list(runs.troubles.items())[:_SHOWN]:
        group = runs.groups[number]
        yield f"no log: {group.said}: run {planned} of {group.plan.runs}: {why}"
    for outcome in (ABORTED, "fail", "inconclusive"):
        ended = list(runs.ended(outcome))
        for group, run, log in ended[:_SHOWN]:
            yield f"{outcome}: {group.said}: {run} ({log})"
        if more := len(ended[_SHOWN:]):
            yield f"{outcome}: {more} more"
    yield f"{number_of(runs.runs, 'run')}: {counted(runs.counts)}"
