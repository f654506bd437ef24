"""Sensors that go wrong: errors of a value that drifts or chatters, and the edges of a loose contact (pure)."""

from __future__ import annotations

from itertools import count
from random import Random
from typing import TYPE_CHECKING, Final

from bench.samples import Edge

if TYPE_CHECKING:
    from collections.abc import Iterator

DRIFT_STEP_S: Final = 0.5
"""A drift is played in steps of this length."""


def drift(by: float, *, over_s: float) -> Iterator[tuple[float, float]]:
    """Yield instants (s) and errors of a value that comes to be wrong evenly, and stays so."""
    for step in count(1):
        at_s = step * DRIFT_STEP_S
        if at_s >= over_s:
            break
        yield at_s, by * at_s / over_s
    yield over_s, by


def chatter(by: float, *, every_s: float, seed: int) -> Iterator[tuple[float, float]]:
    """Yield instants (s) and errors of a value that jumps up and down by turns, without end; the first is at 0 s."""
    sign = 1.0
    for at_s in _instants(every_s, seed):
        yield at_s, sign * by
        sign = -sign


def contact_chatter(*, every_s: float, seed: int) -> Iterator[Edge]:
    """Yield the edges of a loose contact that opens and closes at random, without end; it closes at 0 s."""
    closed = True
    for at_s in _instants(every_s, seed):
        yield Edge(at_s, closed=closed)
        closed = not closed


def _instants(every_s: float, seed: int) -> Iterator[float]:
    """Yield instants from 0 s on, half to one and a half of `every_s` apart."""
    draw = Random(seed)  # noqa: S311 - reproducible chatter, no secret
    at_s = 0.0
    while True:
        yield at_s
        at_s += every_s * (0.5 + draw.random())
