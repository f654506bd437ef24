"""What a claim will come to, computed exactly: what its error rates are checked against."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import final

from ventproof.statistics.sequential import Claim


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What a claim will come to within a number of repeats, computed exactly.

    Attributes:
        proved: probability of that answer.
        refuted: probability of that answer.
        undecided: probability of neither.
        mean_repeats: mean number of repeats made.
    """

    proved: float
    refuted: float
    undecided: float
    mean_repeats: float


def outlook_of(claim: Claim, pass_probability: float, repeats: int) -> Outlook:
    """Return exactly what a fresh copy of a claim comes to within `repeats`, for a unit with this pass probability.

    Dynamic programming over the number of fails: the counts decide, not their order, so the probability
    of each undecided count is carried from repeat to repeat. At p = R `proved` and `refuted` are the
    largest risks.

    Args:
        claim: the claim, nothing of it counted yet.
        pass_probability: p, from 0 to 1; every repeat passes or fails.
        repeats: where the series is cut off, at least 1.

    Raises:
        ValueError: a value is out of range.
    """
    p = pass_probability
    if not 0 <= p <= 1:
        raise ValueError(f"pass_probability={p!r} must be from 0 to 1")
    if repeats < 1:
        raise ValueError(f"repeats={repeats!r} must be at least 1")
    ended = {"proved": 0.0, "refuted": 0.0}
    open_paths, mean = {0: 1.0}, 0.0
    for done in range(1, repeats + 1):
        mean += math.fsum(open_paths.values())
        moved: dict[int, float] = {}
        for fails, weight in open_paths.items():
            moved[fails] = moved.get(fails, 0.0) + weight * p
            moved[fails + 1] = moved.get(fails + 1, 0.0) + weight * (1 - p)
        open_paths = {}
        for fails, weight in moved.items():
            answer = claim._answer(done - fails, fails, 0)
            if answer == "undecided":
                open_paths[fails] = weight
            else:
                ended[answer] += weight
    undecided = math.fsum(open_paths.values())
    return Outlook(proved=ended["proved"], refuted=ended["refuted"], undecided=undecided, mean_repeats=mean)
