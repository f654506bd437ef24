"""Which decider decides which formula."""

from __future__ import annotations

from bench.samples import Window
from harness.judge import formulas
from harness.judge.band import ReturnsDecider, StaysDecider
from harness.judge.count import CountDecider
from harness.judge.decider import Decider
from harness.judge.drift import DriftDecider, OvershootDecider, ReversalDecider
from harness.judge.formulas import Formula
from harness.judge.reaches import HoldsDecider, ReachesDecider
from harness.judge.spans import EPS_S
from harness.judge.travel import TravelDecider


def decider_of(  # noqa: C901, PLR0911 - one line a kind
    formula: Formula, stimulus: Window, rate_per_s: float | None, *, continuous: bool
) -> Decider:
    """Return a new decider.

    Args:
        formula: what is demanded.
        stimulus: the window that contains the instant from which it counts.
        rate_per_s: the fastest that the truth can change, in the signal's unit; None where nothing bounds it.
        continuous: the truth passes every value between two of its values.
    """
    match formula:
        case formulas.Reaches():
            if formula.holds_s > EPS_S:
                return HoldsDecider(formula, stimulus, rate_per_s)
            return ReachesDecider(formula, stimulus, rate_per_s, continuous=continuous)
        case formulas.Equals():
            reached = formulas.Reaches(1.0, 0.0, formula.within_s)
            return ReachesDecider(reached, stimulus, None, continuous=False)
        case formulas.Stays():
            return StaysDecider(formula, stimulus, rate_per_s)
        case formulas.Returns():
            return ReturnsDecider(formula, stimulus, rate_per_s, continuous=continuous)
        case formulas.StartsMoving() | formulas.Unchanged():
            return DriftDecider(formula, stimulus, rate_per_s)
        case formulas.MovesAt():
            return TravelDecider(formula, stimulus, rate_per_s)
        case formulas.OvershootsAtMost():
            return OvershootDecider(formula, stimulus, rate_per_s)
        case formulas.NeverReverses():
            return ReversalDecider(formula, stimulus, rate_per_s)
        case formulas.Counts():
            return CountDecider(formula, stimulus)
