"""Which conditions to bring about together, so that every combination of a few of them occurs (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from bench.errors import Refusal

_SALTS: Final = 20
"""The generator is greedy; of so many of its answers the smallest is taken."""


def covering(factors: int, values: int, strength: int) -> list[tuple[int, ...]]:
    """Return rows in which every `strength` factors take every combination of their values.

    Args:
        factors: how many.
        values: how many values each has: 0, 1, …
        strength: 2 for all pairs, 3 for all triples.

    Raises:
        ValueError: a strength below 1.
    """
    if strength < 1:
        raise Refusal(f"a strength of {strength}", "write 2 for all pairs, 3 for all triples")
    if factors <= strength:
        return _every(factors, values)
    from covertable import make  # noqa: PLC0415 - only where profiles are drafted

    # The generator wants names and orders them, so that a factor's values have names of their own.
    names = [{f"{factor}:{value}": value for value in range(values)} for factor in range(factors)]
    arrays = (make([list(its) for its in names], strength=strength, salt=str(salt)) for salt in range(_SALTS))
    rows: Sequence[Sequence[str]] = min(arrays, key=len)
    return sorted(tuple(its[cell] for its, cell in zip(names, row, strict=True)) for row in rows)


def _every(factors: int, values: int) -> list[tuple[int, ...]]:
    rows: list[tuple[int, ...]] = [()]
    for _ in range(factors):
        rows = [(*row, value) for row in rows for value in range(values)]
    return rows
