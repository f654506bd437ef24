"""Which trials to make, and what a set of them tells (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from ventproof.challenge.trial import Trial


def until(trials: Iterable[Trial], finds: int) -> Iterator[Trial]:
    """Yield trials, to the one with which so many of them have found the fault."""
    for trial in trials:
        yield trial
        finds -= trial.failed
        if not finds:
            return


def enough_of(finders: Iterable[Collection[int]]) -> tuple[int, ...]:
    """Return profiles, in rising order, such that each fault is found by one of them; greedy, so not always the fewest.

    Args:
        finders: of each fault, numbers of profiles that find it; one at least.
    """
    left = [frozenset(numbers) for numbers in finders]
    taken = {number for numbers in left if len(numbers) == 1 for number in numbers}
    while left := [numbers for numbers in left if taken.isdisjoint(numbers)]:
        counts = Counter(number for numbers in left for number in numbers)
        taken.add(min(counts, key=lambda number: (-counts[number], number)))
    return tuple(sorted(taken))


_STRIDE: Final = 4.0
_LEAST: Final = 1 / 1024
_MOST: Final = 1000.0  # what the catalogue takes
_RATIO: Final = 1.1


def smallest_found(
    found: Callable[[float], bool], *, least: float = _LEAST, ratio: float = _RATIO
) -> float | None:
    """Return the smallest severity that is found, to a tenth of it; None when none is found.

    The search strides from 1 by factors of four until it has one that is found and one that is not, and then halves
    between them. It takes a fault that is found to be found when it is worse, too; where that does not hold, what it
    returns is a severity that is found beside one that is not.

    Args:
        found: whether the suite finds the fault at a severity.
        least: nothing smaller is tried.
        ratio: what is returned is found, and so many times less may not be.
    """
    above = 1.0
    if found(above):
        below = above / _STRIDE
        while below >= least and found(below):
            above, below = below, below / _STRIDE
        if below < least:
            return above
    else:
        below, above = above, above * _STRIDE
        while not found(above):
            if above == _MOST:
                return None
            below, above = above, min(_MOST, above * _STRIDE)
    while above / below > ratio:
        middle = (above * below) ** 0.5
        if found(middle):
            above = middle
        else:
            below = middle
    return above
