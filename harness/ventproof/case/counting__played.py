"""Whether a contact did what it was asked to do: a train that was played otherwise proves nothing (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from bench.samples import EdgeReport

_SHARE: Final = 0.2  # of a span that may be off before it is another stimulus than the one asked for
_LEAST_S: Final = 0.005


def spoiled(edges: Sequence[EdgeReport]) -> str:
    """Return why the edges of a `stimulus` event are not those asked for; empty when they may be.

    An edge that never left spoils the stimulus, and so does a span between two edges that was certainly shorter or
    longer than asked: a closure of 0.3 s that lasted 0.8 s may be taken for rain where the asked one must not be.
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
        if shortest_s > asked_s + allowed_s or longest_s < asked_s - allowed_s:
            state = "closed" if one.closed else "open"
            lasted_s = (shortest_s + longest_s) / 2
            return (
                f"between edges {number} and {number + 1} the contact was {state} for about {lasted_s:.3g} s "
                f"instead of {asked_s:.3g} s: the stimulus was not the one asked for; repeat the step on a bench "
                f"that is less busy"
            )
    return ""
