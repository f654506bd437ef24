"""What the events of a run cannot be, one after the other and beside the profile that they are of (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from bench.errors import FileError, Problem
from harness.run.events import (
    ContactCommand,
    EdgesPlayed,
    Event,
    LevelWandered,
    PollSeen,
    StepBegin,
    StepEnd,
    StimulusApplied,
    StimulusEnd,
    StimulusSettled,
)

if TYPE_CHECKING:
    from bench.samples import Poll
    from harness.profile.model import Profile
    from harness.record.read import LogState

_OF_STIMULI = (StimulusApplied, StimulusSettled, StimulusEnd, EdgesPlayed, LevelWandered)


def check_events(state: LogState, profile: Profile) -> None:
    """Refuse a log whose events cannot be those of a run of the profile.

    Raises:
        FileError: which line cannot be, and why.
    """
    last: dict[str, Poll] = {}
    for line, event in enumerate(state.events, start=1):
        reason = next(_misfits(event, profile, last), "")
        if reason:
            raise FileError([Problem("the log", line, None, reason)])


def _misfits(event: Event, profile: Profile, last: dict[str, Poll]) -> Iterator[str]:
    """Yield what keeps an event from following the others; `last` holds the last poll of every signal."""
    if isinstance(event, PollSeen):
        poll = event.poll
        for name in poll.values:
            before = last.get(name, poll)
            if poll.requested_s < before.requested_s or poll.replied_s < before.replied_s:
                yield f"its reading of {name} is older than the one before"
            last[name] = poll
    elif isinstance(event, StepBegin | StepEnd):
        if event.step > len(profile.steps):
            yield f"the profile has no step {event.step}"
    elif isinstance(event, ContactCommand):
        yield from _stimulus_misfits(event.step, event.stimulus, event.output, profile)
    elif isinstance(event, _OF_STIMULI):
        if event.of is None:
            yield "it names no stimulus of the profile"
        else:
            yield from _stimulus_misfits(event.of.step, event.of.stimulus, event.output, profile)


def _stimulus_misfits(step: int, number: int, output: str, profile: Profile) -> Iterator[str]:
    if output not in profile.needs.outputs:
        yield f"the profile has no output {output!r}"
    if step > len(profile.steps) or (step and number >= len(profile.steps[step - 1].do)):
        yield f"the profile has no stimulus {number} in a step {step}"
