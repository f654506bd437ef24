"""The one sentence that says why, for whoever stands at the bench (pure)."""

from __future__ import annotations

from typing import Final, final

from bench.samples import Gap, Sample, SignalTraits
from harness.judge import formulas
from harness.judge.band import ReachesDecider, ReturnsDecider, StaysDecider
from harness.judge.count import CountDecider
from harness.judge.decider import Decider
from harness.judge.formulas import Formula
from harness.judge.spans import clip
from harness.judge.track import Block
from harness.judge.travel import TravelDecider
from harness.judge.verdict import Bounds, Finding, Verdict

_OUTCOMES: Final[dict[type[Formula], tuple[str, str]]] = {
    formulas.Reaches: ("came into the band in time", "was not in the band in time"),
    formulas.Equals: ("took the value in time", "did not take the value in time"),
    formulas.Stays: ("stayed within its limits", "left its limits"),
    formulas.Returns: ("came back neither too early nor too late", "did not come back in time"),
    formulas.StartsMoving: ("began to move in time", "did not move in time"),
    formulas.Unchanged: ("did not move", "moved although it should not"),
    formulas.MovesAt: ("travelled at the demanded rate", "did not travel at the demanded rate in time"),
    formulas.OvershootsAtMost: ("overshot no more than allowed", "overshot more than allowed"),
    formulas.NeverReverses: ("travelled one way only", "reversed on its way"),
    formulas.Counts: ("advanced exactly as demanded", "advanced by a wrong number"),
}


@final
class Seen:
    """How densely the signal was read since the stimulus, and before the verdict."""

    __slots__ = ("_first", "_from_s", "_last", "count", "longest_gap", "trip_s", "widest_s")

    def __init__(self, from_s: float) -> None:
        self._from_s = from_s
        self._first: Sample | None = None
        self._last: Sample | None = None
        self.count = 0
        self.widest_s = 0.0
        self.trip_s = 0.0
        self.longest_gap: Gap | None = None

    @property
    def spacing_s(self) -> float:
        """Mean time from one reading to the next; 0 until there were two."""
        if self._first is None or self._last is None or self.count < 2:  # noqa: PLR2004 - a spacing has two ends
            return 0.0
        return (self._last.replied_s - self._first.replied_s) / (self.count - 1)

    def reading(self, sample: Sample, gap: Gap | None) -> None:
        """Note one reading and the gap before it."""
        last, self._last = self._last, sample
        if sample.replied_s < self._from_s:
            return
        self.count += 1
        self._first = self._first or sample
        self.trip_s = max(self.trip_s, sample.replied_s - sample.requested_s)
        if last is not None:
            self.widest_s = max(self.widest_s, sample.requested_s - last.requested_s)
        if gap is not None:
            self.gap(gap)

    def block(self, block: Block) -> None:
        """Note readings after the stimulus, with no gap before or between them."""
        last, self._last = self._last, block[-1]
        self.count += len(block)
        self._first = self._first or block[0]
        self.trip_s = max(self.trip_s, float((block.replied_s - block.requested_s).max()))
        if last is not None:
            self.widest_s = max(self.widest_s, block[0].requested_s - last.requested_s)
        if len(block) > 1:
            self.widest_s = max(self.widest_s, float((block.requested_s[1:] - block.requested_s[:-1]).max()))

    def gap(self, gap: Gap) -> None:
        """Note a gap."""
        longest = self.longest_gap
        if gap.to_s >= self._from_s and (
            longest is None or gap.to_s - gap.from_s > longest.to_s - longest.from_s
        ):
            self.longest_gap = gap

    def last_recent_s(self, now_s: float) -> float:
        """Return when the last reading was requested, or `now_s` if readings have failed to come since."""
        last = self._last
        usual_s = 3 * self.spacing_s + 2 * self.trip_s
        return last.requested_s if last is not None and now_s - last.replied_s <= usual_s else now_s


