"""How little of a challenge tells the same as all of it (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.prove.trial import Trial


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
