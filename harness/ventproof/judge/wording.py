"""The one sentence that says why, for whoever stands at the bench (pure)."""

from __future__ import annotations

from typing import Final, NamedTuple, final

from ventproof.deciders import formulas
from ventproof.deciders.band import ReturnsDecider, StaysDecider
from ventproof.deciders.base import Decider
from ventproof.deciders.count import CountDecider
from ventproof.deciders.flags import FlagDecider
from ventproof.deciders.formulas import Formula
from ventproof.deciders.reaches import HoldsDecider, ReachesDecider
from ventproof.deciders.travel import TravelDecider
from ventproof.envelope.readings import ReadingStats
from ventproof.envelope.spans import EPS_S, INF, Piece, Track, at_least, at_most, both, clip, surely_in
from ventproof.judge.advice import advice
from ventproof.verdict.finding import Bounds, Ruling, Verdict
from ventproof.verdict.text import decimals_for, number_text, range_text, value_text
from ventproof_bench.base.evidence import SignalTraits

_OUTCOMES: Final[dict[type[Formula], tuple[str, str]]] = {
    formulas.ReachesFormula: ("came into the band in time", "was not in the band in time"),
    formulas.EqualsFormula: ("took the value in time", "did not take the value in time"),
    formulas.StaysFormula: ("stayed within its limits", "left its limits"),
    formulas.ReturnsFormula: ("came back neither too early nor too late", "did not come back in time"),
    formulas.StartsMovingFormula: ("began to move in time", "did not move in time"),
    formulas.UnchangedFormula: ("did not move", "moved although it should not"),
    formulas.MovesAtFormula: (
        "travelled at the demanded rate",
        "did not travel at the demanded rate in time",
    ),
    formulas.OvershootsAtMostFormula: ("overshot no more than allowed", "overshot more than allowed"),
    formulas.NeverReversesFormula: ("travelled one way only", "reversed on its way"),
    formulas.CountsFormula: ("advanced exactly as demanded", "advanced by a wrong number"),
}


@final
class Since(NamedTuple):
    """From what the sentences count their seconds.

    Attributes:
        event: what happened, as it follows "after".
        judged_after_s: how much later the judging began than this happened, s.
    """

    event: str = "the stimulus"
    judged_after_s: float = 0.0


STIMULUS: Final = Since()


