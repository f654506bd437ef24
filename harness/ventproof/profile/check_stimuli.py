"""Stimuli and idle time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ventproof.profile.check_responses import contact_problems, written_problems
from ventproof.profile.check_weather import stated_problems
from ventproof.profile.duration import anchor_time_s, response_span, stimulus_times
from ventproof.profile.model import Profile
from ventproof.profile.stimulus import (
    CloseContact,
    Idle,
    OpenContact,
    PulseContact,
    Stimulus,
    Wait,
    WriteValue,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.profile.model import Profile
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.fields import ContactState
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


def start_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    """Yield what is wrong with the start state's contacts and values."""
    start = profile.model.start
    for name in start.set:
        yield from contact_problems(profile, ("start", "set", name), name, at_key=True)
    for name, value in start.write.items():
        path: Path = ("start", "write", name)
        yield from written_problems(profile, path, path, name, value)


def stimuli_problems(profile: Loaded[Profile], path: Path, stimuli: Sequence[Stimulus]) -> Iterator[Problem]:
    """Yield what is wrong with the stimuli of one step."""
    labels: set[str] = set()
    for index, stimulus in enumerate(stimuli):
        here: Path = (*path, index)
        yield from stated_problems(profile, here, stimulus)
        match stimulus:
            case CloseContact(close=name):
                yield from contact_problems(profile, (*here, "close"), name)
            case OpenContact(open=name):
                yield from contact_problems(profile, (*here, "open"), name)
            case PulseContact(pulse=name):
                yield from contact_problems(profile, (*here, "pulse"), name)
            case WriteValue(write=name, value=value):
                yield from written_problems(profile, (*here, "write"), (*here, "value"), name, value)
            case Wait(label=str(label)) | Idle(label=str(label)):
                what = "a wait" if isinstance(stimulus, Wait) else "idle time"
                hint = f"label the stimulus itself, which {what} is not"
                yield profile.problem((*here, "label"), f"the label {label!r} is on {what}", hint)
        if stimulus.label is not None:
            if stimulus.label in labels:
                hint = "give each stimulus of a step its own label"
                yield profile.problem((*here, "label"), f"the label {stimulus.label!r} is used twice", hint)
            labels.add(stimulus.label)
    yield from _order_problems(profile, path, stimuli)


def _order_problems(profile: Loaded[Profile], path: Path, stimuli: Sequence[Stimulus]) -> Iterator[Problem]:
    free_s = 0.0
    for index, (stimulus, (_, end_s)) in enumerate(zip(stimuli, stimulus_times(stimuli), strict=True)):
        if "at" in stimulus.model_fields_set and stimulus.at < free_s:
            reason = f"at {stimulus.at:g} s, but what stands before it lasts until {free_s:g} s"
            yield profile.problem(
                (*path, index, "at"), reason, "stimuli are applied in the order in which they stand"
            )
        free_s = end_s


def idle_stimuli(profile: Loaded[Profile]) -> Iterator[Problem]:
    """Yield a note for each stimulus that asks of a contact what it is already, by what the profile says."""
    contacts: dict[str, ContactState] = dict(profile.model.start.set)
    for number, step in enumerate(profile.model.steps):
        for index, stimulus in enumerate(step.do):
            path: Path = ("steps", number, "do", index)
            match stimulus:
                case CloseContact(close=name):
                    wanted: ContactState = "closed"
                case OpenContact(open=name):
                    wanted = "open"
                case PulseContact(pulse=name):
                    if contacts.get(name) == "closed":
                        yield profile.problem(
                            path, f"{name!r} is closed already when its pulses begin", "open it first"
                        )
                    wanted = "open"
                case _:
                    continue
            if contacts.get(name) == wanted and not isinstance(stimulus, PulseContact):
                yield profile.problem(
                    path, f"{name!r} is {wanted} already", "this changes nothing on the wires"
                )
            contacts[name] = wanted


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
