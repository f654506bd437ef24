"""Faults of contacts and pulse wires: pure changes of an edge plan, each named after what goes wrong on site."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from bench.pulses import MOST_EDGES
from bench.samples import Edge

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# A plan begins with its contact open (bench.pulses); all functions here keep to that.


def wire_breaks(edges: Sequence[Edge], *, from_s: float, to_s: float | None = None) -> tuple[Edge, ...]:
    """Return what the terminals see when the wire of a normally open contact breaks: open, for good or until `to_s`."""
    return _held(edges, from_s, to_s, closed=False)


def wire_shorts(edges: Sequence[Edge], *, from_s: float, to_s: float | None = None) -> tuple[Edge, ...]:
    """Return what the terminals see when the two wires touch: closed, for good or until `to_s`.

    A short for good leaves the contact closed at the plan's end.
    """
    return _held(edges, from_s, to_s, closed=True)


def contact_sticks(edges: Sequence[Edge], *, from_s: float, to_s: float | None = None) -> tuple[Edge, ...]:
    """Return the plan with the contact stuck as it stood at `from_s`, for good or until `to_s`."""
    return _held(edges, from_s, to_s, closed=_state_at(edges, from_s))


def pulses_are_missed(edges: Sequence[Edge], *, one_in: int) -> tuple[Edge, ...]:
    """Return the plan without every `one_in`-th closure: a worn magnet or a bad joint.

    Raises:
        ValueError: `one_in` is below 1, or the plan is no train of closures that each open again.
    """
    if one_in < 1:
        raise ValueError(f"one_in={one_in!r} must be 1 or more; 1 loses every pulse")
    closings, openings = edges[0::2], edges[1::2]
    if (
        len(closings) != len(openings)
        or any(e.closed for e in openings)
        or not all(e.closed for e in closings)
    ):
        raise ValueError("pulses are missed from closures that each open again; this plan is none of these")
    pairs = zip(closings, openings, strict=True)
    return tuple(edge for k, pair in enumerate(pairs, start=1) if k % one_in for edge in pair)


def chatters(
    edges: Sequence[Edge], *, from_s: float, to_s: float, shortest_s: float, longest_s: float, seed: int
) -> tuple[Edge, ...]:
    """Return the plan with a loose contact: between two instants it opens and closes at random, whatever the weather.

    Args:
        edges: the plan.
        from_s: when the chatter begins, s; the contact changes at once.
        to_s: when it ends, s; the contact is then as the plan has it.
        shortest_s: shortest time between two edges of the chatter, more than 0 s.
        longest_s: longest time between two, at least `shortest_s`.
        seed: the same seed makes the same chatter.

    Raises:
        ValueError: a span is out of its range, or the chatter would have more than 200,000 edges.
    """
    _check_span(from_s, to_s)
    if not 0 < shortest_s <= min(longest_s, to_s - from_s):
        raise ValueError(
            f"shortest_s={shortest_s!r} s must be more than 0 s and at most longest_s={longest_s!r} s "
            f"and the chatter's {to_s - from_s:.6g} s"
        )
    if (to_s - from_s) / shortest_s > MOST_EDGES:
        raise ValueError(f"shortest_s={shortest_s!r} s makes more than {MOST_EDGES} edges; lengthen it")
    dice = Random(seed)  # noqa: S311 - weather, not secrets; its stream is fixed by Python's documentation
    state = not _state_before(edges, from_s)
    at_s, noise = from_s, []
    # No edge so close to the end that the plan's own state could follow it too soon.
    while at_s + shortest_s <= to_s:
        noise.append(Edge(at_s, state))
        state = not state
        at_s += shortest_s + (longest_s - shortest_s) * dice.random()
    return _spliced(edges, noise, from_s, to_s)


def _held(edges: Sequence[Edge], from_s: float, to_s: float | None, *, closed: bool) -> tuple[Edge, ...]:
    _check_span(from_s, to_s)
    return _spliced(edges, [Edge(from_s, closed)], from_s, to_s)


def _spliced(
    edges: Sequence[Edge], fault: Iterable[Edge], from_s: float, to_s: float | None
) -> tuple[Edge, ...]:
    """Return the plan with the fault's edges in place of its own in `[from_s, to_s)`."""
    before = [e for e in edges if e.at_s < from_s]
    after = [] if to_s is None else [Edge(to_s, _state_at(edges, to_s)), *(e for e in edges if e.at_s > to_s)]
    kept: list[Edge] = []
    for edge in (*before, *fault, *after):
        if edge.closed != (kept[-1].closed if kept else False):
            kept.append(edge)
    return tuple(kept)


def _state_at(edges: Sequence[Edge], at_s: float) -> bool:
    return next((e.closed for e in reversed(edges) if e.at_s <= at_s), False)


def _state_before(edges: Sequence[Edge], at_s: float) -> bool:
    return next((e.closed for e in reversed(edges) if e.at_s < at_s), False)


def _check_span(from_s: float, to_s: float | None) -> None:
    if not from_s >= 0:
        raise ValueError(f"from_s={from_s!r} s must not be negative; a plan begins at 0 s")
    if to_s is not None and not from_s < to_s:
        raise ValueError(f"to_s={to_s!r} s must come after from_s={from_s!r} s")
