"""How long profiles take, and in which order the unit settles least, from what they say alone (pure).

Before a profile begins, the unit goes to its start state and a run waits until it is there. Where the next profile
begins as this one did, vents that are on their way back need not turn round, and there is less to wait for. Each run
begins with its own start state in every order, so its verdict does not depend on what ran before it.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from ventproof.profile import model
from ventproof.profile.model import Profile, ResponseCommon
from ventproof.profile.stimulus import PAUSES, Idle, PulseContact, Rainfall, Stimulus, Wait, Wind
from ventproof.profile.weather import rain_of, wind_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence


Span = tuple[float, float]
"""Shortest and longest, seconds."""

StartState = dict[str, str]
"""What a profile begins with: each value that is written, contact that is set and signal that is awaited, as text."""


def stimulus_times(stimuli: Sequence[Stimulus]) -> Iterator[tuple[float, float]]:
    """Yield when each stimulus begins and ends, seconds after the step's begin; one follows another."""
    free_s = 0.0
    for stimulus in stimuli:
        begin_s = max(free_s, stimulus.at)
        free_s = begin_s + _lasts_s(stimulus)
        yield begin_s, free_s


def _lasts_s(stimulus: Stimulus) -> float:
    if isinstance(stimulus, Wait):
        return stimulus.wait
    if isinstance(stimulus, Idle):
        return stimulus.idle
    if isinstance(stimulus, PulseContact):
        return stimulus.times * stimulus.closed_for + (stimulus.times - 1) * stimulus.open_for
    return 0.0


def response_span(response: ResponseCommon) -> Span:  # noqa: PLR0911 - a table of kinds
    """Return how long after its stimulus a passing response is decided, at the earliest and at the latest."""
    match response:
        case model.Reaches():
            return response.holds, response.within + response.holds
        case model.Returns():
            return response.not_before, response.within
        case model.Stays() | model.StaysAtLeast() | model.StaysAtMost():
            return response.for_ * (response.until is None), response.for_
        case (
            model.OvershootsAtMost()
            | model.NeverTogether()
            | model.PausesBefore()
            | model.RunsAtMost()
            | model.StartsAtMost()
            | model.StartsAtLeast()
            | model.StopsAtEnd()
            | model.TogetherWith()
            | model.AgreesWith()
            | model.CountsAtMost()
        ):
            return response.for_, response.for_
        case model.Unchanged():
            return response.unchanged.for_, response.unchanged.for_
        case model.NeverReverses():
            return response.never_reverses.for_, response.never_reverses.for_
        case model.Counts():
            return response.within, response.within
        case model.StartsMoving():
            return 0.0, response.starts_moving.within
        case model.Equals() | model.MovesAt() | model.CountsAtLeast():
            return 0.0, response.within
    raise AssertionError(f"no span for {type(response).__name__}")


def _step_span(stimuli: Sequence[Stimulus], responses: Sequence[ResponseCommon]) -> Span:
    times = list(stimulus_times(stimuli))
    end_s = times[-1][1] if times else 0.0
    shortest_s = longest_s = end_s
    for response in responses:
        anchor_s = anchor_time_s(response, stimuli)
        shortest, longest = response_span(response)
        shortest_s = max(shortest_s, anchor_s + shortest)
        longest_s = max(longest_s, anchor_s + longest)
    return shortest_s, longest_s


def anchor_time_s(response: ResponseCommon, stimuli: Sequence[Stimulus]) -> float:
    """Return when the stimulus that a response is counted from happens, seconds after the step's begin."""
    label = response.after or response.after_end_of
    timed = [
        (s, t) for s, t in zip(stimuli, stimulus_times(stimuli), strict=True) if not isinstance(s, PAUSES)
    ]
    for stimulus, (begin_s, end_s) in timed:
        if label is None or stimulus.label == label:
            if response.after_end_of and isinstance(stimulus, Rainfall):
                return begin_s + float(
                    rain_of(stimulus).duration_s
                )  # it goes on beside the stimuli that follow
            if response.after_end_of and isinstance(stimulus, Wind):
                return begin_s + wind_of(stimulus).settles_s
            return end_s if response.after_end_of else begin_s
    return 0.0


def step_spans(profile: Profile) -> Iterator[Span]:
    """Yield how long each step takes in which everything passes, at the earliest and at the latest, seconds."""
    return (_step_span(step.do, step.expect) for step in profile.steps)


def part_spans(profile: Profile) -> Iterator[Span]:
    """Yield how long the start state takes, then each step, as `step_spans` does."""
    yield _step_span((), profile.start.until)
    yield from step_spans(profile)


def in_all(spans: Iterable[Span]) -> Span:
    """Return the sum of the shortest, and of the longest."""
    all_of_them = list(spans)
    return sum(shortest for shortest, _ in all_of_them), sum(longest for _, longest in all_of_them)


def left_of(parts: Sequence[Span], step: int | None, gone_s: float) -> Span:
    """Return how long a profile still takes.

    Args:
        parts: how long its parts take, as `part_spans` gives them.
        step: the part that goes on, 0 for the start state; None: not even that.
        gone_s: how long this part has gone on, seconds.
    """
    if step is None:
        return in_all(parts)
    shortest_s, longest_s = parts[step]
    after = in_all(parts[step + 1 :])
    return max(0.0, shortest_s - gone_s) + after[0], max(0.0, longest_s - gone_s) + after[1]


def shortest_s(profile: Profile) -> float:
    """Return the shortest time in which the profile can pass, seconds; the bench's own delays come on top."""
    return in_all(part_spans(profile))[0]


def longest_s(profile: Profile) -> float:
    """Return the longest time that the profile can take, seconds; the bench's own delays come on top."""
    return in_all(part_spans(profile))[1]


def start_state(profile: Profile) -> StartState:
    """Return what a profile begins with, by name; an output and a signal of one name are two."""
    start = profile.start
    state = {f"output {name}": str(value) for name, value in (*start.write.items(), *start.set.items())}
    for response in start.until:
        match response:
            case model.Reaches():
                state[f"signal {response.signal}"] = str(response.reaches)
            case model.Equals():
                state[f"signal {response.signal}"] = str(response.equals)
    return state


def changes(before: Mapping[str, str], after: Mapping[str, str]) -> int:
    """Return how many outputs and signals two start states both name, with different values."""
    return sum(1 for name, value in after.items() if before.get(name, value) != value)


def saving_order(profiles: Sequence[Profile]) -> list[int]:
    """Return the places of the profiles in an order with few changes from one start state to the next.

    The first stays the first. Then comes, each time, the one whose start state changes least; of equals, the first of
    those left. Where this saves nothing, the order is the given one.
    """
    states = [start_state(profile) for profile in profiles]
    left = list(range(len(states)))
    order = [left.pop(0)] if left else []
    while left:
        nearest = min(left, key=lambda place: changes(states[order[-1]], states[place]))
        left.remove(nearest)
        order.append(nearest)
    given = list(range(len(states)))
    return order if _in_all(states, order) < _in_all(states, given) else given


def _in_all(states: Sequence[StartState], order: Sequence[int]) -> int:
    return sum(changes(states[one], states[other]) for one, other in itertools.pairwise(order))
