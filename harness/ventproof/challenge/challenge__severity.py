"""The smallest severity of a fault that a suite still finds (pure)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

_STRIDE: Final = 4.0
_LEAST: Final = 1 / 1024
_MOST: Final = 1000.0  # what the catalogue takes
_RATIO: Final = 1.1


def smallest_found(found: Callable[[float], bool]) -> float | None:
    """Return the smallest severity that is found, to a tenth of it; None when none is found.

    The search strides from 1 by factors of four until it has one that is found and one that is not, and then halves
    between them. It takes a fault that is found to be found when it is worse, too; where that does not hold, what it
    returns is a severity that is found beside one that is not.

    Args:
        found: whether the suite finds the fault at a severity.
    """
    above = 1.0
    if found(above):
        below = above / _STRIDE
        while below >= _LEAST and found(below):
            above, below = below, below / _STRIDE
        if below < _LEAST:
            return above
    else:
        below, above = above, above * _STRIDE
        while not found(above):
            if above == _MOST:
                return None
            below, above = above, min(_MOST, above * _STRIDE)
    while above / below > _RATIO:
        middle = (above * below) ** 0.5
        if found(middle):
            above = middle
        else:
            below = middle
    return above
