"""Which decider decides which formula."""

from __future__ import annotations

from ventproof.deciders import formulas
from ventproof.deciders.band import ReturnsDecider, StaysDecider
from ventproof.deciders.base import Decider
from ventproof.deciders.count import CountDecider
from ventproof.deciders.flags import FlagDecider, FlagFormula, Kept
from ventproof.deciders.formulas import Formula
from ventproof.deciders.motion import DriftDecider, OvershootDecider, ReversalDecider
from ventproof.deciders.reaches import HoldsDecider, ReachesDecider
from ventproof.deciders.travel import TravelDecider
from ventproof.envelope.spans import EPS_S
from ventproof_bench.base.evidence import Window


def decider_of(  # noqa: C901, PLR0911 - one line a kind
    formula: Formula,
    stimulus: Window,
    rate_per_s: float | None,
    *,
    continuous: bool,
    kept: Kept | None = None,
) -> Decider:
    """Return a new decider.

    Args:
        formula: what is demanded.
        stimulus: the window that contains the instant from which it counts.
        rate_per_s: the fastest that the truth can change, in the signal's unit; None where nothing bounds it.
        continuous: the truth passes every value between two of its values.
        kept: how a flag or a state keeps its values; None for other signals, and for readings as they stand.
    """
    if kept is not None and isinstance(formula, FlagFormula):
        return FlagDecider(formula, stimulus, kept)
    match formula:
        case formulas.ReachesFormula():
            if formula.holds_s > EPS_S:
                return HoldsDecider(formula, stimulus, rate_per_s)
            return ReachesDecider(formula, stimulus, rate_per_s, continuous=continuous)
        case formulas.EqualsFormula():
            reached = formulas.ReachesFormula(formula.value, 0.0, formula.within_s)
            return ReachesDecider(reached, stimulus, None, continuous=False)
        case formulas.StaysFormula():
            return StaysDecider(formula, stimulus, rate_per_s)
        case formulas.ReturnsFormula():
            return ReturnsDecider(formula, stimulus, rate_per_s, continuous=continuous)
        case formulas.StartsMovingFormula() | formulas.UnchangedFormula():
            return DriftDecider(formula, stimulus, rate_per_s)
        case formulas.MovesAtFormula():
            return TravelDecider(formula, stimulus, rate_per_s)
        case formulas.OvershootsAtMostFormula():
            return OvershootDecider(formula, stimulus, rate_per_s)
        case formulas.NeverReversesFormula():
            return ReversalDecider(formula, stimulus, rate_per_s)
        case formulas.CountsFormula():
            return CountDecider(formula, stimulus)
