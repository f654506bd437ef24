"""What a count must exclude, and what it cannot come to (pure)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final, final

from ventproof.deciders.formulas import CountsFormula, Formula
from ventproof.envelope.spans import INF
from ventproof.log.events import EdgesPlayed, Event, StimulusApplied, StimulusEnd
from ventproof.profile.check_responses import kind_of
from ventproof.profile.duration import anchor_time_s, stimulus_times
from ventproof.profile.model import Counts, CountsAtLeast, Profile
from ventproof.profile.stimulus import (
    CloseContact,
    Fail,
    OpenContact,
    PulseContact,
    Rainfall,
    Restore,
    Stimulus,
)
from ventproof.profile.weather import rain_edges
from ventproof_bench.base.evidence import EdgeReport
from ventproof_bench.base.text import number_of
from ventproof_bench.benchfile.model import ContactOutput

if TYPE_CHECKING:
    from ventproof.profile.bind import Bound
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.sensors import BucketSensor


@final
@dataclass(slots=True)
class Movements:
    """Follows the events of a run.

    Args:
        profile: the profile.
        counted: the contacts that a counter counts, by the counter's name; one that is not named may count any.
    """

    profile: Profile
    counted: Mapping[str, frozenset[str]]
    _closed: dict[str, bool] = field(init=False, default_factory=dict)
    _moved_s: dict[str, float] = field(init=False, default_factory=dict)
    _going: dict[tuple[str, int, int], None] = field(init=False, default_factory=dict)

    def since_played(self, formula: Formula, signal: str) -> Formula:
        """Return a demand on a signal that counts from now on; a count also knows what was played before."""
        if not isinstance(formula, CountsFormula):
            return formula
        contacts = self.counted.get(signal, self._moved_s.keys() | {name for name, *_ in self._going})
        until_s = max((self._moved_s.get(name, -INF) for name in contacts), default=-INF)
        if any(name in contacts for name, *_ in self._going):
            until_s = INF
        return replace(formula, counts_until_s=until_s)

    def feed(self, event: Event) -> None:
        """Take the next event; the watches that count from it are open already."""
        if not isinstance(event, StimulusApplied | StimulusEnd | EdgesPlayed):
            return
        if self.profile.needs.outputs.get(event.output) != "contact":
            return
        match event:
            case StimulusApplied():
                self._stimulus(event)
            case StimulusEnd(output=name, of=of, window=window):
                self._going.pop((name, of.step, of.stimulus), None)
                self._moved_s[name] = max(self._moved_s.get(name, -INF), window.latest_s)
            case EdgesPlayed():
                self._edges(event.output, event.edges)

    def _stimulus(self, event: StimulusApplied) -> None:
        name = event.output
        if event.window is None or event.of is None or event.of.step == 0:
            self._edges(name, event.edges)
            return
        step, index = event.of.step, event.of.stimulus
        asked = self.profile.steps[step - 1].do[index]
        if event.goes_on or (isinstance(asked, Fail) and asked.mode == "chatter"):
            self._going[name, step, index] = None
            return
        if isinstance(asked, Restore):
            self._going = {going: None for going in self._going if not self._chatters(going, name)}
        self._moved_s[name] = event.window.latest_s

    def _edges(self, name: str, edges: Iterable[EdgeReport]) -> None:
        for edge in edges:
            if edge.closed is not self._closed.get(name, False):
                self._moved_s[name] = edge.due_s if edge.window is None else edge.window.latest_s
            self._closed[name] = edge.closed

    def _chatters(self, going: tuple[str, int, int], name: str) -> bool:
        output, step, index = going
        return output == name and isinstance(self.profile.steps[step - 1].do[index], Fail)


def counted_contacts(bound: Bound) -> dict[str, frozenset[str]]:
    """Return the contacts of a profile that its counters count, where the bench says which."""
    outputs = bound.bench.model.outputs
    counts = {at: output.counted_by for at, output in outputs.items() if isinstance(output, ContactOutput)}
    return {
        name: frozenset(contact for contact, at in bound.outputs.items() if counts.get(at) == counter)
        for name, counter in bound.signals.items()
        if counter in counts.values()
    }


def unplayed(bound: Bound) -> Iterator[Problem]:
    """Yield a warning for each count that is required and that the profile does not play in time.

    Only where it is certain: the bench says which contacts the counter counts, and nothing moves these but pulses, and
    rain into a bucket in the same step.
    """
    counted = counted_contacts(bound)
    played_before: list[Stimulus] = []
    for number, step in enumerate(bound.profile.model.steps):
        for place, response in enumerate(step.expect):
            contacts = counted.get(response.signal)
            if contacts and isinstance(response, Counts | CountsAtLeast):
                if any(not _is_plain(its) for its in played_before if not contacts.isdisjoint(its.outputs)):
                    continue
                closures_s = _closures_s(bound, step.do, contacts)
                wrong = None if closures_s is None else _too_few(response, step.do, closures_s)
                if wrong is not None:
                    yield bound.profile.problem(("steps", number, "expect", place, kind_of(response)), *wrong)
        played_before += step.do


def _is_plain(stimulus: Stimulus) -> bool:
    """Return whether nothing of a stimulus goes on in later steps."""
    return isinstance(stimulus, CloseContact | OpenContact | PulseContact)


def _closures_s(bound: Bound, do: Sequence[Stimulus], contacts: frozenset[str]) -> list[float] | None:
    """Return when contacts close at most in a step, seconds after its begin; None where nobody can say."""
    found: list[float] = []
    for stimulus, (begins_s, _) in zip(do, stimulus_times(do), strict=True):
        if contacts.isdisjoint(stimulus.outputs):
            continue
        match stimulus:
            case OpenContact():
                pass
            case CloseContact():
                found.append(begins_s)
            case PulseContact(closed_for=closed_s, open_for=open_s):
                found += (begins_s + pulse * (closed_s + open_s) for pulse in range(stimulus.times))
            case Rainfall() if not found:  # what it finds in the bucket is known of the first one
                edges = rain_edges(_bucket(bound, stimulus), stimulus)
                found += (begins_s + edge.at_s for edge in edges if edge.closed)
            case _:
                return None
    return sorted(found)


def _bucket(bound: Bound, rainfall: Rainfall) -> BucketSensor:
    output = bound.bench.model.outputs[bound.outputs[rainfall.rainfall]]
    assert isinstance(output, ContactOutput), "binding the profile sees to it"
    assert output.sensor is not None, "likewise"
    assert output.sensor.bucket is not None, "likewise"
    return output.sensor.bucket


def _too_few(
    response: Counts | CountsAtLeast, do: Sequence[Stimulus], closures_s: Sequence[float]
) -> tuple[str, str] | None:
    """Return reason and hint where fewer closures come in time than are required."""
    wanted = response.counts if isinstance(response, Counts) else response.counts_at_least
    anchor_s = anchor_time_s(response, do)
    come = bisect_right(closures_s, anchor_s + response.within + _ROUNDING_S)
    if come >= wanted:
        return None
    reason = f"no right unit can count {wanted} by then: {number_of(come, 'closure')} at most will have come"
    if wanted > len(closures_s):
        return reason, "play as many as are required"
    return (
        reason,
        f"write `within: {closures_s[wanted - 1] - anchor_s:.4g} s` and what the unit needs to count",
    )


_ROUNDING_S: Final = 1e-6
_SHARE: Final = 0.2  # of a span that may be off before it is another stimulus than the one asked for
_LEAST_S: Final = 0.005


def spoiled(edges: Sequence[EdgeReport]) -> str:
    """Return why the edges of a `stimulus` event are not those asked for; empty when they may be.

    An edge that never left spoils the stimulus, and so does a span between two edges that was certainly shorter or
    longer than asked: a closure of 0.3 s that lasted 0.8 s may be taken for rain where the asked one must not be. Where
    the command for an edge was given again, a span that was perhaps so spoils it too.
    """
    windows = [edge.window for edge in edges if edge.window is not None]
    lost = len(edges) - len(windows)
    if lost:
        return f"{lost} of {len(edges)} edges never left the bench: the stimulus was not the one asked for"
    for number, ((one, left), (other, then)) in enumerate(
        pairwise(zip(edges, windows, strict=True)), start=1
    ):
        asked_s = other.due_s - one.due_s
        shortest_s, longest_s = then.earliest_s - left.latest_s, then.latest_s - left.earliest_s
        allowed_s = max(_LEAST_S, _SHARE * asked_s)
        state = "closed" if one.closed else "open"
        perhaps = shortest_s < asked_s - allowed_s or longest_s > asked_s + allowed_s
        if perhaps and (left.again or then.again):
            return (
                f"between edges {number} and {number + 1} the contact was {state} for {max(0.0, shortest_s):.3g} s to "
                f"{longest_s:.3g} s instead of {asked_s:.3g} s, since a reply was lost and its command was given "
                f"again: the stimulus may not be the one asked for"
            )
        if shortest_s > asked_s + allowed_s or longest_s < asked_s - allowed_s:
            lasted_s = (shortest_s + longest_s) / 2
            return (
                f"between edges {number} and {number + 1} the contact was {state} for about {lasted_s:.3g} s "
                f"instead of {asked_s:.3g} s: the stimulus was not the one asked for; the board answered late, "
                f"or the computer was busy; look at both, and repeat the step"
            )
    return ""
