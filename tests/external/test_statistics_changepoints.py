"""Change points against a published series, and against every possible division.

Nile at Aswan, annual volume 1871 to 1970 (statsmodels' data set): the drop between 1898 and 1899 is the textbook change
(Cobb 1978, Biometrika 65), when the old dam's building began. Means before and after: 1097.75 and 849.97
(recomputed).
"""

from __future__ import annotations

import random
import statistics
from itertools import combinations, pairwise

import pytest
from statsmodels.datasets import nile

from ventproof.statistics.shifts import changes, noise_of


def test_the_nile_changed_once_between_1898_and_1899():
    """One change, at the published year, and nothing else in a hundred years."""
    data = nile.load_pandas().data
    volumes = [float(volume) for volume in data["volume"]]
    (place,) = changes(volumes, noise_of(volumes))
    assert int(data["year"][place - 1]) == 1898
    assert statistics.fmean(volumes[:place]) == pytest.approx(1097.75, abs=0.005)
    assert statistics.fmean(volumes[place:]) == pytest.approx(849.97, abs=0.005)


def test_no_division_is_better_than_the_one_that_is_found():
    """The penalised sum of squares is the least of all divisions, by trying every one with NumPy-free sums."""
    rng = random.Random(3)
    for _ in range(40):
        values = [rng.gauss(5 * (n > 4) - 7 * (n > 7), 1) for n in range(10)]
        penalty = 3 * 2.302585092994046  # 3 ln 10

        def total(cuts, values=values, penalty=penalty):
            ends = [0, *cuts, len(values)]
            parts = [values[a:b] for a, b in pairwise(ends)]
            return sum((v - statistics.fmean(p)) ** 2 for p in parts for v in p) + penalty * len(cuts)

        every = (cuts for size in range(10) for cuts in combinations(range(1, 10), size))
        assert total(changes(values, 1.0)) == pytest.approx(min(map(total, every)), abs=1e-9)