@final
class _Teller:
    """Words one ruling."""

    def __init__(
        self, found: Ruling, formula: Formula, decider: Decider, traits: SignalTraits, since: Since
    ) -> None:
        self.found = found
        self.formula = formula
        self.decider = decider
        self.traits = traits
        self.since = since
        self.unit = "" if traits.unit in {"flag", "state", "count"} else f" {traits.unit}"
        self.decimals = decimals_for(traits.error)

    def at(self, t_s: float) -> str:
        """Return a moment of loop time as seconds after what it counts from."""
        after_s = t_s - self.decider.s1 + self.since.judged_after_s
        return f"{after_s:.2f} s after {self.since.event}"

    def values(self, bounds: Bounds) -> str:
        """Return an interval of the signal's values."""
        return range_text(bounds, self.unit, self.decimals)

    def decided(self) -> str:
        """Return the sentence for a pass or a fail."""
        found, formula, decider = self.found, self.formula, self.decider
        good, bad = _OUTCOMES[type(formula)]
        if isinstance(decider, ReturnsDecider) and decider.too_early:
            return f"came back within {number_text(decider.formula.not_before_s)} s of {self.since.event}: too early"
        if found.verdict is Verdict.FAIL:
            if isinstance(formula, formulas.ReachesFormula) and (left := self._left_again()):
                return left
            return bad + self._evidence()
        when = ""
        if found.response_s is not None:
            first, last = found.response_s
            when = f": {first:.2f} to {last:.2f} s after {self.since.event}"
        elif isinstance(decider, StaysDecider | FlagDecider) and decider.end_s < decider.s1:
            return "was never held to it: the condition ended first"
        hold = formula.holds_s if isinstance(formula, formulas.ReachesFormula) else 0.0
        kept = f", and kept it for {number_text(hold)} s" if hold else ""
        return good + when + kept + ("" if when else self._evidence())

    def _evidence(self) -> str:
        """Return the readings' share of the sentence: where the signal was."""
        found, formula, decider = self.found, self.formula, self.decider
        if isinstance(decider, CountDecider):
            return f": by {_advance(decider)}"
        if isinstance(formula, formulas.EqualsFormula):
            return ""
        if isinstance(decider, TravelDecider) and decider.rate is not None:
            return f": {_rates(decider.rate, self.unit)}"
        left = decider.left if isinstance(decider, StaysDecider | FlagDecider) else None
        if found.verdict is Verdict.FAIL and left is not None:
            t_s, low, high = left
            return f": {self.values(Bounds(low, high))} at {self.at(t_s)}"
        if found.verdict is Verdict.FAIL and isinstance(
            decider, ReachesDecider | HoldsDecider | ReturnsDecider
        ):
            limit_s = decider.s2 + decider.formula.within_s
            for piece in reversed(decider.pieces):
                part = clip(piece, piece.t0, limit_s)
                if part is not None and part.l1 > -INF:
                    return f": {self.values(Bounds(part.l1, part.u1))} at {self.at(part.t1)}"
        return f": {self.values(found.seen)} all the time" if found.seen is not None else ""

    def _left_again(self) -> str:
        """Return the sentence for a band that was reached in time and not held; empty if that is not what happened."""
        decider = self.decider
        if not isinstance(decider, HoldsDecider):
            return ""
        formula = decider.formula
        band = Bounds(formula.target - formula.tolerance, formula.target + formula.tolerance)
        stay, after = _longest_stay(_crossings(decider.pieces, band), band, decider.s2 + formula.within_s)
        if stay is None:
            return ""
        if after is not None:
            outside, at_s = Bounds(after.l1, after.u1), after.t1
        elif decider.broken_by is not None:
            outside, at_s = Bounds(decider.broken_by.lo, decider.broken_by.hi), decider.broken_by.b
        else:
            return ""
        return (
            f"came into the band at {stay[0] - decider.s1:.2f} s and left it during the hold: "
            f"{self.values(outside)} at {self.at(at_s)}"
        )

    def undecided(  # noqa: PLR0911 - one line a cause
        self, seen: ReadingStats, rate_per_s: float | None
    ) -> str:
        """Return the sentence for an open ruling."""
        traits, decider, gap = self.traits, self.decider, seen.longest_gap
        if isinstance(decider, CountDecider) and decider.restarted:
            return "the counter was set anew during the count; repeat the step without a restart"
        if isinstance(decider, CountDecider) and decider.counted_on:
            return "the counter still counted around the limit; let it count for longer, or let it stand still by then"
        if not seen.count:
            return f"nothing was read since {self.since.event}; restore the bus and repeat the step"
        if (
            seen.last_s < decider.end_s - EPS_S
            and decider.end_s < INF
            and (gap is None or gap.to_s <= seen.last_s)
        ):
            return self._cut_short(seen)
        if gap is not None:
            return (
                f"readings were missing for {gap.to_s - gap.from_s:.3g} s ({gap.reason}); "
                f"repeat the step with the bus in order"
            )
        if isinstance(decider, CountDecider) and decider.moved_before:
            return (
                f"the counter was not seen to stand still before {self.since.event}, so earlier counts may be among "
                f"these; leave it in peace for a second or two before"
            )
        if isinstance(decider, CountDecider):
            return (
                f"the counter was not read before {self.since.event} and after the limit; "
                f"restore the bus and repeat the step"
            )
        if traits.unit in {"flag", "state"}:
            return _kept_too_short(traits, seen)
        if traits.rate_per_s is None and traits.unit != "count":
            return f"nothing says how far {traits.name} moves between readings; declare its full_travel"
        return self._too_coarse(seen, rate_per_s)

    def _cut_short(self, seen: ReadingStats) -> str:
        formula, decider = self.formula, self.decider
        end = value_text(decider.end_s - decider.s2)
        within_s = getattr(formula, "within_s", None)
        said = f"the evidence ends {self.at(seen.last_s)}, before "
        if within_s is not None and seen.last_s < decider.s2 + within_s:
            return f"{said}the deadline at {number_text(within_s)} s; run the step to its end"
        if within_s is not None:
            return f"{said}the hold could be over, {end} s after it; run the step to its end"
        return f"{said}the {end} s were over; run the step to its end"

    def _too_coarse(self, seen: ReadingStats, rate_per_s: float | None) -> str:
        found, decider = self.found, self.decider
        if isinstance(decider, TravelDecider) and decider.rate is not None:
            said = f"the readings leave a rate of {_rates(decider.rate, self.unit)}"
        elif found.margin is None or found.margin.low >= 0 or found.margin.high <= 0:
            return "the readings leave both verdicts possible, and do not say what would decide it"
        else:
            said = (
                f"the readings leave a margin of {self.values(found.margin)}, so both verdicts are possible"
            )
        way_out = advice(found, self.formula, decider, self.traits, seen, rate_per_s=rate_per_s)
        return f"{said}; {way_out}" if way_out else said


