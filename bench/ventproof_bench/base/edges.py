"""Edge plans: when a contact opens and closes, and what an output can play of that."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Sequence


@final
@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of an edge plan: at `at_s` after the plan's start the contact becomes `closed`."""

    at_s: float
    closed: bool


MOST_EDGES: Final = 200_000
"""Longest plan: more is a slip of the pen (100,000 tips at 1 Hz take more than a day)."""

_ROUNDING_S: Final = 1e-9  # differences of decimal fractions: 0.3 - 0.2 is not 0.1


def pulse_plan(times: int, *, closed_for_s: float, open_for_s: float) -> tuple[Edge, ...]:
    """Return the edges of `times` closures; the first begins at 0 s and the last ends with the contact open.

    Every instant is a multiple of the period plus a width, never a running sum, so long trains do not drift.

    Args:
        times: how many closures, 1 to 100,000.
        closed_for_s: how long each lasts, more than 0 s.
        open_for_s: time between two closures, more than 0 s.

    Raises:
        ValueError: a number is out of its range.
    """
    if not 1 <= times <= MOST_EDGES // 2:
        raise ValueError(f"times={times!r} must be 1 to {MOST_EDGES // 2}")
    for what, span_s in (("closed_for", closed_for_s), ("open_for", open_for_s)):
        if not span_s > 0:
            raise ValueError(f"{what}={span_s!r} s must be more than 0 s")
    period_s = closed_for_s + open_for_s
    return tuple(
        edge
        for k in range(times)
        for edge in (Edge(k * period_s, closed=True), Edge(k * period_s + closed_for_s, closed=False))
    )


def shortest_span_s(edges: Sequence[Edge]) -> float | None:
    """Return the shortest time between two edges, seconds, or None with fewer than two."""
    return min((b.at_s - a.at_s for a, b in pairwise(edges)), default=None)


def check_plan(edges: Sequence[Edge], *, fastest_edge_s: float) -> None:
    """Refuse a plan that the output cannot play.

    Args:
        edges: the plan.
        fastest_edge_s: shortest time between two edges that the output can keep.

    Raises:
        ValueError: edges out of order, two in a row that ask for the same state, or faster than the output.
    """
    for first, second in pairwise(edges):
        if second.at_s <= first.at_s:
            raise ValueError(
                f"the edge at {second.at_s:.6g} s does not come after the one at {first.at_s:.6g} s"
            )
        if first.closed == second.closed:
            state = "closed" if second.closed else "open"
            raise ValueError(f"the edge at {second.at_s:.6g} s moves nothing: the contact is {state} already")
    span_s = shortest_span_s(edges)
    if span_s is not None and span_s < fastest_edge_s - _ROUNDING_S:
        raise Refusal(
            (
                f"edges {span_s * 1000.0:.4g} ms apart are too fast for this output, which needs "
                f"{fastest_edge_s * 1000.0:.4g} ms"
            ),
            "use longer pulses or a faster output",
        )
