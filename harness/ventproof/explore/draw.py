"""Sequences of weather, drawn with hypothesis so that one that fails can be made shorter."""

from __future__ import annotations

from math import isqrt
from typing import TYPE_CHECKING, Final

from ventproof.explore.sequence import SHORTEST_S, Action

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from hypothesis.strategies import DrawFn, SearchStrategy

    from ventproof.explore.moves import Move
    from ventproof.explore.sequence import Sequence as WeatherSequence


MOST_ACTIONS: Final = 8


def sequences(
    moves: Sequence[Move], gaps_s: Sequence[float], longest_s: float
) -> SearchStrategy[WeatherSequence]:
    """Return what draws sequences; some are empty.

    Args:
        moves: what can be done.
        gaps_s: spans to leave between two actions.
        longest_s: nothing is done later than this after a sequence begins, seconds.
    """
    from hypothesis import strategies  # noqa: PLC0415 - slow to import

    things = _things(moves)
    gap, thing = strategies.sampled_from(gaps_s), strategies.integers(0, len(things))
    state = strategies.integers(0, max(map(len, things), default=1) - 1)
    # A third of the turns ends what was begun, and a third begins something for sure: far beyond a threshold.
    aim = strategies.sampled_from(("any", "begin", "end"))
    more = strategies.sampled_from((False, *[True] * 8))

    @strategies.composite
    def drawn(draw: DrawFn) -> WeatherSequence:
        states: dict[str, str] = {}
        actions: list[Action] = []
        at_s = 0.0
        for number in range(MOST_ACTIONS):
            if number and not draw(more):
                break
            # Each turn draws alike, so that any can be left out, and 0 is a pause, which keeps the others' times.
            gap_s, chosen, which, aims = draw(gap), draw(thing), draw(state), draw(aim)
            at_s = max(at_s + gap_s, _next_s(actions)) if actions else 0.0
            if at_s > longest_s:
                break
            if chosen:
                ends = [m for m in moves if aims == "end" and m.state == m.rest and m.possible(states)]
                among = ends or things[chosen - 1]
                move = _next_possible(among, 0 if aims == "begin" else which, states)
                move = move or _next_possible(moves, which, states)
                if move is not None:
                    at_s = max(at_s, move.earliest_s)
                    actions.append(Action(round(at_s, 1), move))
                    states[move.thing] = move.state
        if not actions:
            return ()
        return (*actions, *_put_back(moves, states, _next_s(actions)))

    return drawn()


def _things(moves: Sequence[Move]) -> list[Sequence[Move]]:
    """Return the moves of each thing, what begins something first; each thing as often as it is to be drawn.

    A wind has twenty values and a vane four: were moves drawn alike, hardly anything but wind would be played.
    """
    by_thing: dict[str, list[Move]] = {}
    for move in moves:
        by_thing.setdefault(move.thing, []).append(move)
    return [its for its in by_thing.values() for _ in range(isqrt(len(its)))]


def _next_s(actions: Sequence[Action]) -> float:
    """Return when the next thing can be done at the earliest."""
    return actions[-1].at_s + actions[-1].move.lasts_s + SHORTEST_S


def _next_possible(moves: Sequence[Move], number: int, states: Mapping[str, str]) -> Move | None:
    """Return a move, or the next one that changes something: what it is depends little on those before it."""
    first = number % len(moves)
    return next((move for move in (*moves[first:], *moves[:first]) if move.possible(states)), None)


def _put_back(moves: Iterable[Move], states: Mapping[str, str], at_s: float) -> list[Action]:
    """Return what gives the unit its supply back, so that it answers when the run ends."""
    return [
        Action(round(at_s, 1), move)
        for move in moves
        if move.supplies and move.state == move.rest and states.get(move.thing, move.rest) != move.rest
    ]