def why(
    found: Ruling,
    formula: Formula,
    decider: Decider,
    traits: SignalTraits,
    seen: ReadingStats,
    *,
    rate_per_s: float | None,
    since: Since,
) -> str:
    """Return the sentence for a ruling.

    Args:
        found: the ruling, without its sentence.
        formula: what was demanded.
        decider: what decided it.
        traits: what the bench file declares of the signal.
        seen: how densely the signal was read.
        rate_per_s: the rate that the decision counted with; None under the simple rule.
        since: from what the sentence counts.
    """
    teller = _Teller(found, formula, decider, traits, since)
    return teller.undecided(seen, rate_per_s) if found.verdict is Verdict.INCONCLUSIVE else teller.decided()


def _crossings(pieces: Track, band: Bounds) -> list[Piece]:
    """Return the pieces but those between others that are inside the band for certain, or outside, as they are."""
    _, l0, u0, _, l1, u1 = columns = pieces.columns()
    inside = (l0 >= band.low) & (l1 >= band.low) & (u0 <= band.high) & (u1 <= band.high)
    above, below = (l0 > band.high) & (l1 > band.high), (u0 < band.low) & (u1 < band.low)
    where = 1 * inside + 2 * above + 3 * below
    kept = where == 0
    kept[:1] = kept[-1:] = True
    kept[1:] |= where[1:] != where[:-1]
    kept[:-1] |= where[1:] != where[:-1]
    return [Piece(*piece) for piece in zip(*(column[kept].tolist() for column in columns), strict=True)]


def _longest_stay(
    pieces: list[Piece], band: Bounds, last_s: float
) -> tuple[tuple[float, float] | None, Piece | None]:
    """Return the longest stay in a band that began by `last_s`, and the first piece after it that is surely outside.

    A stay begins where the signal was surely inside, and ends where it was surely outside again.
    """
    stays: list[tuple[float, float]] = []
    open_stay = False
    for t0, l0, u0, t1, l1, u1 in pieces:
        maybe = both(at_least(t0, u0, t1, u1, band.low), at_most(t0, l0, t1, l1, band.high))
        if maybe is None or maybe[0] > t0:
            open_stay = False
        sure = surely_in(Piece(t0, l0, u0, t1, l1, u1), *band)
        if sure is not None and not open_stay and sure[0] <= last_s:
            open_stay = True
            stays.append((sure[0], sure[1]))
        if open_stay and maybe is not None:
            stays[-1] = (stays[-1][0], maybe[1])
            open_stay = maybe[1] >= t1
    if not stays:
        return None, None
    stay = max(stays, key=lambda span: span[1] - span[0])
    outside = (p for p in pieces if p.t1 > stay[1] and (p.l1 > band.high or p.u1 < band.low))
    return stay, next(outside, None)


def _advance(decider: CountDecider) -> str:
    """Return by how much a counter advanced: the least, while it may still count on."""
    least, most = decider.advance
    number = decider.formula.number
    if most == least:
        return f"{least:.0f}" + (f", not {number}" if least != number else "")
    return f"at least {least:.0f}, not {number}"


def _rates(rate: Bounds, unit: str) -> str:
    if rate.high == INF:
        return f"at least {value_text(rate.low, 3)}{unit}/s"
    return range_text(rate, f"{unit}/s", 3)


def _kept_too_short(traits: SignalTraits, seen: ReadingStats) -> str:
    span_s = seen.widest_s + traits.refreshed_every_s + seen.trip_s
    if traits.keeps_for_s is None:
        return (
            f"nothing says what {traits.name} did between two readings; declare keeps_for in the bench file "
            f"(more than {span_s:.3g} s, at this polling)"
        )
    if span_s >= traits.keeps_for_s:
        longest_s = traits.keeps_for_s - traits.refreshed_every_s - seen.trip_s
        said = (
            f"{traits.name} may change and change back within {traits.keeps_for_s:.3g} s, "
            f"and neighbouring readings span up to {span_s:.3g} s"
        )
        if longest_s > 0:
            return f"{said}; poll more often than every {longest_s:.3g} s"
        return f"{said}; no polling is fast enough: the unit must refresh the register more often"
    return (
        f"{traits.name} changed too close to a limit for readings that each span "
        f"{traits.refreshed_every_s + seen.trip_s:.3g} s; poll faster, or move the limit by {span_s:.3g} s"
    )
