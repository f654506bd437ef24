"""Covering arrays: every combination counted by hand, and sizes against published tables."""

from __future__ import annotations

from itertools import combinations, product
from math import comb

import pytest

from ventproof.draft.combined import covering

# Colbourn's tables of covering arrays, status of November 2024, as the CRAN package CAs carries them:
# (factors, values, strength) to the smallest number of rows known. No array has fewer rows than values**strength.
PUBLISHED = {
    (4, 3, 2): 9,
    (10, 2, 2): 6,
    (6, 2, 2): 6,
    (4, 2, 3): 8,
    (6, 2, 3): 12,
    (6, 3, 3): 33,
    (6, 2, 4): 21,
}
TUPLES = {(10, 2, 2): 180, (13, 3, 2): 702, (4, 3, 2): 54}


def missing(rows, factors, values, strength):
    """Return the combinations that no row holds: counted here, one by one."""
    every = {
        (places, combination)
        for places in combinations(range(factors), strength)
        for combination in product(range(values), repeat=strength)
    }
    assert len(every) == comb(factors, strength) * values**strength
    for row in rows:
        every -= {
            (places, tuple(row[p] for p in places)) for places in combinations(range(factors), strength)
        }
    return every


@pytest.mark.parametrize(("factors", "values", "strength"), PUBLISHED)
def test_every_combination_occurs(factors, values, strength):
    """External check: an independent count finds every pair, triple and quadruple of values in some row."""
    rows = covering(factors, values, strength)
    assert {len(row) for row in rows} == {factors}
    assert missing(rows, factors, values, strength) == set()


@pytest.mark.parametrize(("array", "least"), PUBLISHED.items())
def test_sizes_are_between_the_best_known_and_half_as_many_again(array, least):
    """External check: never fewer rows than the published record, and no more than half as many again."""
    factors, values, strength = array
    assert least <= len(covering(factors, values, strength)) <= 1.5 * least + 1


def test_the_count_of_combinations_is_the_published_one():
    """External check: the tables' numbers of pairs to cover."""
    for (factors, values, strength), tuples in TUPLES.items():
        assert len(missing([], factors, values, strength)) == tuples


@pytest.mark.parametrize("factors", [1, 2, 3])
def test_few_factors_are_combined_in_every_way(factors):
    """With no more factors than the strength all combinations are taken."""
    assert len(covering(factors, 2, 3)) == 2**factors


def test_the_same_array_comes_every_time():
    """What is drafted twice is the same twice."""
    assert covering(7, 2, 3) == covering(7, 2, 3)


def test_a_strength_of_nothing_is_refused():
    """Below one there is nothing to cover."""
    with pytest.raises(ValueError, match="a strength of 0; write 2 for all pairs, 3 for all triples"):
        covering(3, 2, 0)
