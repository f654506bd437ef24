"""The one sentence that says why, for whoever stands at the bench (pure)."""

from __future__ import annotations

from typing import Final, NamedTuple, final

from ventproof.deciders import formulas
from ventproof.deciders.band import StaysDecider
from ventproof.deciders.base import Decider
from ventproof.deciders.count import CountDecider
from ventproof.deciders.flags import FlagDecider
from ventproof.deciders.formulas import Formula
from ventproof.deciders.travel import TravelDecider
from ventproof.envelope.readings import ReadingStats
from ventproof.envelope.spans import EPS_S, INF
from ventproof.judge.advice import advice, limit_of
from ventproof.judge.by_contacts import nearer, not_bridged, place_unknown, sourced
from ventproof.judge.reasons import band_of
from ventproof.verdict.finding import Bounds, Cause, Ruling, Verdict, Witness
from ventproof.verdict.text import decimals_for, number_text, range_text, value_text
from ventproof_bench.base.evidence import Gap, SignalTraits
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.plant.contacts import ReckonedTraits


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

_TIMED: Final = (
    formulas.ReachesFormula,
    formulas.ReturnsFormula,
    formulas.StartsMovingFormula,
    formulas.MovesAtFormula,
    formulas.EqualsFormula,
)


def nothing_read(said: str, gap: Gap | None) -> str:
    """Return that nothing was read, why where that is known, and what to do.

    Args:
        said: of what nothing was read, and since when.
        gap: the longest one since then.
    """
    if gap is None:
        return f"{said}; restore the bus and repeat the step"
    why = f"{said} ({gap.detail or gap.reason})"
    if gap.reason == "exception":
        return f"{why}; correct its register in the bench file, or have the unit answer, and repeat the step"
    return f"{why}; repeat the step with the bus in order"


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
        self.unit = "" if is_discrete(traits.unit) else f" {traits.unit}"
        self.decimals = decimals_for(traits.error)

    def at(self, t_s: float) -> str:
        """Return a moment of loop time as seconds after what it counts from."""
        after_s = t_s - self.decider.s1 + self.since.judged_after_s
        return f"{after_s:.2f} s after {self.since.event}"

    def values(self, bounds: Bounds) -> str:
        """Return an interval of the signal's values."""
        if self.traits.unit == "flag" and bounds.low in {0.0, 1.0} and bounds.high in {0.0, 1.0}:
            return self._state(bounds.low) if bounds.low == bounds.high else "on or off"
        if bounds.low == -INF:
            return f"at most {value_text(bounds.high, self.decimals)}{self.unit}"
        if bounds.high == INF:
            return f"at least {value_text(bounds.low, self.decimals)}{self.unit}"
        return range_text(bounds, self.unit, self.decimals)

    def passed(self) -> str:  # noqa: PLR0911 - one line a kind
        """Return the sentence for a pass: what was seen, and the limit."""
        formula, decider, when = self.formula, self.decider, self._when()
        if isinstance(decider, StaysDecider | FlagDecider) and decider.end_s < decider.s1:
            return "not tested: the condition ended before the limit applied"
        match formula:
            case formulas.ReachesFormula(holds_s=holds_s):
                return f"in the band{self._since_when()}" + (
                    f", stayed {number_text(holds_s)} s" if holds_s else ""
                )
            case formulas.ReturnsFormula():
                return f"returned{when}, not before {number_text(formula.not_before_s)} s"
            case formulas.EqualsFormula(value=value):
                return f"{self._state(value)}{when}"
            case formulas.StartsMovingFormula():
                return f"moved{when}"
            case formulas.CountsFormula():
                assert isinstance(decider, CountDecider)
                exact = f"counted {formula.number} of {formula.number}"
                return (
                    exact if formula.most is None else f"{_advance(decider)} (required {_required(formula)})"
                )
            case formulas.MovesAtFormula() if isinstance(decider, TravelDecider) and decider.rate is not None:
                return f"{_rates(decider.rate, self.unit)} (required {self._required_rate(formula)}){when}"
        return self._all_the_time(formula) + when

    def _when(self) -> str:
        """Return when a response came, and its limit; empty where no one moment tells."""
        if self.found.response_s is None:
            return ""
        first, last = self.found.response_s
        within_s = self.formula.within_s if isinstance(self.formula, _TIMED) else INF
        limit = f" (limit {number_text(within_s)} s)" if within_s < INF else ""
        when = "already" if last <= 0 else f"{first:.2f} to {last:.2f} s after {self.since.event}"
        return f" {when}{limit}"

    def _since_when(self) -> str:
        """Return the same of a band that it then is in."""
        when = self._when()
        return when if not when or when.startswith(" already") else f" since{when}"

    def _all_the_time(self, formula: Formula) -> str:
        seen = "" if self.found.seen is None else f"{self.values(self.found.seen)} throughout"
        match formula:
            case formulas.StaysFormula():
                return f"{seen or 'stayed'} (required {self._limits(formula)})"
            case formulas.UnchangedFormula():
                return f"unchanged: {seen}" if seen else "unchanged"
            case formulas.OvershootsAtMostFormula() | formulas.NeverReversesFormula():
                what = (
                    "overshoot" if isinstance(formula, formulas.OvershootsAtMostFormula) else "movement back"
                )
                return f"{what} at most {value_text(limit_of(formula) or 0.0, self.decimals)}{self.unit}" + (
                    f": {seen}" if seen else ""
                )
        return seen or "as required"

    def _limits(self, formula: formulas.StaysFormula) -> str:
        low, high = formula.low, formula.high
        return self.values(Bounds(-INF if low is None else low, INF if high is None else high))

    def failed(self, witness: Witness) -> str:
        """Return the sentence for a fail: what was seen and when, and what was required."""
        formula, seen = self.formula, self._seen(witness)
        match formula:
            case formulas.ReachesFormula() | formulas.ReturnsFormula():
                return self._not_in_band(witness, formula, seen)
            case formulas.StaysFormula():
                return f"{seen or 'out of its limits'}; required {self._limits(formula)}"
            case formulas.EqualsFormula():
                read = witness.value
                if seen and read is not None and witness.at_s is not None and read.low == read.high:
                    seen = f"still {self._state(read.low)} at {self.at(witness.at_s)}"
                required = f"{self._state(formula.value)} within {number_text(formula.within_s)} s"
                return f"{seen or f'not {self._state(formula.value)}'}; required {required}"
            case formulas.CountsFormula():
                assert isinstance(self.decider, CountDecider)
                return f"{_advance(self.decider)} in {number_text(formula.within_s)} s; required {_required(formula)}"
            case formulas.MovesAtFormula():
                return self._wrong_rate(witness, formula, seen)
        return self._wrong_way(witness, formula)

    def _state(self, value: float) -> str:
        """Return the value of a flag as `on` or `off`, and any other as a number."""
        return ("off", "on")[value == 1] if self.traits.unit == "flag" else number_text(value)

    def _seen(self, witness: Witness) -> str:
        """Return where the signal was, and when; empty where no one moment tells."""
        if witness.value is None or witness.at_s is None:
            return ""
        return f"{self.values(witness.value)} at {self.at(witness.at_s)}"

    def _not_in_band(
        self, witness: Witness, formula: formulas.ReachesFormula | formulas.ReturnsFormula, seen: str
    ) -> str:
        band, within = self.values(band_of(formula)), f"within {number_text(formula.within_s)} s"
        if isinstance(formula, formulas.ReachesFormula):
            hold = f"{number_text(formula.holds_s)} s"
            came_s = 0.0 if witness.before_s is None else witness.before_s - self.decider.s1
            if witness.cause is Cause.LEFT_AGAIN:
                return f"in the band at {came_s:.2f} s, then {seen or 'outside'}; required {band} for {hold}"
            kept = f" and for {hold}" if witness.cause is Cause.NOT_KEPT else ""
            return f"{seen or 'not in the band in time'}; required {band} {within}{kept}"
        early = f"{band} not before {number_text(formula.not_before_s)} s"
        said = {
            Cause.CAME_EARLY: f"returned too early: {seen or 'in the band'}; required {early}",
            Cause.THERE_EARLY: f"in the band too early: {seen or 'from the start'}; required {early}",
            Cause.EARLY_OR_LATE: f"{seen or 'too early or too late'}; required {early}, {within}",
        }
        return said.get(witness.cause, f"{seen or 'did not return in time'}; required {band} {within}")

    def _wrong_rate(self, witness: Witness, formula: formulas.MovesAtFormula, seen: str) -> str:
        within = f"within {number_text(formula.within_s)} s"
        if witness.cause is Cause.NOT_ARRIVED or witness.value is None:
            return f"{seen or 'did not arrive'}; required 90 % of the way {within}"
        return f"{_rates(witness.value, self.unit)}; required {self._required_rate(formula)} {within}"

    def _required_rate(self, formula: formulas.MovesAtFormula) -> str:
        required = Bounds(formula.rate - formula.tolerance, formula.rate + formula.tolerance)
        return range_text(required, f"{self.unit}/s", 3)

    def _wrong_way(self, witness: Witness, formula: Formula) -> str:
        """Return the sentence for a way that was too long or too short."""
        limit = limit_of(formula) or 0.0
        allowed = f"{value_text(limit, self.decimals)}{self.unit}"
        span = f"in {number_text(getattr(formula, 'for_s', 0.0) or getattr(formula, 'within_s', 0.0))} s"
        value = self.values(witness.value) if witness.value is not None else ""
        if witness.cause is Cause.MOVED_TOO_LITTLE:
            return f"moved by {value or 'less'} {span}; required more than {allowed}"
        if isinstance(formula, formulas.UnchangedFormula):
            when = f" at {self.at(witness.at_s)}" if witness.at_s is not None else ""
            said = f": {value}{when}" if value and value != "on or off" else when
            return f"already changed{said}; required unchanged for {span[3:]}" + (
                f", ± {allowed} allowed" if formula.tolerance else ""
            )
        if isinstance(formula, formulas.OvershootsAtMostFormula):
            target = f"{value_text(formula.target, self.decimals)}{self.unit}"
            return f"overshoot of {value or 'more'} beyond {target} {span}; required at most {allowed}"
        return f"moved back by {value or 'more'} on its way {span}; required at most {allowed}"

    def undecided(  # noqa: PLR0911 - one line a cause
        self, seen: ReadingStats, rate_per_s: float | None
    ) -> str:
        """Return the sentence for an open ruling."""
        traits, decider, gap = self.traits, self.decider, not_bridged(seen.longest_gap, self.traits)
        if isinstance(decider, CountDecider) and decider.restarted:
            return (
                "the counter fell or the connection was opened again during the count, so the counter may have "
                "restarted; repeat the step without a restart"
            )
        if isinstance(decider, CountDecider) and decider.counted_on and not _over_the_limit(gap, decider):
            return "still counting at the deadline; extend the deadline, or end the pulses before it"
        if not seen.count:
            return nothing_read(f"no reading since {self.since.event}", gap)
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
                f"the counter was still counting before {self.since.event}, so these may include earlier counts; "
                f"leave 2 s without pulses before"
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
        if nowhere := place_unknown(decider, self.traits):
            return nowhere
        if isinstance(decider, TravelDecider) and decider.rate is not None:
            said = f"the readings leave a rate of {_rates(decider.rate, self.unit)}"
        elif found.margin is None or found.margin.low >= 0 or found.margin.high <= 0:
            return "the readings leave both verdicts possible, and do not say what would decide it"
        else:
            said = (
                f"the readings leave a margin of {self.values(found.margin)}, so both verdicts are possible"
            )
        ways = [advice(found, self.formula, decider, self.traits, seen, rate_per_s=rate_per_s)]
        if isinstance(self.traits, ReckonedTraits):
            said = said.replace("the readings leave", "its drive contacts leave")
            ways.insert(0, nearer(found, self.formula, decider, self.traits, seen))
        return "; ".join(filter(None, (said, *ways)))


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
    if found.verdict is Verdict.INCONCLUSIVE:
        return teller.undecided(seen, rate_per_s)
    said = teller.failed(found.witness) if found.witness is not None else teller.passed()
    return sourced(said, traits)


