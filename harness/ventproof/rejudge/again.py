"""Decided again."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from hashlib import sha256
from itertools import chain
from typing import TYPE_CHECKING, Final, final

from ventproof.case.case import Case, case_of
from ventproof.case.findings import findings_of
from ventproof.log.events import (
    FORMAT,
    ContactCommand,
    EdgesPlayed,
    Event,
    EvidenceEnd,
    FindingMade,
    LevelWandered,
    PollSeen,
    RunBegin,
    StepBegin,
    StepEnd,
    StimulusApplied,
    StimulusEnd,
    StimulusSettled,
)
from ventproof.log.read import header_of
from ventproof.log.run import results_of, with_last_readings
from ventproof.profile.bind import Bound, bind
from ventproof.profile.load import read_profile
from ventproof.rejudge.standing import attempt, differing_of, is_whole, with_evidence, writer_of
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.benchcheck.load import read_bench

if TYPE_CHECKING:
    from ventproof.log.events import Header
    from ventproof.log.read import LogState
    from ventproof.log.run import RunRecord
    from ventproof.profile.model import Profile
    from ventproof.verdict.finding import Finding
    from ventproof_bench.base.evidence import Poll
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


DRAWN: Final = 10_000
"""Columns of a signal that are kept to be drawn; a figure has a tenth of them."""

_OF_STIMULI: Final = (StimulusApplied, StimulusSettled, StimulusEnd, EdgesPlayed, LevelWandered)


def checked_events(state: LogState, profile: Profile) -> Iterator[Event]:
    """Yield the events of a log, as far as they can be those of a run of the profile.

    Raises:
        FileError: which line cannot be, and why.
    """
    last: dict[str, Poll] = {}
    told: set[tuple[int | None, int]] = set()
    for line, event in enumerate(state.events, start=1):
        reason = next(chain(_misfits(event, profile, last), _repeated(event, line, told)), "")
        if reason:
            raise FileError([Problem("the log", line, None, reason)])
        yield event


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


def _repeated(event: Event, line: int, told: set[tuple[int | None, int]]) -> Iterator[str]:
    """Yield what is said twice: a reader would believe the one or the other; `told` holds responses found so far."""
    if isinstance(event, RunBegin) and line > 1:
        yield "a run begins but once"
    elif isinstance(event, FindingMade):
        response = event.finding.step, event.finding.number
        if response in told:
            yield "a finding of this response stands above"
        told.add(response)


def _stimulus_misfits(step: int, number: int, output: str, profile: Profile) -> Iterator[str]:
    if output not in profile.needs.outputs:
        yield f"the profile has no output {output!r}"
    if step > len(profile.steps) or (step and number >= len(profile.steps[step - 1].do)):
        yield f"the profile has no stimulus {number} in a step {step}"


@final
@dataclass(frozen=True, slots=True)
class Decided:
    """What the log's evidence says now.

    Attributes:
        verdict: of all responses together; None when the run was aborted, which no evidence can mend.
        findings: of all responses, in the profile's order.
        before: the findings that the log itself holds.
        profile: the profile's name.
        decision: the rule that decided.
        changes: findings that are others than the log's, each with what it was; None: not decided then.
    """

    verdict: Verdict | None
    findings: tuple[Finding, ...]
    before: tuple[Finding, ...]
    profile: str
    decision: str
    changes: tuple[tuple[Finding | None, Finding], ...]


def decide_again(state: LogState, profile: Loaded[Profile] | None = None) -> Decided:
    """Judge a log's evidence.

    Args:
        state: the log, read.
        profile: an edited profile; its stimuli must be those that were applied.

    Raises:
        FileError: the log's own texts cannot be read, or the edited profile applies other stimuli.
        EvidenceError: the samples contradict what the bench file declares.
    """
    _, case = follow(state, profile)
    complete = state.outcome != "aborted"
    again = findings_of(case)
    then = {event.finding.key: event.finding for event in state.rare if isinstance(event, FindingMade)}
    # An edited profile demands something else in other words: only its verdicts can be told apart.
    differing = differing_of(then.values(), again, writer_of(state) if profile is None else "")
    return Decided(
        verdict=case.verdict if complete else None,
        findings=again,
        before=tuple(then.values()),
        changes=tuple((then.get(found.key), found) for found in again if found.key in differing),
        profile=header_of(state).profile.name,
        decision=case.profile.decision,
    )


def follow(
    state: LogState, profile: Loaded[Profile] | None = None, *, keeps_all: bool = False
) -> tuple[Bound, Case]:
    """Return what was tested on what, and the case after all of a log's evidence.

    Args:
        state: the log, read.
        profile: an edited profile; its stimuli must be those that were applied.
        keeps_all: the case keeps every reading, to be drawn; of a long log, so many that a figure shows no more.

    Raises:
        FileError: the log's own texts cannot be read, or the edited profile applies other stimuli.
        EvidenceError: the samples contradict what the bench file declares.
    """
    header = header_of(state)
    if header.format != FORMAT:
        reason = f"the log's format is {header.format!r}, and this ventproof judges format {FORMAT}"
        hint = "judge it with the version that its first line names"
        raise FileError([Problem("the log", 1, None, reason, hint)])
    bench = _bench_of(header.bench.text)
    recorded = read_profile("profile in the log", header.profile.text, header.profile.attached)
    _check_said(header, recorded.model, bench.model)
    if profile is not None:
        _same_stimuli(recorded, profile)
    bound = bind(profile or recorded, bench, header.use)
    each = len(state.events) // DRAWN if keeps_all else 0
    case = case_of(bound, keeps_all=keeps_all and each <= 1, draws_each=each if each > 1 else 0)
    case.feed_all(checked_events(state, recorded.model))
    case.feed(EvidenceEnd(state.told.last_s, aborted=state.outcome == "aborted"))
    return bound, case


def findings_told(state: LogState) -> tuple[Finding, ...]:
    """Return what is told of the responses of a log's run; only one that did not come to its end is judged again."""
    found = (event.finding for event in state.rare if isinstance(event, FindingMade))
    if is_whole(state):
        return tuple(found)
    case, _ = attempt(lambda: follow(state)[1])
    return with_evidence(found, findings_of(case) if case else (), whole=False)


