"""Checks of idle time: nothing may count across what nobody sees, and an interlock must be seen always."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.profile.duration import anchor_time_s, response_span, stimulus_times
from harness.profile.stimulus import Idle

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.wiring import BenchFile
    from harness.profile.model import Profile


def across_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    """Yield a problem for each response that is still open when its step's idle time begins."""
    for number, step in enumerate(profile.model.steps):
        idles = [
            begin_s
            for stimulus, (begin_s, _) in zip(step.do, stimulus_times(step.do), strict=True)
            if isinstance(stimulus, Idle)
        ]
        for index, response in enumerate(step.expect):
            counts_from_s = anchor_time_s(response, step.do)
            ends_s = counts_from_s + response_span(response)[1]
            if any(counts_from_s <= begin_s < ends_s for begin_s in idles):
                reason = "this response goes on into idle time, in which nothing is read"
                hint = (
                    "let it count from a stimulus after the idle time, or put the idle time into a later step"
                )
                yield profile.problem(("steps", number, "expect", index), reason, hint)


def interlock_problems(profile: Loaded[Profile], bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a problem for each idle time on a bench with an interlock, which must be read all the time."""
    if bench.model.interlock is None:
        return
    for number, step in enumerate(profile.model.steps):
        for index, stimulus in enumerate(step.do):
            if isinstance(stimulus, Idle):
                reason = (
                    f"nothing is read in idle time, and bench {bench.path} has an interlock to be watched"
                )
                hint = "write `wait:` instead: it reads all the time"
                yield profile.problem(("steps", number, "do", index, "idle"), reason, hint, at_key=True)