def why(found: Finding, formula: Formula, decider: Decider, traits: SignalTraits, seen: Seen) -> str:
    """Return the sentence for a finding."""
    unit = "" if traits.unit in {"flag", "state", "count"} else f" {traits.unit}"
    if found.verdict is Verdict.INCONCLUSIVE:
        return _undecided(found, decider, traits, seen, unit)
    good, bad = _OUTCOMES[type(formula)]
    if isinstance(decider, ReturnsDecider) and decider.too_early:
        return f"came back within {decider.formula.not_before_s:.10g} s of the stimulus: too early"
    if found.verdict is Verdict.FAIL:
        return bad + _evidence(found, formula, decider, unit)
    when = ""
    if found.response_s is not None:
        when = f": {found.response_s.low:.2f} to {found.response_s.high:.2f} s after the stimulus"
    elif isinstance(decider, StaysDecider) and decider.end_s < decider.s1:
        return "was never held to it: the condition ended first"
    hold = formula.holds_s if isinstance(formula, formulas.Reaches) else 0.0
    kept = f", and kept it for {hold:.10g} s" if hold else ""
    return good + when + kept + ("" if when else _evidence(found, formula, decider, unit))


def _evidence(found: Finding, formula: Formula, decider: Decider, unit: str) -> str:
    """Return the readings' share of the sentence: where the signal was."""
    if isinstance(decider, CountDecider):
        return f": by {_range(decider.advance, '')}"
    if isinstance(formula, formulas.Equals):
        return ""
    if isinstance(decider, TravelDecider) and decider.rate is not None:
        return f": {_range(decider.rate, f'{unit}/s')}"
    if found.verdict is Verdict.FAIL and isinstance(decider, StaysDecider) and decider.left is not None:
        t_s, low, high = decider.left
        return f": {_range(Bounds(low, high), unit)} at {t_s - decider.s1:.2f} s after the stimulus"
    if found.verdict is Verdict.FAIL and isinstance(decider, ReachesDecider | ReturnsDecider):
        limit_s = decider.s2 + decider.formula.within_s
        for piece in reversed(decider.pieces):
            part = clip(piece, piece.t0, limit_s)
            if part is not None and part.l1 > float("-inf"):
                stood = f"{_range(Bounds(part.l1, part.u1), unit)} at {part.t1 - decider.s1:.2f} s"
                hold = isinstance(formula, formulas.Reaches) and formula.holds_s
                return f"{' for the whole hold' if hold else ''}: {stood} after the stimulus"
    return f": {_range(found.seen, unit)} all the time" if found.seen is not None else ""


def _undecided(found: Finding, decider: Decider, traits: SignalTraits, seen: Seen, unit: str) -> str:
    gap = seen.longest_gap
    if isinstance(decider, CountDecider) and decider.restarted:
        cause = "the counter was set anew during the count; repeat the step without a restart"
    elif not seen.count:
        cause = "nothing was read since the stimulus; restore the bus and repeat the step"
    elif gap is not None:
        cause = (
            f"readings were missing for {gap.to_s - gap.from_s:.3g} s ({gap.reason}); "
            f"repeat the step with the bus in order"
        )
    elif isinstance(decider, CountDecider):
        cause = "the counter was not read before the stimulus and after the limit; restore the bus and repeat the step"
    elif traits.unit in {"flag", "state"}:
        cause = _kept_too_short(traits, seen)
    elif traits.rate_per_s is None and traits.unit != "count":
        cause = f"nothing says how far {traits.name} moves between readings; declare its full_travel"
    else:
        cause = _too_coarse(found, decider, traits, seen, unit)
    return cause


def _kept_too_short(traits: SignalTraits, seen: Seen) -> str:
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


def _too_coarse(found: Finding, decider: Decider, traits: SignalTraits, seen: Seen, unit: str) -> str:
    if isinstance(decider, TravelDecider) and decider.rate is not None:
        rates = _range(decider.rate, f"{unit}/s")
        return f"the readings leave a rate of {rates}; poll faster or widen the tolerance"
    rate, margin = traits.rate_per_s or 0.0, found.margin
    if margin is None or margin.low >= 0 or margin.high <= 0:
        return "the readings leave both verdicts possible; poll faster or widen the tolerance"
    excess = (margin.high - margin.low) / 2 - abs(margin.high + margin.low) / 2
    said = f"the readings leave a margin of {_range(margin, unit)}, so both verdicts are possible"
    spacing_s = seen.spacing_s - 2 * excess / rate if rate else 0.0
    if spacing_s > 0:
        return f"{said}; a reading every {spacing_s:.2g} s would decide it"
    if traits.error > excess:
        return f"{said}; readings to ± {traits.error - excess:.2g}{unit} would decide it"
    return f"{said}; a limit {excess:.2g}{unit} further away would decide it"


def _range(bounds: Bounds, unit: str) -> str:
    low, high = f"{bounds.low:.4g}", f"{bounds.high:.4g}"
    return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"