def _over_the_limit(gap: Gap | None, decider: CountDecider) -> bool:
    """Whether readings were missing at the limit: then these left the count open, and perhaps nothing counted on."""
    return gap is not None and gap.from_s < decider.end_s and decider.s1 + decider.formula.within_s < gap.to_s


def _required(formula: formulas.CountsFormula) -> str:
    """Return how many are required."""
    low, high = formula.required
    if low == high:
        return f"{low:.0f}"
    return f"at least {low:.0f}" if high == INF else f"at most {high:.0f}"


def _advance(decider: CountDecider) -> str:
    """Return how many a counter counted: the least, while it may still count on."""
    least, most = decider.advance
    return f"counted {least:.0f}" if most == least else f"counted at least {least:.0f}"


def _rates(rate: Bounds, unit: str) -> str:
    if rate.high == INF:
        return f"at least {value_text(rate.low, 3)}{unit}/s"
    return range_text(rate, f"{unit}/s", 3)


def _kept_too_short(traits: SignalTraits, seen: ReadingStats) -> str:
    span_s = seen.widest_s + traits.refreshed_every_s + seen.trip_s
    if traits.keeps_for_s is None:
        return (
            f"{traits.name} may change between two readings; declare keeps_for in the bench file "
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
        f"{traits.name} changed too close to a limit: neighbouring readings span up to {span_s:.3g} s; "
        f"poll more often, or move the limit by as much"
    )