def run_told(state: LogState, name: str = "the log") -> RunRecord:
    """Return the run of a log as it is told of: of one that did not come to its end all that its evidence shows.

    Args:
        state: the log, read.
        name: how errors call it.

    Raises:
        FileError: it is no log of a run.
    """
    record = results_of(state, name)
    if is_whole(state):
        return record
    return replace(record, findings=with_last_readings(state, findings_told(state)))


@lru_cache(maxsize=4)
def _bench_of(text: str) -> Loaded[BenchFile]:
    """Return a log's bench file; the logs of a suite have the same one."""
    return read_bench("bench file in the log", text)


def _check_said(header: Header, profile: Profile, bench: BenchFile) -> None:
    """Refuse a first line that says other than the texts it holds: everybody reads the one, and judged is the other."""
    clock = "virtual" if bench.virtual else "wall"
    for what, pinned in (("profile", header.profile), ("bench file", header.bench)):
        if hashlib.sha256(pinned.text.encode()).hexdigest() != pinned.sha256:
            raise FileError(
                [Problem("the log", 1, None, f"the digest of its {what} is not that of the text it holds")]
            )
    pairs = (
        ("profile's name", header.profile.name, profile.profile),
        ("bench's name", header.bench.name, bench.bench),
        ("rule of decision", header.decision, profile.decision),
        ("clock", header.clock, clock),
    )
    problems = [
        Problem("the log", 1, None, f"it says that the {what} is {said!r}, and its own texts say {true!r}")
        for what, said, true in pairs
        if said != true
    ]
    problems += [
        Problem("the log", 1, None, f"it says that the {what} is {said!r}, and its plan says {planned!r}")
        for what, said, planned in _planned(header)
        if said != planned
    ]
    if problems:
        raise FileError(problems)


def _planned(header: Header) -> Iterator[tuple[str, object, object]]:
    """Yield what a first line says of its run, with what its plan says of it."""
    if header.place is not None:
        place, plan = header.place, header.place.plan
        yield "profile's digest", sha256(header.profile.text.encode()).hexdigest(), place.profile.sha256
        yield "bench's digest", sha256(header.bench.text.encode()).hexdigest(), plan.bench_sha256
        yield "profile's name", header.profile.name, place.profile.name
        yield "repeat", header.repeat, place.repeat
        yield "seed", header.seed, place.seed
        yield "unit", header.unit, plan.unit
        yield "firmware", header.firmware, plan.firmware


def _same_stimuli(recorded: Loaded[Profile], edited: Loaded[Profile]) -> None:
    """Refuse an edited profile whose stimuli are not those that the log tells of."""
    then, now = recorded.model, edited.model
    if (then.start.set, then.start.write) != (now.start.set, now.start.write):
        raise FileError(
            [
                edited.problem(
                    ("start",),
                    "the run started otherwise: this log cannot decide it",
                    "run the profile again",
                )
            ]
        )
    if [step.do for step in then.steps] != [step.do for step in now.steps]:
        place = next(
            (n for n, (a, b) in enumerate(zip(then.steps, now.steps, strict=False)) if a.do != b.do),
            min(len(then.steps), len(now.steps)) - 1,
        )
        raise FileError(
            [
                edited.problem(
                    ("steps", place),
                    "the run applied other stimuli: this log cannot decide it",
                    "run the profile again",
                )
            ]
        )
