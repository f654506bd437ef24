"""A rain sensor with a dry contact: closed while it rains, and bouncing as wet contacts do (pure).

Closed here means that it rains; whether the sensor's contact is normally open or closed is the bench file's affair.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from random import Random
from typing import TYPE_CHECKING

from bench.pulses import MOST_EDGES
from bench.samples import Edge
from harness.weather.exact import Number, more_than_zero

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.weather.hyetograph import Hyetograph


def rain_plan(rain: Hyetograph) -> tuple[Edge, ...]:
    """Return the edges of an ideal sensor: closed while the intensity is more than 0; the contact begins open.

    A contact that is still closed at the hyetograph's end opens there. Dry rain gives no edge.
    """
    edges: list[Edge] = []
    start_s, wet = Fraction(), False
    for piece in rain.pieces:
        if piece.is_wet != wet:
            wet = piece.is_wet
            edges.append(Edge(float(start_s), closed=wet))
        start_s += piece.duration_s
    if wet:
        edges.append(Edge(float(start_s), closed=False))
    return tuple(edges)


def bouncing(
    edges: Sequence[Edge], *, most: int, within_s: Number, shortest_s: Number, seed: int
) -> tuple[Edge, ...]:
    """Return the plan with a burst of bounces after each of its edges.

    At its instant the contact takes its new state; then it leaves that state and comes back 1 to `most` times, at
    random, and keeps it from `within_s` after the edge at the latest.

    Args:
        edges: the plan without bounce, in order.
        most: most bounces after one edge, 1 or more.
        within_s: longest burst, seconds.
        shortest_s: shortest time between two edges that the output can play, more than 0 s.
        seed: the same seed gives the same bounces.

    Raises:
        ValueError: a number is out of its range, so many bounces do not fit into the burst, a burst would
            reach the next edge, or the plan has more edges than the bench takes.
    """
    burst_s, apart_s = (
        float(more_than_zero("within_s", within_s)),
        float(more_than_zero("shortest_s", shortest_s)),
    )
    if most < 1:
        raise ValueError(f"most={most!r} must be at least one bounce")
    if 2 * most * apart_s > burst_s:
        raise ValueError(
            f"most={most} bounces at shortest_s={apart_s:.6g} take {2 * most * apart_s:.6g} s, "
            f"longer than within_s={burst_s:.6g}; use fewer bounces or a longer burst"
        )
    if len(edges) * (1 + 2 * most) > MOST_EDGES:
        raise ValueError(
            f"{len(edges)} edges with up to {most} bounces are more than the {MOST_EDGES} edges of one plan"
        )
    for edge, following in pairwise(edges):
        if following.at_s < edge.at_s + burst_s + apart_s:
            raise ValueError(
                f"within_s={burst_s:.6g} is too long: the edge at {edge.at_s:.6g} s is followed by one "
                f"{following.at_s - edge.at_s:.6g} s later; use a shorter burst"
            )
    draw = Random(seed)  # noqa: S311 - reproducible bounces, no secret
    return tuple(
        each
        for edge in edges
        for each in (edge, *_burst(edge, draw, draw.randint(1, most), burst_s, apart_s))
    )


def _burst(edge: Edge, draw: Random, bounces: int, burst_s: float, apart_s: float) -> list[Edge]:
    """Return two edges a bounce: random points of the spare time, in order, each moved on by its share of gaps."""
    spare_s = burst_s - 2 * bounces * apart_s
    spare = sorted(draw.random() * spare_s for _ in range(2 * bounces))
    return [
        Edge(edge.at_s + at_s + number * apart_s, closed=edge.closed == (number % 2 == 0))
        for number, at_s in enumerate(spare, start=1)
    ]
