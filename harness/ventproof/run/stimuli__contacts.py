"""What a profile does to a contact: which edges, and in which words."""

from __future__ import annotations

from collections.abc import Sequence

from bench.pulses import pulse_plan
from bench.samples import Edge
from harness.judge.numbers import seconds
from harness.profile.stimulus import CloseContact, OpenContact, PulseContact


def contact_plan(stimulus: CloseContact | OpenContact | PulseContact) -> tuple[str, str, Sequence[Edge]]:
    """Return the contact that a stimulus moves, what it does in words, and its edges."""
    if isinstance(stimulus, PulseContact):
        plan = pulse_plan(stimulus.times, closed_for_s=stimulus.closed_for, open_for_s=stimulus.open_for)
        spans = f"closed {seconds(stimulus.closed_for)}, open {seconds(stimulus.open_for)}"
        return stimulus.pulse, f"pulse {stimulus.pulse} {stimulus.times} times, {spans}", plan
    closed = isinstance(stimulus, CloseContact)
    name = stimulus.close if isinstance(stimulus, CloseContact) else stimulus.open
    return name, f"{'close' if closed else 'open'} {name}", [Edge(0.0, closed)]
